"""Implants of steel: straight screws, a plate, and the holes that are drilled for them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from test_pacs.phantom.parts import Part, Piece
from test_pacs.phantom.shapes import turned
from test_pacs.phantom.solids import Array, Solid, block, lathe_segment


@dataclass(frozen=True)
class Screw:
    """A straight screw: a rod from `tip` to `head`, in the coordinates of its bone, mm.

    `halo` is the width of the resorbed bone round it.
    """

    head: tuple[float, float, float]
    tip: tuple[float, float, float]
    diameter: float = 3.5
    halo: float = 0.0

    def rod(self, extra: float = 0.0) -> Solid:
        """The rod, its radius larger by `extra`."""
        start, vector = np.array(self.head), np.subtract(self.tip, self.head)
        length = float(np.linalg.norm(vector))
        radius = self.diameter / 2 + extra
        straight = lathe_segment((radius**2, 0, 0), (0.0, length), 1.0)
        return straight.moved(_along(vector / length, start))

    def piece(self) -> Piece:
        """The metal."""
        return Piece("screw", "metal", (Part(self.rod()),))


@dataclass(frozen=True)
class Plate:
    """A flat plate, its long side down the limb: middle and half sizes in mm."""

    at: tuple[float, float, float]
    half: tuple[float, float, float]

    def piece(self) -> Piece:
        """The metal."""
        return Piece("plate", "metal", (Part(block(self.half, 1.6).moved(
            turned((0, 0, 0), self.at))),))  # fmt: skip


def _along(direction: Array, at: Array) -> Array:
    """Affine map that lays the z axis along a direction."""
    other = np.array([0.0, 0.0, 1.0]) if abs(direction[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    across = np.cross(other, direction)
    across /= np.linalg.norm(across)
    affine = np.eye(4)
    affine[:3, :3] = np.array([across, np.cross(direction, across), direction]).T
    affine[:3, 3] = at
    return affine


def drilled(bone: Piece, screws: Sequence[Screw]) -> Piece:
    """The bone with a hole for each screw: its rod and the resorbed rim round it."""
    holes = tuple((screw.rod(screw.halo),) * 2 for screw in screws)
    return replace(bone, hollows=(*bone.hollows, *((a, b) for a, b in holes)))
