"""Makes attenuation.csv (with xraylib) and spectrum_60kv.csv (with spekpy).

    python test_pacs/data/make_tables.py attenuation
    python test_pacs/data/make_tables.py spectrum

The two need not live in the same environment: spekpy is not a dependency of the project.
Both modules are fetched by name, so that neither is needed to read this file.
"""

import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

FOLDER = Path(__file__).parent
ENERGIES = [k + 0.5 for k in range(10, 60)]
"""Bin centres in keV; below 10 keV the added filter leaves nothing."""

COMPOUNDS = {
    "cortical_bone": "Bone, Cortical (ICRP)",
    "soft_tissue": "Muscle, Skeletal",
    "adipose": "Adipose Tissue (ICRP)",
    "skin": "Skin (ICRP)",
    "caesium_iodide": "Cesium Iodide",
}
ELEMENTS = {"aluminium": 13, "titanium": 22, "iron": 26, "lead": 82}


def attenuation() -> str:
    """Mass attenuation coefficients (cm2/g, coherent scatter included) and densities."""
    xraylib = import_module("xraylib")

    names = [*COMPOUNDS, *ELEMENTS]
    density = {k: xraylib.GetCompoundDataNISTByName(v)["density"] for k, v in COMPOUNDS.items()}
    density |= {k: xraylib.ElementDensity(z) for k, z in ELEMENTS.items()}
    lines = [
        f"# mass attenuation coefficient, cm2/g, total with coherent; xraylib {version('xraylib')}",
        "# compounds as xraylib's NIST list names them: "
        + "; ".join(f"{k} = {v}" for k, v in COMPOUNDS.items()),
        "density_g_cm3," + ",".join(f"{density[name]:.5g}" for name in names),
        "energy_kev," + ",".join(names),
    ]
    for energy in ENERGIES:
        row = [xraylib.CS_Total_CP(name, energy) for name in COMPOUNDS.values()]
        row += [xraylib.CS_Total(z, energy) for z in ELEMENTS.values()]
        lines.append(f"{energy:.1f}," + ",".join(f"{value:.6g}" for value in row))
    return "\n".join(lines) + "\n"


def spectrum() -> str:
    """Photons per bin of a 60 kV tube, sum 1."""
    spekpy = import_module("spekpy")

    tube = spekpy.Spek(kvp=60, th=12, dk=1.0, z=100)
    tube.filter("Al", 2.5)
    energies, fluence = tube.get_spectrum(edges=False)
    by_energy = dict(zip(energies.round(1).tolist(), fluence.tolist(), strict=True))
    total = sum(by_energy[energy] for energy in ENERGIES)
    lines = [
        f"# photons per 1 keV bin, sum 1; spekpy {version('spekpy')}, tungsten, 12 degrees",
        f"# 60 kV, 2.5 mm Al; mean {tube.get_emean():.2f} keV, HVL {tube.get_hvl1():.3f} mm Al",
        "energy_kev,fluence",
    ]
    lines += [f"{energy:.1f},{by_energy[energy] / total:.6e}" for energy in ENERGIES]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    target, make = {
        "attenuation": ("attenuation.csv", attenuation),
        "spectrum": ("spectrum_60kv.csv", spectrum),
    }[sys.argv[1]]
    (FOLDER / target).write_text(make(), "utf-8")
