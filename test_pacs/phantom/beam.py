"""The X-ray beam: spectrum, attenuation tables, and the geometry of one projection.

Limb coordinates are millimetres: x lateral, y dorsal, z distal, the origin in the middle of the
antebrachiocarpal joint. They serve for both sides; only the image of a left limb is the mirror
image of a right one's.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from test_pacs.phantom.solids import Array, Rays

Side = Literal["L", "R"]


class Tables(NamedTuple):
    """Attenuation and spectrum on one energy grid."""

    energies: Array
    """keV."""
    spectrum: Array
    """Photons per bin, sum 1."""
    linear: Mapping[str, Array]
    """Linear attenuation coefficient by material, 1/mm."""
    response: Array
    """What the detector makes of one photon: energy times the part absorbed in it."""


PHOSPHOR_G_CM2 = 0.06
"""Caesium iodide layer; its exact thickness only changes the weighting of energies a little."""


def _rows(name: str) -> list[list[str]]:
    text = resources.files("test_pacs.data").joinpath(name).read_text("utf-8")
    return list(csv.reader(line for line in text.splitlines() if not line.startswith("#")))


@cache
def tables() -> Tables:
    """The tables of `test_pacs/data`, read once."""
    density_row, names, *body = _rows("attenuation.csv")
    values = np.array(body, float)
    spectrum_rows = np.array(_rows("spectrum_60kv.csv")[1:], float)
    if not np.array_equal(values[:, 0], spectrum_rows[:, 0]):
        raise ValueError("attenuation.csv and spectrum_60kv.csv have different energies")
    linear = {
        name: values[:, i] * float(density_row[i]) / 10
        for i, name in enumerate(names)
        if i and name != "caesium_iodide"
    }
    phosphor = values[:, names.index("caesium_iodide")]
    response = values[:, 0] * (1 - np.exp(-phosphor * PHOSPHOR_G_CM2))
    return Tables(values[:, 0], spectrum_rows[:, 1], linear, response)


def transmitted(lengths: Mapping[str, NDArray[np.floating]]) -> Array:
    """Detector signal behind these path lengths (mm by material); 1 is the open beam.

    I = sum_E S(E) D(E) exp(-sum_i mu_i(E) L_i) / sum_E S(E) D(E): Beer-Lambert, bin by bin.
    """
    table = tables()
    weight = table.spectrum * table.response
    weight = weight / weight.sum()
    paths = {name: np.asarray(length, np.float32) for name, length in lengths.items()}
    total = np.zeros(np.broadcast_shapes(*(path.shape for path in paths.values())), np.float32)
    for index in np.flatnonzero(weight > 1e-6):
        depth = np.zeros_like(total)
        for name, path in paths.items():
            depth -= np.float32(table.linear[name][index]) * path
        total += np.float32(weight[index]) * np.exp(depth)
    return total.astype(float)


@dataclass(frozen=True)
class Projection:
    """Where tube, limb and detector stand for one image.

    `azimuth` turns the tube from dorsal (0) towards lateral (+90), `tilt` towards proximal;
    degrees. DPa is 0, ML is -90, D45L-PaMO is 45. The isocentre is at `centre` (limb mm) and is
    shown at the middle of the image.
    """

    azimuth: float
    side: Side = "R"
    tilt: float = 0.0
    centre: tuple[float, float, float] = (0.0, 0.0, 50.0)
    source_to_detector: float = 1000.0
    object_to_detector: float = 40.0
    rows: int = 1500
    columns: int = 1000
    pixel: float = 0.15

    @property
    def magnification(self) -> float:
        """How much larger than life the plane of the isocentre is shown."""
        return self.source_to_detector / (self.source_to_detector - self.object_to_detector)

    def axes(self) -> tuple[Array, Array, Array]:
        """Unit vectors in the limb: image right, image down, and towards the tube."""
        turn, tip = np.radians(self.azimuth), np.radians(self.tilt)
        level = np.array([np.sin(turn), np.cos(turn), 0.0])
        right = np.array([-np.cos(turn), np.sin(turn), 0.0])
        down = np.array([0.0, 0.0, 1.0])
        towards = np.cos(tip) * level - np.sin(tip) * down
        down = np.sin(tip) * level + np.cos(tip) * down
        # seen from the tube a left limb is the mirror image of a right limb
        return (right if self.side == "R" else -right), down, towards

    def rays(self) -> Rays:
        """Rays from the focal spot to the middle of every pixel."""
        right, down, towards = self.axes()
        middle = np.array(self.centre)
        source = middle + towards * (self.source_to_detector - self.object_to_detector)
        corner = (
            middle
            - towards * self.object_to_detector
            + right * self.pixel * (0.5 - self.columns / 2)
            + down * self.pixel * (0.5 - self.rows / 2)
        )
        return Rays(
            source,
            corner - source,
            down * self.pixel,
            right * self.pixel,
            np.arange(self.rows, dtype=float),
            np.arange(self.columns, dtype=float),
        )

    def shown(self, points: Array) -> Array:
        """Image points (column, row) of limb points (..., 3); pixel corners are whole numbers.

        As in SCOORD (PS3.3 C.18.6.1.2) the middle of the first pixel is (0.5, 0.5).
        """
        right, down, towards = self.axes()
        offset = np.asarray(points, float) - np.array(self.centre)
        depth = self.source_to_detector - self.object_to_detector - offset @ towards
        scale = self.source_to_detector / depth / self.pixel
        column = offset @ right * scale + self.columns / 2
        row = offset @ down * scale + self.rows / 2
        return np.stack([column, row], axis=-1)
