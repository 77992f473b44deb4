"""A screw or pin from two clicks: its length, the bone along it, and a lucent halo beside it."""

from typing import NamedTuple

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.implant_bone import bone_along, to_joint
from dicom_service.measure.metal import check_metal
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point, Profile
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import say

METHOD, VERSION = "sesamoid.implant", "4"
LENGTH_ERROR = 0.6
"""95 % of a length between two metal ends, mm: an end is rounded and blurred."""
HALO_ERROR = 0.5
REACH = 6.0
"""mm beside the metal that are looked at."""
SHARE, FAR_SHARE = 0.012, 0.025
"""Least depth of a halo over the rise from bone to metal; the second beyond a millimetre."""
HIDDEN = ((0.012, 0.9), (0.035, 1.7))
"""How uneven the bone may be, over the same rise, and the widest rim (mm) that then goes unseen."""


class Rim(NamedTuple):
    """A lucent rim beside the metal, or how wide one may be (None: any) that is not seen."""

    width: float | None
    seen: bool


def implant(pic: Picture, first: Point, second: Point, *joint: Point) -> Measured:
    """Length of a straight implant clicked near both ends, the halo and the bone along it.

    Two more points along a joint space give the distance from that joint.

    Raises
    ------
    NotMeasurable
        Clicks too close or at the border, or no straight metal between them: what is as dense or as
        sharp as the limb's bones may be one of them.
    """
    ends = pic.mm([first, second])
    length = float(np.hypot(*(ends[1] - ends[0])))
    if not 5.0 <= length <= 250:
        raise NotMeasurable(say("metal.points"))
    ends, width, metal = _centred(pic, ends, length)
    forward = (ends[1] - ends[0]) / float(np.hypot(*(ends[1] - ends[0])))
    tips = _tips(pic, ends, forward, width)
    check_metal(pic, tips, width)
    along = np.linspace(0.15, 0.85, 60)[:, None]
    middle = tips[0] + along * (tips[1] - tips[0])
    across = np.array([-forward[1], forward[0]])
    halos, curve = _halos(pic, middle, across, width)
    found = _answer(pic, tips, width, halos, curve)
    around = [bone_along(pic, tips, width, metal)]
    if len(joint) == 2:
        around.append(to_joint(pic, tips, width, (joint[0], joint[1])))
    return found.model_copy(update={
        "numbers": (*found.numbers, *(n for numbers, _, _ in around for n in numbers)),
        "drawn": (*found.drawn, *(d for _, drawn, _ in around for d in drawn)),
        "doubts": (*found.doubts, *(d for _, _, doubts in around for d in doubts)),
    })  # fmt: skip


def _level(pic: Picture, profile: Array, beside: Array) -> float:
    """Half way from the bone beside it to the metal, which is among the densest of the image."""
    rest, top = float(np.median(beside)), float(profile.max())
    low, high = np.percentile(pic.values[::4, ::4], [1, 99.5])
    if top - rest < 0.3 * (high - low):
        raise NotMeasurable(say("metal.no_metal"))
    return (top + rest) / 2


def _centred(pic: Picture, ends: Array, length: float) -> tuple[Array, float, float]:
    """The ends moved onto the metal's middle line, its width, and what is brighter than bone."""
    width, level = 0.0, 0.0
    for _ in range(2):
        forward = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
        across = np.array([-forward[1], forward[0]])
        share = np.linspace(0.15, 0.85, 40)
        offsets = np.arange(-REACH, REACH, pic.fine)
        place = ends[0] + share[:, None, None] * (ends[1] - ends[0])
        values = pic.sample(place + offsets[None, :, None] * across)
        values = ndimage.gaussian_filter(np.nan_to_num(values), (1.0, 0.15 / pic.fine))
        profile = np.median(values, axis=0)
        level = _level(pic, profile, profile[np.abs(offsets) > 4.0])
        metal = values > level
        known = metal.any(axis=1)
        if known.mean() < 0.8:
            raise NotMeasurable(say("metal.no_metal"))
        count = metal[known].sum(axis=1)
        centre = (metal[known] * offsets).sum(axis=1) / count
        line = np.polynomial.Polynomial.fit(share[known], centre, 1)
        if float(np.std(centre - line(share[known]))) > 0.5:
            raise NotMeasurable(say("metal.not_straight"))
        width = float(np.median(count)) * pic.fine
        ends = ends + np.array([line(0.0), line(1.0)])[:, None] * across
    if width > 0.4 * length:
        raise NotMeasurable(say("metal.wide"))
    return ends, width, level


def _tips(pic: Picture, ends: Array, forward: Array, width: float) -> Array:
    """Where the metal ends along its own line, within six millimetres of the clicks."""
    out = []
    across = np.array([-forward[1], forward[0]])
    for end, sign in ((ends[0], -1.0), (ends[1], 1.0)):
        steps = np.arange(-REACH, REACH, pic.fine / 2)
        beside = np.linspace(-0.3, 0.3, 7)[None, :, None] * width * across
        values = pic.sample(end + sign * steps[:, None, None] * forward + beside).mean(axis=1)
        smooth = ndimage.gaussian_filter1d(np.nan_to_num(values, nan=0.0), 0.3 / (pic.fine / 2))
        metal = smooth > 0.5 * (smooth.max() + smooth.min())
        if metal[-1] or not metal[0]:
            raise NotMeasurable(say("metal.no_end"))
        last = int(np.argmin(metal))
        out.append(end + sign * (steps[last] - pic.fine / 4) * forward)
    return np.stack(out)


def _halos(pic: Picture, middle: Array, across: Array, width: float
           ) -> tuple[list[Rim], tuple[Array, Array]]:  # fmt: skip
    """The lucent rim on both sides, and the mean profile."""
    reach = REACH + width / 2
    offsets = np.arange(-reach, reach + pic.fine, pic.fine)
    values = pic.sample(middle[:, None, :] + offsets[None, :, None] * across)
    if not np.isfinite(values).all():
        raise NotMeasurable(say("metal.border"))
    mean = np.asarray(np.median(ndimage.gaussian_filter1d(values, 0.12 / pic.fine, axis=1), axis=0))
    top = float(mean[np.abs(offsets) < width / 2].max())
    found = []
    for sign in (-1.0, 1.0):
        side = sign * offsets > width / 2
        away, level = np.abs(offsets[side]), mean[side]
        order = np.argsort(away)
        found.append(_rim(away[order] - width / 2, level[order], top))
    return found, (offsets, mean)


def _rim(away: Array, level: Array, top: float) -> Rim:
    """Width of a dip between the metal and the bone: to a quarter of its depth on its far side.

    A round hole thins out towards its rim, so that half its depth lies well within it. The bone is
    the darker of two stretches: in the other a joint's plate may lie.
    """
    near, far = away[(away > REACH / 2) & (away < 0.75 * REACH)], away >= 0.75 * REACH
    parts = (np.isin(away, near), far)
    bone = min(float(np.median(level[part])) for part in parts)
    lowest = int(np.argmin(level[away < REACH / 2]))
    depth = bone - float(level[lowest])
    grain = min(float(np.std(level[part])) for part in parts)
    share = SHARE if away[lowest] <= 1.0 else FAR_SHARE
    if depth < max(share * (top - bone), 5 * grain):
        uneven = 5 * grain / max(top - bone, 1e-9)
        widest = [hidden for most, hidden in HIDDEN if uneven <= most]
        return Rim(widest[0] if widest else None, seen=False)
    beyond = level[lowest:] > bone - depth / 4
    return Rim(
        float(away[lowest + int(np.argmax(beyond))] if beyond.any() else away[-1]), seen=True
    )


def _answer(pic: Picture, tips: Array, width: float, halos: list[Rim],
            curve: tuple[Array, Array]) -> Measured:  # fmt: skip
    per, unit = pic.per_mm, pic.unit
    length = float(np.hypot(*(tips[1] - tips[0])))
    numbers = [
        Number(id="length", name=say("implant.length"), value=length * per, unit=unit,
               plus_minus=LENGTH_ERROR * per),
        Number(id="diameter", name=say("implant.diameter"), value=width * per, unit=unit,
               plus_minus=0.5 * per),
    ]  # fmt: skip
    doubts = [*pic.doubts, say("metal.short")]
    for side, halo in zip((say("word.first"), say("word.second")), halos, strict=True):
        if halo.width is None:
            doubts.append(say("metal.uneven", side=side))
            continue
        numbers.append(Number(
            id=f"halo_{side}", name=say(f"implant.halo_{side}"), value=halo.width * per, unit=unit,
            plus_minus=HALO_ERROR * per if halo.seen else None,
            bound="" if halo.seen else "at most",
        ))  # fmt: skip
    if any(halo.seen for halo in halos):
        doubts.append(say("metal.enhanced"))
    profile = Profile(name=say("curve.implant_brightness"), unit="grey values",
                      along=tuple(round(float(o) * per, 3) for o in curve[0]),
                      values=tuple(round(float(v), 2) for v in curve[1]))  # fmt: skip
    return Measured(kind="implant", method=METHOD, version=VERSION, calibration=pic.calibration,
                    numbers=tuple(numbers), drawn=(
                        Drawn(kind="line", name="implant", points=pic.points(tips)),),
                    profiles=(profile,), doubts=tuple(doubts))  # fmt: skip
