"""The true margins of a joint of a body on an image, from its solids: nothing is read off pixels.

A joint is a round end in a cup that was cut out of the other bone. The beam meets each surface
tangentially along one line, its contour: on the image the outermost of the round end as if it were
alone, and of what was cut out. The joint's width on the image is their distance. Where the beam
touches the cut-out beyond the bone's rim there is no such margin.
"""

from typing import NamedTuple

import numpy as np

from test_pacs.phantom import Limb, Projection
from test_pacs.phantom.parts import Piece
from test_pacs.phantom.solids import Rays, Solid, union_length

FINE, STEP = 0.03, 0.3
"""mm on the detector between the rays along the joint's axis, and across it."""
SMOOTH = 5
"""Steps on each side over which the slope of the space is taken."""


class Contours(NamedTuple):
    """Both margins over places `across` the joint's axis from `at` (column, row); mm in the limb.

    `axis` is the direction on the image from the round end to the cup or back. `on_bone` says
    where the beam touches the cup on the bone.
    """

    at: np.ndarray
    axis: np.ndarray
    across: np.ndarray
    cup: np.ndarray
    head: np.ndarray
    on_bone: np.ndarray
    pixel: float

    def spots(self, across: np.ndarray) -> np.ndarray:
        """Image points in the middle of the space at these places."""
        known = self._known()
        along = np.interp(across, self.across[known], ((self.cup + self.head) / 2)[known])
        side = np.array([self.axis[1], -self.axis[0]])
        return self.at + (across[:, None] * side + along[:, None] * self.axis) / self.pixel

    def width(self, across: np.ndarray) -> np.ndarray:
        """The width at these places, along the normal of its middle line."""
        known = self._known()
        middle = ((self.cup + self.head) / 2)[known]
        kernel = np.ones(2 * SMOOTH + 1) / (2 * SMOOTH + 1)
        slope = np.gradient(
            np.convolve(np.pad(middle, SMOOTH, "edge"), kernel, "valid"), self.across[known]
        )
        width = np.abs(self.cup - self.head)[known] / np.hypot(1, slope)
        return np.asarray(np.interp(across, self.across[known], width))

    def tangential(self, across: np.ndarray) -> float:
        """Share of these places where the beam touches the cup on the bone."""
        return float(np.interp(across, self.across, self.on_bone.astype(float)).mean())

    def places(self, points: np.ndarray) -> np.ndarray:
        """Places across the axis of image points."""
        side = np.array([self.axis[1], -self.axis[0]])
        return np.asarray((points - self.at) @ side * self.pixel)

    def _known(self) -> np.ndarray:
        return np.flatnonzero(np.isfinite(self.cup) & np.isfinite(self.head))


def contours(limb: Limb, view: Projection, names: tuple[str, str], at: np.ndarray,
             towards: np.ndarray, reach: float) -> Contours:  # fmt: skip
    """The contours of a joint: `names` of round end and cup, its place, the way to the cup."""
    named = {piece.name: piece for piece in limb.pieces}
    head, cup = (named[name] for name in names)
    spot, ahead = view.shown(np.stack([at, at + 3 * towards]))
    axis = (ahead - spot) / np.hypot(*(ahead - spot))
    scale = view.magnification
    rays = _grid(view, spot, axis, reach * scale, 9.0 * scale)
    along = rays.rows / scale
    # the round end and what was cut out of the cup both reach furthest towards the cup
    far = [
        _last(_hit([part.outer for part in head.parts], rays)),
        _last(_hit([hole for hole, _ in cup.hollows], rays)),
    ]
    first, second = (np.where(rows < 0, np.nan, along[rows]) for rows in far)
    on_bone = np.array([_touches(cup, rays, row, i, towards) for i, row in enumerate(far[1])])
    return Contours(spot, axis, rays.columns / scale, second, first, on_bone, view.pixel / scale)


def _grid(view: Projection, spot: np.ndarray, axis: np.ndarray, across: float, along: float
          ) -> Rays:  # fmt: skip
    """Rays through a fine grid on the detector about `spot`, its rows along `axis`."""
    right, down, _ = view.axes()
    rays = view.rays()
    middle = rays.corner + (spot[0] - 0.5) * rays.step_column + (spot[1] - 0.5) * rays.step_row
    rows, columns = np.arange(-along, along, FINE), np.arange(-across, across + STEP / 2, STEP)
    return Rays(rays.source, middle, right * axis[0] + down * axis[1],
                right * axis[1] - down * axis[0], rows, columns)  # fmt: skip


def _hit(solids: list[Solid], rays: Rays) -> np.ndarray:
    return np.asarray(union_length([s for solid in solids for s in solid.spans(rays)]) > 0)


def _last(hit: np.ndarray) -> np.ndarray:
    """The last row that is hit in each column; -1: none."""
    return np.where(hit.any(axis=0), len(hit) - 1 - hit[::-1].argmax(axis=0), -1)


def _touches(cup: Piece, rays: Rays, row: int, column: int, towards: np.ndarray) -> bool:
    """Whether the beam touches what was cut out where there is bone round it."""
    if row < 0:
        return False
    one = rays.window(slice(row, row + 1), slice(column, column + 1))
    touched = []
    for hole, _ in cup.hollows:
        enter, leave = hole.spans(one)[0]
        if leave[0, 0] > enter[0, 0]:
            touched.append(float(enter[0, 0] + leave[0, 0]) / 2)
    deeper = one.source + touched[0] * one.direction()[0, 0] + 0.15 * towards
    return any(bool(part.outer.contains(deeper[None])[0]) for part in cup.parts)
