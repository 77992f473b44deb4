"""Where a joint space lies on an image: its middle line, and both margins row by row."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.model import NotMeasurable, Point
from dicom_service.measure.raster import Array, Mask, Picture, cheapest, peak_shift
from dicom_service.measure.said import say

ROW = 0.25
SEARCH = 2.0
"""mm on each side of the clicked line in which the space is looked for."""
SHORTEST = 2.0
"""mm along the joint; a digit's joint is 4 to 10 mm wide."""
SMOOTHED = 0.15
"""mm (sd) by which the rows are smoothed across the space before the margins are looked for."""
LEAST_SHARE = 0.6
"""Of the clicked line so much must lie between two bones without a break."""


class Space(NamedTuple):
    """A joint space: rows across its middle line, mm.

    `values` are (rows, offsets); `edges` the offsets of both margins in each row; `blur` the width
    (sd) of each margin. `share` of the clicked line is left.
    """

    pic: Picture
    line: Array
    normals: Array
    offsets: Array
    values: Array
    edges: Array
    blur: Array
    share: float

    @property
    def width(self) -> Array:
        """The width in each row."""
        return np.asarray(self.edges[:, 1] - self.edges[:, 0])


def find_space(pic: Picture, first: Point, second: Point) -> Space:
    """The space along two clicks.

    Raises
    ------
    NotMeasurable
        The points are too close or too far apart, off the image, or not on a dark line.
    """
    ends = pic.mm([first, second])
    length = float(np.hypot(*(ends[1] - ends[0])))
    if length < SHORTEST:
        raise NotMeasurable(say("joint.short", least=SHORTEST))
    if length > 120:
        raise NotMeasurable(say("joint.long"))
    line, normals = _valley(pic, ends, length)
    offsets = np.arange(-6.0, 6.0 + pic.fine, pic.fine)
    edges, _ = _margins(_across(pic, line, normals, offsets), offsets, pic.fine)
    # a wide space has no darkest line: the rows are laid across the middle of its margins
    line, normals = _middle(line, normals, edges)
    values = _across(pic, line, normals, offsets)
    edges, _ = _margins(values, offsets, pic.fine)
    kept = _between_bones(values, offsets, edges)
    values, share = values[kept], (kept.stop - kept.start) / len(line)
    edges, blur = _margins(values, offsets, pic.fine)
    return Space(pic, line[kept], normals[kept], offsets, values, edges, blur, share)


def _valley(pic: Picture, ends: Array, length: float) -> tuple[Array, Array]:
    """A smooth line along the darkest valley near the clicks, and its normals."""
    along = np.arange(0.0, length, ROW)
    forward = (ends[1] - ends[0]) / length
    across = np.array([-forward[1], forward[0]])
    offsets = np.arange(-SEARCH - 2, SEARCH + 2, pic.fine)
    place = ends[0] + along[:, None, None] * forward + offsets[None, :, None] * across
    values = pic.sample(place)
    if not np.isfinite(values).all():
        raise NotMeasurable(say("joint.border"))
    depth = np.max(
        [
            s**1.5 * ndimage.gaussian_filter(values, (1.0, s / pic.fine), order=(0, 2))
            for s in (0.25, 0.45, 0.8)
        ],
        axis=0,
    )
    scale = np.percentile(depth, 98)
    if scale <= 0:
        raise NotMeasurable(say("joint.no_space"))
    cost = 1 - np.clip(depth / scale, 0, 1) + 0.3 * (offsets / SEARCH) ** 2
    path = offsets[cheapest(cost, 2, 0.05)]
    return _smooth_line(ends[0], forward, along, path)


def _smooth_line(start: Array, forward: Array, along: Array, path: Array) -> tuple[Array, Array]:
    """A robust curve through places `path` beside a straight line, and its normals."""
    across = np.array([-forward[1], forward[0]])
    degree = 4 if float(np.ptp(along)) > 8 else 2
    fit = np.polynomial.Polynomial.fit(along, path, degree)
    for _ in range(4):
        away = np.abs(path - fit(along))
        weight = 1 / np.maximum(away, 0.1)
        fit = np.polynomial.Polynomial.fit(along, path, degree, w=weight)
    line = start + along[:, None] * forward + fit(along)[:, None] * across
    tangent = forward + fit.deriv()(along)[:, None] * across
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return line, np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)


def _middle(line: Array, normals: Array, edges: Array) -> tuple[Array, Array]:
    """The smooth middle line between two margins, and its normals."""
    spots = line + normals * edges.mean(axis=1, keepdims=True)
    length = float(np.hypot(*(line[-1] - line[0])))
    forward = (line[-1] - line[0]) / length
    across = np.array([-forward[1], forward[0]])
    place = (spots - line[0]) @ forward
    order = np.argsort(place)
    along = np.arange(0.0, length, ROW)
    path = np.interp(along, place[order], ((spots - line[0]) @ across)[order])
    return _smooth_line(line[0], forward, along, path)


def _across(pic: Picture, line: Array, normals: Array, offsets: Array) -> Array:
    values = pic.sample(line[:, None, :] + normals[:, None, :] * offsets[None, :, None])
    if not np.isfinite(values).all():
        raise NotMeasurable(say("joint.border"))
    return np.asarray(ndimage.gaussian_filter(values, (0.25 / ROW, SMOOTHED / pic.fine)))


def _margins(values: Array, offsets: Array, fine: float) -> tuple[Array, Array]:
    """Steepest rise on both sides of the valley, (rows, 2), and the blur of each margin in mm."""
    slope = np.gradient(values, fine, axis=1)
    edges, blurs = [], []
    for sign in (-1.0, 1.0):
        rise = np.clip(sign * slope, 0, None)
        allowed = (sign * offsets > 0.05) & (sign * offsets < 4.0)
        rise[:, ~allowed] = 0
        typical = float(np.median(rise.max(axis=1)))
        if typical <= 0:
            raise NotMeasurable(say("joint.no_margin"))
        # the first strong rise beside the valley, not a stronger one behind it
        cost = 1 - np.clip(rise / typical, 0, 1) + 0.08 * np.abs(offsets)
        cost[:, ~allowed] = 9
        path = cheapest(cost, 5, 0.02)
        rows = np.arange(len(path))
        path = np.clip(path, 2, values.shape[1] - 3)
        shift = peak_shift(rise[rows, path - 1], rise[rows, path], rise[rows, path + 1])
        edges.append(offsets[path] + shift * fine)
        blurs.append(_blur(rise, path, fine))
    return np.stack(edges, axis=1), np.array(blurs)


def _blur(rise: Array, path: NDArray[np.intp], fine: float) -> float:
    """Width (sd) of the mean slope peak of a margin, from its height and its flanks."""
    reach = round(0.45 / fine)
    index = np.clip(path[:, None] + np.arange(-reach, reach + 1), 0, rise.shape[1] - 1)
    mean = np.take_along_axis(rise, index, axis=1).mean(axis=0)
    top, flank = mean[reach], max(mean[0], mean[-1], 1e-9)
    if flank >= top:
        return 1.0
    return float(reach * fine / np.sqrt(2 * np.log(top / flank)))


def depth(values: Array, offsets: Array, edges: Array) -> Array:
    """How much darker the middle of the space is than the fainter of both bones, row by row."""
    rows = np.arange(len(values))
    step = offsets[1] - offsets[0]

    def at(place: Array) -> Array:
        index = np.rint((place - offsets[0]) / step).astype(int)
        return np.asarray(values[rows, np.clip(index, 0, values.shape[1] - 1)])

    flanks = np.minimum(at(edges[:, 0] - 0.5), at(edges[:, 1] + 0.5))
    return np.asarray(flanks - at(edges.mean(axis=1)))


def noise(values: Array) -> float:
    """The grain across the rows, grey values."""
    return float(np.median(np.abs(np.diff(values, 2, axis=1)))) + 1e-9


def _between_bones(values: Array, offsets: Array, edges: Array) -> slice:
    """The longest run of rows that are darker than the bones on both sides of them.

    Beside the bones, and where another bone lies over the space, they are not.
    """
    deep = depth(values, offsets, edges)
    good: Mask = deep > max(3 * noise(values), 0.3 * float(np.median(deep)))
    good = ndimage.binary_closing(np.pad(good, 2, "edge"), iterations=1)[2:-2]
    labels, count = ndimage.label(good)
    if not count:
        return slice(0, len(good))
    longest = int(np.bincount(labels)[1:].argmax()) + 1
    rows = np.flatnonzero(labels == longest)
    if len(rows) * ROW < SHORTEST or len(rows) < LEAST_SHARE * len(good):
        return slice(0, len(good))
    return slice(int(rows[0]), int(rows[-1]) + 1)
