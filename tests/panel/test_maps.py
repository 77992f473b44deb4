"""The limb maps: every structure of every region is drawn, where its region is cut out."""

import json
import re
import subprocess
from collections.abc import Callable
from typing import Any

import pytest

from dicom_service.anatomy import load_atlas
from viewer_plugin.maps.source.__main__ import FOLDER, sheets, text

ATLAS = load_atlas()
REGIONS = [
    (species, region) for species in ("dog", "cat", "horse") for region in ATLAS.regions(species)
]
MAPS: list[dict[str, Any]] = [json.loads(file.read_text("utf-8")) for file in FOLDER.glob("*.json")]


def drawing(species: str, region: str) -> dict[str, Any]:
    (found,) = [m for m in MAPS if species in m["species"] and region in m["regions"]]
    return found


@pytest.mark.parametrize(("species", "region"), REGIONS)
def test_every_structure_of_a_region_has_a_shape_within_its_window(
    species: str, region: str
) -> None:
    found = drawing(species, region)
    x, y, width, height = found["windows"][region]
    for structure in ATLAS.region(species, region).structures:
        shape = found["shapes"].get(f"{region}.{structure.id}") or found["shapes"].get(structure.id)
        assert shape is not None, f"{species} {region} {structure.id} is not drawn"
        points = [
            float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", re.sub(r"A[^MLCQZ]*", "", shape["d"]))
        ]
        inside = [
            x <= a <= x + width and y <= b <= y + height
            for a, b in zip(points[::2], points[1::2], strict=True)
        ]
        assert sum(inside) >= len(inside) * 0.5, f"{structure.id} lies outside of the {region}"


def test_the_files_are_what_the_source_draws() -> None:
    for sheet in sheets():
        assert (FOLDER / f"{sheet.name}.json").read_text("utf-8") == text(sheet), sheet.name


def test_no_shape_is_drawn_for_a_structure_that_no_region_has() -> None:
    for found in MAPS:
        known = {
            s.id
            for sp in found["species"]
            for r in found["regions"]
            for s in ATLAS.region(sp, r).structures
        }
        stray = {name for name in found["shapes"] if name.split(".")[-1] not in known}
        assert stray <= {f"{r}.physes" for r in found["regions"]}, found["id"]


def test_calcaneus_navicular_and_splints_lie_where_they_belong() -> None:
    def box(found: dict[str, Any], name: str) -> tuple[float, float, float, float]:
        n = [float(v) for v in re.findall(r"-?\d+(?:\.\d+)?", found["shapes"][name]["d"])]
        return min(n[::2]), min(n[1::2]), max(n[::2]), max(n[1::2])

    for species in ("dog", "cat", "horse"):
        hind = drawing(species, "tarsus")
        assert box(hind, "calcaneus")[2] <= box(hind, "talus")[2]
        assert box(hind, "tuber_calcanei")[1] < box(hind, "talus")[1]
    foot = drawing("horse", "pastern_foot")
    assert box(foot, "d3_p2")[1] < box(foot, "navicular")[1] < box(foot, "d3_p3")[1]
    canna = drawing("horse", "metacarpus")
    assert box(canna, "mc2")[3] > box(canna, "mc4")[3]


def test_the_landmarks_of_a_region_are_structures_of_it_in_each_species(
    program: Callable[[str], str],
) -> None:
    levels = FOLDER.parent / "panel" / "landmark_levels.js"
    script = "import(process.argv[1]).then(m => console.log(JSON.stringify(m.LEVELS)))"
    done = subprocess.run(
        [program("node"), "-e", script, str(levels)], capture_output=True, text=True, check=True
    )
    wanted = json.loads(done.stdout)
    for species, region in REGIONS:
        known = {structure.id for structure in ATLAS.region(species, region).structures}
        for level in wanted[region]:
            assert {*level["front"], *level.get("side", [])} <= known, f"{species} {region}"
