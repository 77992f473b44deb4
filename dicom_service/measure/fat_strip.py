"""Soft tissue beside a bone as rows across a clicked line, and the darkest line in it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.model import NotMeasurable, Point
from dicom_service.measure.raster import Array, Mask, Picture, cheapest, coarse, peak_shift
from dicom_service.measure.said import say

ROW = 0.5
SEARCH = 3.0
"""mm on each side of the clicked line in which the plane is looked for."""
APART = 1.8
"""mm between two dark lines that are not one."""
FLANK = 1.8
"""mm on both sides of the plane that must be brighter than it."""
NEAR_BONE = 14.0
"""mm from the clicked line within which the bone's margin must lie."""
REACH = 26.0
"""mm on both sides of the line in which skin is looked for."""
CLOSEST = 1.6
"""mm from the bone; nearer to it a dark line is not told from the foot of the bone's edge."""
STRONG = 4.0
"""Depth of a dip over the noise of the smoothed image from which it is seen."""
FAINTEST = 0.006
"""Least depth of a dip over the range of the image: shallower ones are the curve's own error."""


@dataclass(frozen=True)
class Strip:
    """Rows across the clicked line, every `ROW` mm; offsets count away from the bone."""

    along: Array
    offsets: Array
    line: Array
    normals: Array
    values: Array
    bone: Array
    """Offset of the bone's margin, NaN where it is interrupted for long."""
    skin: Array
    """Offset at which air begins, NaN where it does not within reach."""


def strip_beside(pic: Picture, points: tuple[Point, ...]) -> Strip:
    """Rows across a clicked line, with the bone's margin on one side and the skin on the other.

    Raises
    ------
    NotMeasurable
        Too short, at the border, no bone beside it, or bone on both sides.
    """
    knots = pic.mm(points)
    steps = np.hypot(*np.diff(knots, axis=0).T)
    length = float(steps.sum())
    if steps.min() < 1.0 or not 10.0 <= length <= 200.0:
        raise NotMeasurable(say("fat.points"))
    run = np.concatenate([[0.0], np.cumsum(steps)])
    along = np.arange(0.0, length, ROW)
    line = np.stack([np.interp(along, run, knots[:, i]) for i in (0, 1)], axis=1)
    line = ndimage.gaussian_filter1d(line, 2.0 / ROW, axis=0, mode="nearest")
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normals = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    joint = run[len(run) // 2] if len(run) % 2 else length / 2
    offsets = np.arange(-REACH, REACH + pic.fine, max(pic.fine, 0.1))
    values = pic.sample(line[:, None, :] + normals[:, None, :] * offsets[None, :, None])
    if np.isfinite(values[:, np.abs(offsets) < SEARCH + FLANK]).mean() < 0.98:
        raise NotMeasurable(say("fat.border"))
    fine = float(offsets[1] - offsets[0])
    smooth = _smoothed(values, fine)
    side = _bone_side(smooth, offsets)
    if side < 0:  # offsets then count away from the bone
        values, smooth, normals = values[:, ::-1], smooth[:, ::-1], -normals
    bone = _margin(smooth, offsets, fine)
    skin = _skin(pic, smooth, offsets)
    _check_outside(smooth, offsets, bone, skin)
    return Strip(along - joint, offsets, line, normals, values, bone, skin)


def _smoothed(values: Array, fine: float) -> Array:
    """Mean over about 4 mm along the line and 1 mm across; what is off the image stays NaN."""
    known = np.isfinite(values)
    width = (1.3 / ROW, 0.3 / fine)
    total = ndimage.gaussian_filter(np.where(known, values, 0.0), width)
    weight = ndimage.gaussian_filter(known.astype(float), width)
    return np.asarray(np.where(known, total / np.maximum(weight, 1e-6), np.nan))


def _rise(smooth: Array, offsets: Array) -> Array:
    """Slope towards negative offsets (the bone's side when it lies there)."""
    return np.asarray(-np.gradient(smooth, offsets[1] - offsets[0], axis=1))


def _bone_side(smooth: Array, offsets: Array) -> float:
    """+1 when the bone lies at negative offsets, -1 when at positive ones."""
    flanks = []
    for sign in (1.0, -1.0):
        beyond = smooth[:, (sign * offsets < -5.0) & (sign * offsets > -NEAR_BONE)]
        flanks.append(float(np.nanmedian(beyond)) if np.isfinite(beyond).any() else -np.inf)
    here = float(np.nanmedian(smooth[:, np.abs(offsets) < 1.0]))
    if min(flanks) > here + 0.35 * (max(flanks) - here):
        raise NotMeasurable(say("fat.between_bones"))
    # skin is as steep as bone, but behind it lies air
    return 1.0 if flanks[0] >= flanks[1] else -1.0


def _margin(smooth: Array, offsets: Array, fine: float) -> Array:
    """The first strong rise on the bone's side, row by row."""
    slope = np.clip(np.nan_to_num(_rise(smooth, offsets)), 0, None)
    beside = (offsets < -0.6) & (offsets > -NEAR_BONE)
    slope[:, ~beside] = 0
    typical = float(np.percentile(slope.max(axis=1), 60))
    middle = smooth[:, np.abs(offsets) < 1.0]
    spread = float(np.nanpercentile(smooth, 99) - np.nanmedian(middle))
    if typical <= 0 or typical < 0.15 * spread:
        raise NotMeasurable(say("fat.no_bone", reach=NEAR_BONE))
    cost = 1 - np.clip(slope / typical, 0, 1) + 0.3 * np.abs(offsets) / NEAR_BONE
    cost[:, ~beside] = 9
    path = np.clip(cheapest(cost, 3, 0.02), 1, len(offsets) - 2)
    rows = np.arange(len(path))
    strength = slope[rows, path]
    shift = peak_shift(slope[rows, path - 1], strength, slope[rows, path + 1])
    found = np.where(strength > 0.4 * typical, offsets[path] + shift * fine, np.nan)
    known = np.isfinite(found)
    if known.mean() < 0.5:
        raise NotMeasurable(say("fat.half_bone"))
    smoothed = ndimage.median_filter(np.interp(rows, rows[known], found[known]), 5)
    # a joint interrupts the margin for a few millimetres only
    gap = ndimage.binary_closing(np.pad(known, 12), iterations=int(6 / ROW) // 2)[12:-12]
    return np.where(gap | known, smoothed, np.nan)


def _check_outside(smooth: Array, offsets: Array, bone: Array, skin: Array) -> None:
    """Outside the line only soft tissue may lie: no edge that falls as a bone's does."""
    fall = np.nan_to_num(_rise(smooth, offsets))
    rim = np.where(np.isfinite(skin), skin - 2.0, NEAR_BONE)[:, None]
    beyond = np.where((offsets > 0.6) & (offsets < rim), fall, 0.0).max(axis=1)
    known = np.isfinite(bone)
    index = np.abs(offsets[None, :] - np.where(known, bone, 0.0)[:, None]).argmin(axis=1)
    margin = fall[np.arange(len(fall)), index]
    if np.median(beyond) > 0.6 * np.median(margin[known]):
        raise NotMeasurable(say("fat.on_bone"))


def grey_range(pic: Picture) -> tuple[float, float]:
    """Darkest and brightest of the image without its noise."""
    low, high = np.percentile(coarse(pic, 0.8).values, [1, 99.5])
    return float(low), float(high)


def _skin(pic: Picture, smooth: Array, offsets: Array) -> Array:
    """Where air begins on the side away from the bone."""
    low, high = grey_range(pic)
    air = smooth < low + 0.03 * (high - low)
    air[:, offsets < 0] = False
    first = air.argmax(axis=1)
    return np.where(air.any(axis=1), offsets[first], np.nan)


def darkest(pic: Picture, strip: Strip) -> tuple[Array, Mask]:
    """Offset of the darkest line near the clicks, and where it is seen."""
    offsets, fine = strip.offsets, float(strip.offsets[1] - strip.offsets[0])
    dip, tissue = _dips(strip, fine)
    clear = offsets > np.where(np.isfinite(strip.bone), strip.bone + CLOSEST, -np.inf)[:, None]
    window = tissue & clear & (np.abs(offsets) <= SEARCH)
    grain = _grain(dip, tissue & (np.abs(offsets) <= SEARCH + FLANK))
    low, high = grey_range(pic)
    least = max(STRONG * grain, FAINTEST * (high - low))
    depth = np.where(window, dip, -np.inf)
    scale = max(float(np.percentile(depth.max(axis=1), 80)), least)
    cost = 1 - np.clip(depth / scale, -1, 1) + (offsets / SEARCH) ** 2
    cost[~window] = 9
    path = np.clip(cheapest(cost, 2, 0.05), 1, len(offsets) - 2)
    rows = np.arange(len(path))
    found = dip[rows, path]
    shift = peak_shift(*(dip[rows, path + k] for k in (-1, 0, 1)))
    strong = window[rows, path] & (found > least)
    if strong.any():  # the mean along the line fades over the end of a plane: it ends half way
        strong &= found > 0.5 * float(np.median(found[strong]))
    # gaps and pieces shorter than two millimetres are chance
    reach = max(1, round(1.0 / ROW))
    strong = ndimage.binary_closing(np.pad(strong, reach), iterations=reach)[reach:-reach]
    seen = ndimage.binary_opening(strong, iterations=reach)
    _check_alone(depth, offsets, path, seen)
    return offsets[path] + shift * fine, np.asarray(seen)


def _check_alone(depth: Array, offsets: Array, path: NDArray[np.intp], seen: Mask) -> None:
    """No second dark line (such as the fat under the skin) may lie as near to the clicks."""
    apart = np.abs(offsets[None, :] - offsets[path][:, None]) > APART
    rival = np.where(apart, depth, -np.inf)
    at = rival.argmax(axis=1)
    rows = np.arange(len(path))
    beside = seen & (rival[rows, at] > 0.5 * depth[rows, path])
    if beside.sum() < 0.25 * max(int(seen.sum()), 1):
        return
    nearer = np.abs(offsets[at])[beside] - np.abs(offsets[path])[beside]
    if float(np.median(nearer)) < APART / 2:
        raise NotMeasurable(say("fat.two_lines"))


def _grain(dip: Array, where: Mask) -> float:
    """Noise of the dips: bright ridges are as deep as dark ones where there is only noise."""
    bright = dip[where & (dip < 0)]
    if bright.size < 50:
        raise NotMeasurable(say("fat.little_tissue"))
    return float(np.sqrt(np.mean(np.minimum(bright**2, (3 * np.median(-bright)) ** 2)))) + 1e-9


def _dips(strip: Strip, fine: float) -> tuple[Array, Mask]:
    """How far each place is below the smooth brightness of the soft tissue, and where that is.

    Soft tissue grows thinner towards the skin, so that a fat plane near it is no minimum: what is
    compared with is a curve through all the tissue of the row that is not dark.
    """
    offsets = strip.offsets
    edge = np.where(np.isfinite(strip.bone), strip.bone, -SEARCH - FLANK)[:, None] + 0.6
    rim = np.where(np.isfinite(strip.skin), strip.skin, np.inf)[:, None] - 1.0
    tissue = (offsets > edge) & (offsets < rim) & (np.abs(offsets) < SEARCH + 2 * FLANK)
    smooth = _smoothed(strip.values, fine)
    tissue &= np.isfinite(smooth)
    dip = np.zeros(smooth.shape)
    for row, inside in enumerate(tissue):
        x, y = offsets[inside], smooth[row, inside]
        if x.size * fine < 3.0:
            tissue[row] = False
            continue
        dip[row, inside] = _above(x, y)
    # a dark line ends on both sides; where the curve leaves the tissue at an end, it does not
    reach = max(2, round(FLANK / fine))
    walled = np.where(tissue, dip, np.inf)
    before = ndimage.minimum_filter1d(walled, reach, axis=1, origin=(reach - 1) // 2)
    after = ndimage.minimum_filter1d(walled, reach, axis=1, origin=-(reach // 2))
    with np.errstate(invalid="ignore"):
        stands = dip - np.maximum(before, after)
    return np.where(tissue, np.minimum(dip, stands), 0.0), tissue


def _above(x: Array, y: Array) -> Array:
    """A curve through the bright part of a row, less the row."""
    scaled = (x - x.mean()) / max(float(np.ptp(x)) / 2, 1e-9)
    terms = np.vander(scaled, 5 if np.ptp(x) > 6 else 4)
    weight = np.ones(x.size)
    rest = np.zeros(x.size)
    for _ in range(6):
        fit = np.linalg.lstsq(terms * weight[:, None], y * weight, rcond=None)[0]
        rest = terms @ fit - y
        typical = 1.5 * float(np.median(np.abs(rest))) + 1e-9
        weight = np.where(rest > typical, 0.1, 1.0)
    return rest
