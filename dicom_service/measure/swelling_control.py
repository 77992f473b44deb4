"""A swelling judged against a control: the other limb, or an earlier image of the same one."""

from dataclasses import dataclass

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.lengths import CALIBRATION
from dicom_service.measure.model import Measured, NotMeasurable, Number, Profile
from dicom_service.measure.outline import ROW
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.registration import Match, register
from dicom_service.measure.said import Said, say

COMPARED_ERROR = 0.9
"""95 % of the excess of width of two limbs taken alike, mm: phantom, 0 to 6 degrees apart."""
FAR = 22.0
"""mm from its peak at which a local excess has ended."""
CHORD = 18.0
"""mm on both sides of the peak between which its height above its surroundings is taken."""
TRUE_SIZE = {CALIBRATION["fiducial"], CALIBRATION["geometry"]}
"""Millimetres that do not hang on the distance of the limb from the detector."""
SAME_SCALE, SAME_SIZE = 0.015, 0.045
"""Scales along the limb that differ by less are the same: its error is 0.02. Between images of
true size that much may stand against it, without true size only one step."""
BONE_ROWS = 25.0
"""mm of rows of both images from which the width of their bones is compared: less is one stretch,
where an outline may have lost a thin bone (an ulna: 16 and 26 % in sound and swollen limbs)."""
TURNED = 0.12
"""Share by which bones may differ in width: turned by 7 degrees, 0.09."""
ONE_SIDED = 0.5
"""Lean from which an excess is on one side: on the phantom nearly all one-sided ones have 0.55 and
more (seed 31), those all round 0.4 and less, and what lies between has no word."""
AT_JOINT = 6.0
"""A one-sided excess so near the joint (mm) may be focal or of the joint; it is placed to 2 mm."""
NORMAL, SURE, LOCAL = 1.4, 1.9, 1.8
"""mm of excess over the control: below the first normal-like, above the second worth a word. Turned
by a few degrees a limb is narrower all along: what is on one side then counts from the third on,
taken above its surroundings (twice the stated error of an excess)."""
HIDDEN, HIDDEN_CENTRED = 12.0, 16.0
"""mm near the joint that may be hidden on one side: a swelling with a reach of 7 mm, the smallest
of the trials, is 14 mm wide. Where more is hidden, up to the second, an excess of both sides at the
joint that is seen beside it still has its word; beyond, only one all along."""
DIFFUSE = 0.7
"""Share of its height that an excess all along the limb keeps away from its peak."""
REACH = 30.0
"""mm on both sides of the joint that must be measured before a word is said."""
BENT = 6.5
"""Degrees by which the axis may turn within 1.5 times `REACH` of the joint. A horse's fetlock from
the side turns by 8.5, a carpus by 4; a sound fetlock then seems to have up to 4 mm of excess."""
BOTH_MARKED, ANYWHERE = 12.0, 80.0
"""mm by which two marked joints, or images without, may be shifted against each other."""


@dataclass(frozen=True)
class Comparison:
    """What a control adds to a profile."""

    numbers: tuple[Number, ...]
    word: Said
    why: Said


def against(
    pic: Picture, along: Array, axis: Array, shape: Array, bright: tuple[Array, Array, Array],
    control: Measured,
) -> Comparison:  # fmt: skip
    """Excess of width over the control, the two registered along the limb.

    Parameters
    ----------
    along
        mm from the joint.
    axis
        Every eighth point of the limb's axis.
    shape, bright
        Width over the skin, middle between the skins and width over the bones; and the brightness
        along the bones, row by row.
    """
    if control.refusal or len(control.profiles) < 8:
        why = say("control.not_measured", why=control.refusal or say("control.little_limb"))
        return Comparison((), say("verdict.untold"), why)
    if control.numbers[0].bound:
        return Comparison((), say("verdict.untold"), say("control.skin_burnt"))
    if control.numbers[0].unit != pic.unit:
        return Comparison((), say("verdict.untold"), say("control.units"))
    bends = max(_bend(along[::8], axis), _bend_of(control, pic.per_mm))
    if bends > BENT:
        why = say("control.bent", angle=bends, reach=1.5 * REACH)
        return Comparison((), say("verdict.untold"), why)
    there = np.array(control.profiles[0].along) / pic.per_mm
    reach = BOTH_MARKED if there[0] < 0 < there[-1] else ANYWHERE
    try:
        match = _registered(along, bright, there, control, reach)
    except NotMeasurable as refusal:
        return Comparison((), say("verdict.untold"), refusal.said)
    found = _at_scale(pic, along, shape, control, match)
    agreed = Number(id="match", name=say("swelling_profile.match"),
                    value=match.agreement, unit="1")  # fmt: skip
    return Comparison((*found.numbers, agreed), found.word, found.why)


def _bend_of(control: Measured, per_mm: float) -> float:
    axis = next((line.points for line in control.drawn if line.name == "axis"), ())
    # a profile keeps every second row, its axis every eighth
    return _bend(np.array(control.profiles[0].along[::4]) / per_mm, np.array(axis, float))


def _bend(along: Array, axis: Array) -> float:
    """Degrees by which an axis turns near the joint; 0 where too little of it is known."""
    count = min(len(along), len(axis))
    near = np.flatnonzero(np.abs(along[:count]) <= 1.5 * REACH)
    if near.size < 3:
        return 0.0
    step = np.diff(axis[near], axis=0)
    return float(np.degrees(np.ptp(np.unwrap(np.arctan2(step[:, 1], step[:, 0])))))


def _registered(
    along: Array, bright: tuple[Array, Array, Array], there: Array, control: Measured, reach: float
) -> Match:
    """By the middle between the skins, or, where that is not certain, by the brightest tissue."""
    middle, halves, heaviest = (_values(profile) for profile in control.profiles[5:8])
    try:
        return register(along, bright[:2], there, (middle, halves), reach)
    except NotMeasurable:
        try:
            return register(along, (bright[2], bright[1]), there, (heaviest, halves), reach)
        except NotMeasurable:
            # the first refusal speaks of what is shown
            return register(along, bright[:2], there, (middle, halves), reach)


def _at_scale(
    pic: Picture, along: Array, shape: Array, control: Measured, match: Match
) -> Comparison:
    """Judged as it is, where both are calibrated; otherwise scaled too, and the same both times.

    The scale is that along the limb: turning a limb changes the width of its bones.
    """
    per = pic.per_mm
    place = (along - match.shift) / match.scale * per
    known = [_resampled(p, place) / per for p in control.profiles[2:5]]
    both = np.isfinite(shape[:, 2]) & np.isfinite(known[2])
    if both.sum() * ROW >= BONE_ROWS:
        wider = float(np.median(shape[both, 2] / known[2][both])) / match.scale - 1
        if abs(wider) > TURNED:
            why = say("control.bones", share=abs(wider))
            return Comparison((), say("verdict.untold"), why)
    signs = {True: (-1,), False: (1,), None: (1, -1)}[match.mirrored]

    def judged(k: float) -> list[Comparison]:
        return [
            _judge(pic, along, shape[:, 0] - k * known[0], shape[:, 1] - sign * k * known[1])
            for sign in signs
        ]

    (plain, *others), (scaled, *_) = judged(1.0), judged(match.scale)
    if any(other.word != plain.word for other in others):
        why = say("control.mirrored")
        return Comparison(plain.numbers, say("verdict.untold"), why)
    calibrated = {pic.calibration, control.calibration} <= TRUE_SIZE
    apart = abs(match.scale - 1)
    if plain.word == scaled.word or apart < (SAME_SIZE if calibrated else SAME_SCALE):
        return plain
    why = say("control.scale", share=apart, plain=plain.word, scaled=scaled.word)
    return Comparison(plain.numbers, say("verdict.untold"), why)


def _values(profile: Profile) -> Array:
    return np.array([np.nan if v is None else v for v in profile.values], float)


def _resampled(profile: Profile, along: Array) -> Array:
    found = np.interp(along, np.array(profile.along), _values(profile), left=np.nan, right=np.nan)
    return np.asarray(found)


def _judge(pic: Picture, along: Array, excess: Array, moved: Array) -> Comparison:
    known = np.isfinite(excess) & np.isfinite(moved) & (np.abs(along) <= 1.5 * REACH)
    if known.sum() * ROW < 1.2 * REACH:
        return Comparison((), say("verdict.untold"), say("control.little_outlined"))
    spot = along[known]
    total = ndimage.gaussian_filter1d(ndimage.median_filter(excess[known], 11), 1.5 / ROW)
    peak = int(total.argmax())
    far = np.abs(spot - spot[peak]) > FAR
    lean, height = _lean(spot, moved[known], total, peak)
    weight = np.clip(total, 0, None) + 1e-9
    centre = float((weight * spot).sum() / weight.sum())
    spread = float(np.sqrt((weight * (spot - centre) ** 2).sum() / weight.sum()))
    share = float(weight[np.abs(spot) <= FAR / 2].sum() / weight.sum())
    top = float(total[peak])
    cut = float(np.diff(spot[np.abs(spot) <= REACH], prepend=-REACH, append=REACH).max())
    numbers = _excess_numbers(pic, (top, float(spot[peak]), centre, spread, share, lean))
    if spot[0] > -REACH or spot[-1] < REACH:
        seen = say("control.excess_near", excess=top, reach=REACH)
        why = seen if top >= NORMAL else say("control.none_near", reach=REACH)
        return Comparison(numbers, say("verdict.untold"), why)
    rest = float(np.median(total[far])) / max(top, 1e-9) if far.any() else 0.0
    enough = far.sum() * ROW >= 15
    if float(np.percentile(total, 10)) > DIFFUSE * top:
        # as high everywhere: it has no peak to be far from
        rest, enough = max(rest, float(np.median(total)) / max(top, 1e-9)), True
    found = _word(float(spot[peak]), rest, lean)
    return Comparison(numbers, *_allowed(found, top, height, cut, enough=enough))


def _allowed(
    found: tuple[Said, Said], top: float, height: float, cut: float, *, enough: bool
) -> tuple[Said, Said]:
    """A word, or what stands against it: too little excess, or too much that is not seen."""
    word, untold = found[0].id, say("verdict.untold")
    most = {"verdict.diffuse": np.inf, "verdict.centred": HIDDEN_CENTRED}.get(word, HIDDEN)
    if cut > (most if top >= SURE else HIDDEN):
        return untold, say("control.hidden", cut=cut)
    if top < NORMAL:
        return say("verdict.normal"), say("control.none", least=NORMAL)
    if top < SURE and not (word == "verdict.focal" and height >= LOCAL):
        return untold, say("control.too_small", excess=top)
    return found if enough else (untold, say("control.how_far"))


def _lean(spot: Array, moved: Array, total: Array, peak: int) -> tuple[float, float]:
    """How far the excess is on one side, and its height above its surroundings.

    A bulge on one side moves the middle by half of it. Height and shift are both taken above the
    chord between places `CHORD` on both sides: a limb turned by a few degrees moves the middle
    too, but slowly along the limb.
    """
    smooth = ndimage.gaussian_filter1d(moved, 2 / ROW)
    # one end only tells a bulge from a middle that drifts along the limb badly
    ends = np.clip([spot[peak] - CHORD, spot[peak] + CHORD], spot[0], spot[-1])
    ends = ends[np.abs(ends - spot[peak]) >= CHORD / 2]
    if ends.size == 0:
        return 0.0, 0.0
    height = float(total[peak] - np.mean(np.interp(ends, spot, total)))
    shift = float(smooth[peak] - np.mean(np.interp(ends, spot, smooth)))
    return (float(np.clip(2 * shift / height, -1, 1)) if height > 0.3 else 0.0), height


def _word(at: float, rest: float, lean: float) -> tuple[Said, Said]:
    """Diffuse, joint-centred or focal, or cannot tell when it fits none of them clearly."""
    if rest > DIFFUSE:
        return say("verdict.diffuse"), say("control.diffuse", share=rest)
    if abs(lean) > ONE_SIDED and rest < 0.35 and abs(at) <= AT_JOINT:
        return say("verdict.untold"), say("control.one_sided")
    if abs(lean) > ONE_SIDED and rest < 0.35:
        side = say("word.second") if lean > 0 else say("word.first")
        why = say("control.focal", share=(1 + abs(lean)) / 2, side=side, at=at)
        return say("verdict.focal"), why
    if abs(lean) < 0.4 and rest < 0.35 and abs(at) <= 12:
        return say("verdict.centred"), say("control.centred", at=at)
    return say("verdict.untold"), say("control.between", at=at, share=rest, lean=lean)


def _excess_numbers(pic: Picture, found: tuple[float, ...]) -> tuple[Number, ...]:
    top, at, centre, spread, share, lean = found
    per, unit = pic.per_mm, pic.unit
    return (
        Number(id="excess", name=say("swelling_profile.excess"), value=top * per,
               unit=unit, plus_minus=COMPARED_ERROR * per),
        Number(id="excess_at", name=say("swelling_profile.excess_at"), value=at * per, unit=unit),
        Number(id="centre", name=say("swelling_profile.centre"), value=centre * per,
               unit=unit),
        Number(id="spread", name=say("swelling_profile.spread"), value=spread * per, unit=unit),
        Number(id="share", name=say("swelling_profile.share"), value=share, unit="1"),
        Number(id="lean", name=say("swelling_profile.lean"), value=lean, unit="1"),
    )  # fmt: skip
