"""Outer edges of a shaft on both sides of a line, each with the others that it could be."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.model import NotMeasurable
from dicom_service.measure.raster import Array, Picture, cheapest, peak_shift
from dicom_service.measure.said import say

NEAREST = 0.4
"""mm beside the clicked line where an edge may lie: a cat's metacarpals are 2.5 mm wide."""
LEAN = 7.0
"""Degrees by which an edge may run off the clicked line: two clicks good to 1 mm at 30 mm are off
by 5, and a shaft tapers."""
WIDE = 0.3
"""mm on both sides of a straight line in which a fall counts: a bow of 2 degrees over 60 mm
strays by as much."""
BAND, AWAY = 4.0, 0.15
"""mm on both sides of the straight line in which the edge itself is then followed, so that a
flare is seen, and what a mm costs of a full fall, so that it does not change to another edge."""
FEWEST = 0.35
"""Share of the strongest edge's fall from which another one is worth a look."""
MOST = 5
"""Edges on one side that are looked at."""
PEAK = 0.3
"""mm on both sides within which a fall is the steepest."""
SAME = 0.4
"""mm within which two edges are one."""
LEAST_GAP = 1.0
"""mm between two edges on a row from which ground between them can be seen at all."""
VALLEY = 0.5
"""Share of a bone's height over the ground beside it by which the next bone has to rise again; on
the bodies of dog and cat neighbours rise by 0.6 and more, a bone laid over another by nothing."""
MARROW = 0.25
"""The same share by which the clicked line has to be brighter than that ground, so that marrow is
not taken for it: 0.4 to 0.8 on the bodies, 0 in marrow itself."""


@dataclass(frozen=True)
class Edge:
    """One edge along a line: offsets from it on each row, mm, and its fall (median, per mm)."""

    offsets: Array
    fall: float


@dataclass(frozen=True)
class _Side:
    """What is seen on one side: offsets run outwards."""

    offsets: Array
    values: Array
    fall: Array


def both_sides(
    pic: Picture, stations: Array, along: Array, normal: Array, reach: float
) -> tuple[tuple[list[Edge], list[Edge]], float]:
    """Edges that can be the shaft's own on each side, strongest first, and the grain of the fall.

    Offsets are along `normal`.

    Raises
    ------
    NotMeasurable
        Too near the border of the image, or no edge on a side.
    """
    offsets = np.arange(-reach, reach + pic.fine, pic.fine)
    values = pic.sample(stations[:, None, :] + offsets[None, :, None] * normal)
    if not np.isfinite(values).mean() > 0.7:
        raise NotMeasurable(say("shaft.border"))
    filled = np.where(np.isfinite(values), values, np.nanmin(values))
    smooth = ndimage.gaussian_filter(filled, (1.0, 0.25 / pic.fine))
    slope = np.gradient(smooth, pic.fine, axis=1)
    grain = float(1.4826 * np.median(np.abs(slope[3:] - slope[:-3])) / np.sqrt(2)) + 1e-9
    # what lies off the image makes no edge, nor does the smoothing of its border
    off = ~np.isfinite(values)
    slope[ndimage.maximum_filter(off, (5, 2 * round(0.8 / pic.fine) + 1))] = 0
    sides = []
    for sign in (-1, 1):
        outward = slice(None, None, sign)
        side = _Side(sign * offsets[outward], smooth[:, outward], -sign * slope[:, outward])
        edges = _own(side, _edges(side, along, pic.fine))
        sides.append([Edge(sign * edge.offsets, edge.fall) for edge in edges])
    return (sides[0], sides[1]), grain


def _edges(side: _Side, along: Array, fine: float) -> list[Edge]:
    """All edges with a clear fall, strongest first: straight lines, then followed in a band."""
    fall = np.clip(side.fall, 0, None)
    fall[:, side.offsets < NEAREST] = 0
    typical = float(np.median(fall.max(axis=1))) + 1e-9
    # only the steepest place of every fall, lest its foot pass for another edge
    tops = np.where(fall >= ndimage.maximum_filter1d(fall, 2 * round(PEAK / fine) + 1), fall, 0)
    lines = _lines(along, fine, len(side.offsets))
    rows = np.arange(len(along))
    found: list[Edge] = []
    while len(found) < MOST:
        clear = np.clip(tops / typical, 0, 1)
        path = _followed(clear, _straightest(clear, lines, fine), fine)
        steep = float(np.median(tops[rows, path]))
        if steep <= 0 or (found and steep < FEWEST * found[0].fall):
            break
        shift = peak_shift(fall[rows, path - 1], fall[rows, path], fall[rows, path + 1])
        found.append(Edge(side.offsets[path] + shift * fine, steep))
        tops = np.where(np.abs(side.offsets - found[-1].offsets[:, None]) < SAME, 0, tops)
    if not found:
        raise NotMeasurable(say("shaft.no_edge"))
    return sorted(found, key=lambda edge: -edge.fall)


def _lines(along: Array, fine: float, columns: int) -> NDArray[np.intp]:
    """Columns by which straight lines of every lean are moved on each row: (leans, rows)."""
    most = np.tan(np.radians(LEAN))
    leans = np.linspace(-most, most, 2 * int(np.ceil(most * np.abs(along).max() / WIDE)) + 1)
    return np.clip(np.rint(leans[:, None] * along / fine), -columns, columns).astype(np.intp)


def _straightest(fall: Array, lines: NDArray[np.intp], fine: float) -> NDArray[np.intp]:
    """The columns of the straight line along which the fall is greatest."""
    rows, columns = fall.shape
    wide = ndimage.maximum_filter1d(fall, 2 * round(WIDE / fine) + 1).astype(np.float32)
    padded = np.pad(wide, ((0, 0), (columns, columns)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, columns, axis=1)
    score = windows[np.arange(rows)[None, :], columns + lines].mean(axis=1)
    lean, column = np.unravel_index(int(score.argmax()), score.shape)
    return np.asarray(column + lines[lean], np.intp)


def _followed(fall: Array, line: NDArray[np.intp], fine: float) -> NDArray[np.intp]:
    """The columns of the edge near a straight line, row by row."""
    band = round(BAND / fine)
    apart = np.arange(-band, band + 1)
    index = np.clip(line[:, None] + apart, 1, fall.shape[1] - 2)
    near = fall[np.arange(len(line))[:, None], index]
    core = near[:, np.abs(apart) * fine <= WIDE].max(axis=1)
    usual = float(np.median(core[core > 0])) if (core > 0).any() else 1.0
    cost = 1 - np.clip(near / usual, 0, 1) + AWAY * np.abs(apart) * fine
    return np.asarray(index[np.arange(len(line)), cheapest(cost, 3, 0.02)], np.intp)


def _own(side: _Side, edges: list[Edge]) -> list[Edge]:
    """Without those that belong to another bone: ground that is no bone lies before them."""
    own = [
        edge for edge in edges
        if not any(_apart(side, other, edge) for other in edges if other is not edge)
    ]  # fmt: skip
    # edges that cross each other can each lie beyond the other
    return own or edges


def _apart(side: _Side, near: Edge, far: Edge) -> bool:
    """Whether the brightness falls to the ground between two edges and rises again."""
    step = side.offsets[1] - side.offsets[0]
    first, last = (np.rint((e.offsets - side.offsets[0]) / step).astype(int) for e in (near, far))
    home = np.abs(side.offsets) < NEAREST
    start, seen = int(home.argmax()), []
    for row, a, b in zip(side.values, first, last, strict=True):
        if (b - a) * step >= LEAST_GAP:
            lowest = np.minimum.accumulate(row[a:b])
            again = int((row[a:b] - lowest).argmax())
            own = max(row[home].max(), row[: a + 1][start:].max(initial=-np.inf))
            seen.append([v - lowest[again] for v in (own, np.median(row[home]), row[a + again])])
    if len(seen) < len(first) / 4:
        return False
    fall, inside, rise = np.median(np.array(seen), axis=0)
    return bool(rise > VALLEY * fall and inside > MARROW * fall)
