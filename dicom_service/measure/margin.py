"""The subchondral margin of a joint: its smooth course, its roughness, and the pits in it.

A pit that does not run through most of the bone along the beam leaves the margin where it is: only
notches are found here.
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.raster import Array, Mask

PIT = 0.3
"""mm of depth from which a margin is irregular; none of a smooth margin reaches half of it."""
FILLED = 0.1
"""mm that blur and smoothing take from the depth of a pit of 0.5 to 1.6 mm."""
PIT_ERROR = 0.25
"""95 % of a pit's depth, mm."""
PLACE_ERROR = 0.6
WORN = 0.12
"""mm below the smooth course from which rows do not count for it."""
PROUD = 0.08
"""mm by which a margin may stand out of its course into the space; an even one does by 0.04.

Bone is lost in a pit, not gained beside it: where a margin seems to stand out, the course was
drawn through a pit that takes up too much of the line.
"""


@dataclass(frozen=True)
class Pit:
    """A pit in a margin: how deep, and its deepest place (mm in the image).

    A `narrow` one is as deep as wide: the blur fills it, so that its depth is a lower bound.
    """

    depth: float
    place: Array
    narrow: bool


def course(along: Array, edge: Array) -> tuple[Array, bool]:
    """The margin as it would run without pits, and whether that is sure.

    `edge` grows into the bone. A pit bends an ordinary fit, so
    that rows well inside the bone are left out of it, up to half of them. Where a parabola and a
    curve of degree four differ by much, a pit at an end of the line cannot be told from a bend.
    """
    step = float(along[1] - along[0])
    plain = _without_pits(along, edge, 2)
    if len(along) * step <= 7.5:
        return plain, True
    bent = _without_pits(along, edge, 4)
    return bent, bool(np.abs(bent - plain).max() < PIT)


def _without_pits(along: Array, edge: Array, degree: int) -> Array:
    worn: Mask = np.zeros(edge.shape, bool)
    grow = max(1, round(0.5 / float(along[1] - along[0])))
    fit = Polynomial.fit(along, edge, 1)
    for order in (2, 2, degree, degree, degree):
        fit = _robust(along[~worn], edge[~worn], order)
        worn = ndimage.binary_dilation(edge - fit(along) > WORN, iterations=grow)
        if worn.mean() > 0.5:
            worn = np.zeros(edge.shape, bool)
    return np.asarray(fit(along))


def _robust(along: Array, edge: Array, degree: int) -> Polynomial:
    fit = Polynomial.fit(along, edge, degree)
    for _ in range(3):
        weight = 1 / np.maximum(np.abs(edge - fit(along)), 0.05)
        fit = Polynomial.fit(along, edge, degree, w=weight)
    return fit


def pits(points: Array, away: Array) -> tuple[Array, tuple[Pit, ...] | None]:
    """How far each of a margin's points lies in the bone, and the margin's pits.

    `points` run along the margin, `away` points from the joint space into the bone. The line that
    a margin was looked for from bends with what lies beside it, so the margin is judged against
    the chord of its own points. None instead of pits where its course is not sure.
    """
    chord = points[-1] - points[0]
    chord = chord / np.hypot(*chord)
    across = np.array([-chord[1], chord[0]])
    across = across if float(across @ away) > 0 else -across
    place, height = (points - points[0]) @ chord, (points - points[0]) @ across
    order = np.argsort(place)
    step = float(place.max() - place.min()) / (len(points) - 1)
    along = place.min() + np.arange(len(points)) * step
    edge = np.interp(along, place[order], height[order])
    smooth, sure = course(along, edge)
    slope = np.gradient(smooth, step)
    depth = ndimage.gaussian_filter1d((edge - smooth) / np.hypot(1, slope), 0.25 / step)
    spots = points[0] + along[:, None] * chord + edge[:, None] * across
    sure = sure and float((edge - smooth)[2:-2].min()) > -PROUD
    return depth, _found(spots, depth, step) if sure else None


def _found(spots: Array, depth: Array, step: float) -> tuple[Pit, ...]:
    labels, count = ndimage.label(depth > PIT / 2)
    found = []
    for number in range(1, count + 1):
        rows = np.flatnonzero(labels == number)
        row = int(rows[depth[rows].argmax()])
        # at an end of the line a margin bends round the rim of the bone
        if depth[row] > PIT and 2 <= row < len(depth) - 2:
            width = float((depth[rows] > depth[row] / 2).sum()) * step
            narrow = bool(depth[row] > 0.8 * width)
            found.append(Pit(float(depth[row]) + FILLED, spots[row], narrow))
    return tuple(sorted(found, key=lambda pit: -pit.depth))
