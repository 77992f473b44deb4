"""Joint space width between two subchondral margins, from two clicks along the space."""

import numpy as np
from numpy.typing import NDArray

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.margin import PIT_ERROR, PLACE_ERROR, Pit, pits
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point, Profile
from dicom_service.measure.raster import Array, Picture, cheapest, peak_shift
from dicom_service.measure.said import Said, say

METHOD, VERSION = "sesamoid.joint_space", "4"
ROW = 0.25
SEARCH = 2.0
"""mm on each side of the clicked line in which the space is looked for."""
ABSOLUTE_ERROR = 0.2
"""95 % in mm, systematic: a logarithmic image moves both margins apart, blur saturates."""
NARROWEST = 0.65
"""Below this width the blur decides; only an upper bound is given."""
SLIGHT = 0.32
"""95 % in mm where the margins are blurred a little."""
SHORTEST = 2.0
"""mm along the joint; a digit's joint is 4 to 10 mm wide."""
METAL, METAL_NEAR = 1.7, 3.0
"""Brighter than the bone beside the space by this factor within so many mm of it: an implant.

On the phantoms bone alone reaches 1.3, a steel plate of 2 mm has 2.2.
"""
SINGLE = (0.9, 1.4)
"""Share of the rise within 0.4 mm of a margin; a thick plate has 0.96 to 1.06, a thin one more."""
SINGLE_NARROW = 1.1
"""Its upper limit below 0.75 mm, where two crossing contours of an oblique joint look like one."""


def joint_space(pic: Picture, first: Point, second: Point) -> Measured:
    """Width of the joint space between two points clicked along it.

    Raises
    ------
    NotMeasurable
        The points are too close, off the image, not on a dark space between two bones, or the
        margins are not tangential to the beam.
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
    smooth = _across(pic, line, normals, offsets)
    edges, _ = _margins(smooth, offsets, pic.fine)
    kept = _trimmed(smooth, offsets, edges)
    smooth, line, normals = smooth[kept], line[kept], normals[kept]
    edges, blur = _margins(smooth, offsets, pic.fine)
    _check(smooth, offsets, edges)
    _check_sharp(edges, blur)
    _check_single(smooth, offsets, edges)
    doubts = _metal(smooth, offsets, edges)
    return _answer(pic, line, normals, edges, blur, doubts)


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
    return np.asarray(ndimage.gaussian_filter(values, (0.25 / ROW, 0.15 / pic.fine)))


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


def _depth(values: Array, offsets: Array, edges: Array) -> Array:
    """How much darker the middle of the space is than the fainter of both bones, row by row."""
    rows = np.arange(len(values))
    step = offsets[1] - offsets[0]

    def at(place: Array) -> Array:
        index = np.rint((place - offsets[0]) / step).astype(int)
        return np.asarray(values[rows, np.clip(index, 0, values.shape[1] - 1)])

    flanks = np.minimum(at(edges[:, 0] - 0.5), at(edges[:, 1] + 0.5))
    return np.asarray(flanks - at(edges.mean(axis=1)))


def _noise(values: Array) -> float:
    return float(np.median(np.abs(np.diff(values, 2, axis=1)))) + 1e-9


def _trimmed(values: Array, offsets: Array, edges: Array) -> slice:
    """The rows without those at either end that lie beside the bones: at most a fifth each."""
    depth = _depth(values, offsets, edges)
    good = depth > max(3 * _noise(values), 0.3 * float(np.median(depth)))
    most, count = len(good) // 5, len(good)
    first = int(np.argmax(good[: most + 1])) if good[: most + 1].any() else 0
    last = int(np.argmax(good[::-1][: most + 1])) if good[::-1][: most + 1].any() else 0
    if (count - first - last) * ROW < SHORTEST or not good[first : count - last].all():
        return slice(0, count)
    return slice(first, count - last)


def _check(values: Array, offsets: Array, edges: Array) -> None:
    depth = _depth(values, offsets, edges)
    between = float(np.mean(depth > 3 * _noise(values)))
    if between < 0.95:
        raise NotMeasurable(say("joint.not_joint", share=between))
    if np.percentile(depth, 10) < 0.25 * np.median(depth):
        raise NotMeasurable(say("joint.fades"))


def _metal(values: Array, offsets: Array, edges: Array) -> tuple[Said, ...]:
    """No implant so close that its rim may have been taken for a margin; else a doubt.

    Metal along the whole of one side looks like a thicker bone: sound ones of the phantom differ
    up to 2.3 times, a plate has 2.1. That alone gives a doubt.
    """
    row = np.arange(len(values))
    step = offsets[1] - offsets[0]
    beyond = np.arange(0.5, METAL_NEAR, 0.25)

    def at(place: Array) -> Array:
        index = np.rint((place - offsets[0]) / step).astype(int)
        return np.asarray(values[row[:, None], np.clip(index, 0, values.shape[1] - 1)])

    floor = at(edges.mean(axis=1, keepdims=True))
    sides = [at(edges[:, [0]] - beyond) - floor, at(edges[:, [1]] + beyond) - floor]
    peaks = [side.max(axis=1) for side in sides]
    thinner, thicker = sorted(float(np.median(peak)) for peak in peaks)
    if max(float(peak.max()) for peak in peaks) > METAL * thicker:
        raise NotMeasurable(say("joint.metal", near=METAL_NEAR))
    if thicker > METAL * thinner:
        return (say("joint.dense_side", times=thicker / thinner),)
    return ()


def _check_single(values: Array, offsets: Array, edges: Array) -> None:
    """Each margin must carry the whole rise from the space to the bone: one contour, not two."""

    def level(place: Array) -> float:
        rows = zip(place, values, strict=True)
        return float(np.median([np.interp(p, offsets, row) for p, row in rows]))

    floor = level(edges.mean(axis=1))
    narrow = float(np.mean(edges[:, 1] - edges[:, 0])) < 0.75
    most = SINGLE_NARROW if narrow else SINGLE[1]
    for side, sign in ((0, -1.0), (1, 1.0)):
        beyond = [level(edges[:, side] + sign * d) - floor for d in (0.4, 0.5, 0.8, 1.2, 1.6, 2.0)]
        share = beyond[0] / max(*beyond[1:], 1e-9)
        if not SINGLE[0] <= share <= most:
            raise NotMeasurable(say("joint.double"))


def _check_sharp(edges: Array, blur: Array) -> None:
    width = edges[:, 1] - edges[:, 0]
    # the median, not the root mean square: a pit makes some rows wide, obliquity unsettles all
    bumps = np.abs(width - ndimage.median_filter(width, round(2.25 / ROW)))
    rough = 1.4826 * float(np.median(bumps))
    if blur.max() > SHARP or rough > UNSETTLED:
        raise NotMeasurable(say("joint.oblique", blur=blur.max(), rough=rough))


UNSETTLED = 0.1
"""mm by which the width may change from row to row."""
SHARP = 0.29
"""Blur (sd) in mm beyond which a margin is not tangential; a sharp one has 0.15 to 0.25."""


def _answer(pic: Picture, line: Array, normals: Array, edges: Array, blur: Array,
            found: tuple[Said, ...]) -> Measured:  # fmt: skip
    width = edges[:, 1] - edges[:, 0]
    window = max(1, round(2.0 / ROW))
    running = np.convolve(width, np.ones(window) / window, "valid")
    lowest, mean = float(running.min()), float(width.mean())
    start = int(running.argmin())
    per, unit, along = pic.per_mm, pic.unit, np.arange(len(width), dtype=float) * ROW
    narrow = lowest < NARROWEST
    doubts = [*pic.doubts, *found]
    error = SLIGHT if blur.max() > 0.75 * SHARP else ABSOLUTE_ERROR
    if error == SLIGHT:
        doubts.append(say("joint.blurred", blur=blur.max()))
    numbers = [
        Number(id="minimum", name=say("joint_space.minimum"), value=max(lowest, NARROWEST) * per,
               unit=unit, plus_minus=None if narrow else error * per,
               bound="at most" if narrow else ""),
        Number(id="mean", name=say("joint_space.mean"), value=mean * per, unit=unit,
               plus_minus=error * per),
    ]  # fmt: skip
    holes: list[Array] = []
    for side, words in enumerate((say("word.first_margin"), say("word.second_margin"))):
        margin = line + normals * edges[:, side : side + 1]
        measured, seen = _margin_numbers(pic, margin, normals.mean(axis=0), side)
        numbers += measured
        if seen is None:
            doubts.append(say("joint.no_pits", margin=words))
        elif seen:
            doubts.append(say("joint.pits", margin=words, count=len(seen)))
        holes += [pit.place for pit in seen or ()]
    points = [line + normals * edges[:, s : s + 1] for s in (0, 1)]
    narrowest = np.stack([p[start + window // 2] for p in points])
    drawn = tuple(
        Drawn(kind="line", name=name, points=pic.points(place))
        for name, place in (("first margin", points[0]), ("second margin", points[1]),
                            ("minimum", narrowest))
    )  # fmt: skip
    if holes:
        drawn += (Drawn(kind="points", name="pits", points=pic.points(np.stack(holes))),)
    profile = Profile(name=say("curve.joint_width"), unit=unit,
                      along=tuple(round(float(a) * per, 2) for a in along),
                      values=tuple(round(float(w) * per, 3) for w in width))  # fmt: skip
    return Measured(kind="joint_space", method=METHOD, version=VERSION,
                    calibration=pic.calibration, numbers=tuple(numbers), drawn=drawn,
                    profiles=(profile,), doubts=tuple(doubts))  # fmt: skip


def _margin_numbers(
    pic: Picture, margin: Array, normal: Array, side: int
) -> tuple[list[Number], tuple[Pit, ...] | None]:
    """Roughness and deepest pit of one margin, and its pits."""
    depth, found = pits(margin, -normal if side == 0 else normal)
    per, unit = pic.per_mm, pic.unit
    numbers = [Number(id=f"roughness_{side + 1}", name=say(f"joint_space.roughness_{side + 1}"),
                      value=float(np.std(depth)) * per, unit=unit)]  # fmt: skip
    name = f"pit_{side + 1}"
    if not found:
        return numbers, found
    deepest = found[0]
    numbers += [
        Number(id=name, name=say(f"joint_space.{name}"), value=deepest.depth * per, unit=unit,
               plus_minus=None if deepest.narrow else PIT_ERROR * per,
               bound="at least" if deepest.narrow else ""),
        Number(id=f"{name}_at", name=say(f"joint_space.{name}_at"),
               value=float(np.hypot(*(deepest.place - margin[0]))) * per, unit=unit,
               plus_minus=PLACE_ERROR * per),
    ]  # fmt: skip
    return numbers, found
