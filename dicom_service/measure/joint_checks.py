"""Whether a joint space may be measured: two bones, no metal, margins tangential to the beam."""

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.joint_margins import ROW, SMOOTHED, Space, depth, noise
from dicom_service.measure.model import NotMeasurable
from dicom_service.measure.raster import Array, peak_shift
from dicom_service.measure.said import Said, say

METAL, METAL_NEAR = 1.7, 3.0
"""Brighter than the bone beside the space by this factor within so many mm of it: an implant.

On the phantoms bone alone reaches 1.3, a steel plate of 2 mm has 2.2.
"""
SINGLE = (0.9, 1.4)
"""Share of the rise within 0.4 mm of a margin; a thick plate has 0.96 to 1.06, a thin one more."""
SINGLE_NARROW = 1.1
"""Its upper limit below 0.75 mm, where two crossing contours of an oblique joint look like one."""
UNSETTLED = 0.1
"""mm by which the width may change from row to row."""
SHARP = 0.29
"""Blur (sd) in mm beyond which a flat margin is not tangential; a sharp one has 0.15 to 0.25."""
ABSOLUTE_ERROR = 0.2
"""95 % in mm, systematic: a logarithmic image moves both margins apart, blur saturates."""
SLIGHT = 0.32
"""95 % in mm where the margins are blurred a little, or round along the beam."""
SHARP_ROUND = 0.42
"""The same where both margins are round: the flank within the bone is then longer."""
COARSE = (0.35, 0.5)
"""mm (sd) at which the mean row is looked at again."""
MOVES = (0.03, 0.07)
"""mm by which the middle of the space then moves at least where both margins are round."""
BENDS = 0.4
"""mm of rise over its chord from which a space tells on which side the round end lies."""
AGREES = 0.15
"""mm by which the width of the mean row may differ from the mean of the rows."""
GROWS = (0.04, 0.12)
"""mm by which the width may then grow at most: from 1 mm on, and below."""


def check(space: Space) -> None:
    """Rows that are darker than the bone on both sides of them.

    Raises
    ------
    NotMeasurable
        Too few of them are, or they fade.
    """
    deep = depth(space.values, space.offsets, space.edges)
    between = float(np.mean(deep > 3 * noise(space.values)))
    if between < 0.95:
        raise NotMeasurable(say("joint.not_joint", share=between))
    if np.percentile(deep, 10) < 0.25 * np.median(deep):
        raise NotMeasurable(say("joint.fades"))


def metal(space: Space) -> tuple[Said, ...]:
    """No implant so close that its rim may have been taken for a margin; else a doubt.

    Metal along the whole of one side looks like a thicker bone: sound ones of the phantom differ
    up to 2.3 times, a plate has 2.1. That alone gives a doubt.
    """
    values, edges = space.values, space.edges
    row = np.arange(len(values))
    step = space.offsets[1] - space.offsets[0]
    beyond = np.arange(0.5, METAL_NEAR, 0.25)

    def at(place: Array) -> Array:
        index = np.rint((place - space.offsets[0]) / step).astype(int)
        return np.asarray(values[row[:, None], np.clip(index, 0, values.shape[1] - 1)])

    floor = at(edges.mean(axis=1, keepdims=True))
    sides = [at(edges[:, [0]] - beyond) - floor, at(edges[:, [1]] + beyond) - floor]
    peaks = [side.max(axis=1) for side in sides]
    thinner, thicker = sorted(float(np.median(peak)) for peak in peaks)
    # bones that lie over the space raise its floor, so that all other bone looks denser
    raised = float(np.median(floor)) - _beside(space)
    if max(float(peak.max()) for peak in peaks) + raised > METAL * (thicker + raised):
        raise NotMeasurable(say("joint.metal", near=METAL_NEAR))
    if thicker > METAL * thinner:
        return (say("joint.dense_side", times=thicker / thinner),)
    return ()


def _beside(space: Space) -> float:
    """How bright the soft tissue is beside the joint: the brighter of both ends."""
    floor = float(np.median(np.interp(0.0, space.offsets, space.values.mean(axis=0))))
    away = np.arange(0.5, 3.0, 0.25)[:, None]
    found = []
    for end, inner in ((0, 4), (-1, -5)):
        inner = inner if abs(inner) < len(space.line) else -1 - end
        along = space.line[end] - space.line[inner]
        along = along / max(float(np.hypot(*along)), 1e-9)
        seen = space.pic.sample(space.line[end] + away * along)
        found.append(float(np.nanmin(seen)) if np.isfinite(seen).any() else floor)
    return min(max(found), floor)


def tangential(space: Space) -> tuple[float, tuple[Said, ...]]:
    """The 95 % of a width (mm) by how its margins look, and doubts.

    Raises
    ------
    NotMeasurable
        A margin is a double contour, blurred or unsettled as that of a joint seen obliquely.
    """
    rough = unsettled(space)
    both = looks_round(space)
    sharp = SHARP_ROUND if both else SHARP
    if space.blur.max() > sharp or rough > UNSETTLED:
        raise NotMeasurable(say("joint.oblique", blur=space.blur.max(), rough=rough))
    if both:
        return SLIGHT, (say("joint.round"),)
    _check_single(space)
    if space.blur.max() > 0.75 * SHARP:
        return SLIGHT, (say("joint.blurred", blur=space.blur.max()),)
    return ABSOLUTE_ERROR, ()


def unsettled(space: Space) -> float:
    """By how much the width changes from row to row, mm.

    The median, not the root mean square: a pit makes some rows wide, obliquity unsettles all.
    """
    bumps = np.abs(space.width - ndimage.median_filter(space.width, round(2.25 / ROW)))
    return 1.4826 * float(np.median(bumps))


def _check_single(space: Space) -> None:
    """Each margin must carry the whole rise from the space to the bone: one contour, not two."""

    def level(place: Array) -> float:
        rows = zip(place, space.values, strict=True)
        return float(np.median([np.interp(p, space.offsets, row) for p, row in rows]))

    floor = level(space.edges.mean(axis=1))
    most = SINGLE_NARROW if float(space.width.mean()) < 0.75 else SINGLE[1]
    for side, sign in ((0, -1.0), (1, 1.0)):
        margin = space.edges[:, side]
        beyond = [level(margin + sign * d) - floor for d in (0.4, 0.5, 0.8, 1.2, 1.6, 2.0)]
        share = beyond[0] / max(*beyond[1:], 1e-9)
        if not SINGLE[0] <= share <= most:
            raise NotMeasurable(say("joint.double"))


def looks_round(space: Space) -> bool:
    """Whether the margins are those of a round end in its cup, each tangential somewhere.

    The path through a round end grows as a root behind its margin, that through a cup falls as one
    from its margin on. Blur moves both towards the round end, round which the space bends, and
    leaves their distance. The margins of a flat space that is seen obliquely are ramps: blur
    leaves their middle and moves them apart.
    """
    sharp, coarse, coarser = (_places(space, sd) for sd in (SMOOTHED, *COARSE))
    moved = [float(np.mean(found - sharp)) for found in (coarse, coarser)]
    width = float(sharp[1] - sharp[0])
    grown = float(coarse[1] - coarse[0]) - width
    bulge = _bulge(space)
    return (
        moved[0] * moved[1] > 0
        and (abs(bulge) < BENDS or bulge * moved[1] < 0)
        and abs(width - float(space.width.mean())) <= AGREES
        and all(abs(m) >= least for m, least in zip(moved, MOVES, strict=True))
        and grown <= (GROWS[0] if width >= 1 else GROWS[1])
    )


def _bulge(space: Space) -> float:
    """How far the middle of the space stands out from the chord between its ends, mm."""
    middle = space.line + space.normals * space.edges.mean(axis=1, keepdims=True)
    few = max(1, len(middle) // 6)
    ends = (middle[:few].mean(axis=0) + middle[-few:].mean(axis=0)) / 2
    half = len(middle) // 2
    top = middle[half - few : half + few].mean(axis=0)
    return float((top - ends) @ space.normals[half])


def _places(space: Space, sd: float) -> Array:
    """Both margins of the mean row, mm from its middle, when it is smoothed to `sd` mm."""
    middle = ndimage.median_filter(space.edges.mean(axis=1), 9)
    step = 0.05
    x = np.arange(-4.5, 4.5 + step, step)
    rows = [
        np.interp(x + m, space.offsets, row) for m, row in zip(middle, space.values, strict=True)
    ]
    more = np.sqrt(max(sd**2 - SMOOTHED**2, 0.0))
    mean = np.mean(rows, axis=0)
    slope = np.gradient(ndimage.gaussian_filter1d(mean, more / step) if more else mean, step)
    half, found = float(space.width.mean()) / 2, []
    for sign in (-1.0, 1.0):
        near = np.flatnonzero((np.abs(x - sign * half) <= 0.7) & (x * sign > 0))
        at = int(near[(sign * slope[near]).argmax()])
        before, here, after = (np.array([sign * slope[at + d]]) for d in (-1, 0, 1))
        found.append(float(x[at]) + step * float(peak_shift(before, here, after)[0]))
    return np.array(found)
