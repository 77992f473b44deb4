"""The swelling profile: soft tissue thickness along a limb, numbers first and the word second."""

from dataclasses import dataclass

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.limb import find_limb
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point, Profile
from dicom_service.measure.outline import ROW, Outlines, trace
from dicom_service.measure.raster import Array, Picture

METHOD, VERSION = "sesamoid.swelling_profile", "1"
THICKNESS_ERROR = 0.3
"""95 % of one row's thickness, mm: systematic part of a logarithmic image and fit together."""
COMPARED_ERROR = 0.9
"""95 % of the excess of width of two limbs taken alike, mm: phantom, 0 to 6 degrees apart."""
FAR = 22.0
"""mm from its peak at which a local excess has ended."""
CHORD = 18.0
"""mm on both sides of the peak between which its height above its surroundings is taken."""
SAME_SCALE = 0.02
"""Widths of bones that differ by less are equal within their own error (0.4 mm of 25 mm)."""
AT_JOINT = 6.0
"""A one-sided excess so near the joint (mm) may be focal or of the joint."""
NORMAL, SURE = 1.4, 1.9
"""mm of excess over the control: below the first normal-like, above the second worth a word."""
LEAST_ROWS = 0.4
REACH = 30.0
"""mm on both sides of the joint that must be measured before a word is said."""


def swelling_profile(
    pic: Picture, joint: Point | None = None, control: Measured | None = None
) -> Measured:
    """Thickness of the soft tissue on both sides along the limb.

    Parameters
    ----------
    pic
        The image.
    joint
        Middle of the joint on the image; with it distances count from there (distal or towards
        the lower right positive).
    control
        The same measurement, with its joint, of the other limb or of an earlier study.

    Raises
    ------
    NotMeasurable
        No usable limb, or too few rows of both sides within reach of the joint.
    """
    limb = find_limb(pic)
    lines = trace(pic, limb)
    origin = _origin(pic, lines, joint)
    along = lines.along - origin
    sides = np.stack([_smoothed(lines.thickness()[:, s]) for s in (0, 1)], axis=1)
    _check_coverage(along, sides, joint)
    width = _median(lines.bone[:, 1] - lines.bone[:, 0])
    shape = _silhouette(along, lines)
    doubts = list(pic.doubts)
    if limb.burnt:
        doubts.append(
            "the background is burnt out: the skin may lie outside the line drawn, so that every "
            "thickness is a lower bound"
        )
    numbers = _numbers(pic, along, sides, width, limb.burnt)
    word, why = "cannot tell", "no control: the other limb or an earlier image, with its joint"
    if limb.burnt:
        why = "the skin is not visible (burnt out)"
    elif joint is None:
        why = "no joint position was given"
    elif control is not None:
        found = _against(pic, along, shape, control)
        numbers, word, why = (*numbers, *found.numbers), found.word, found.why
    return Measured(
        kind="swelling_profile", method=METHOD, version=VERSION, calibration=pic.calibration,
        numbers=numbers, word=word, why=why, drawn=_drawn(pic, lines),
        profiles=_profiles(pic, along, sides, shape), doubts=tuple(doubts),
    )  # fmt: skip


def _origin(pic: Picture, lines: Outlines, joint: Point | None) -> float:
    if joint is None:
        return float(lines.along[0])
    offset = lines.axis - pic.mm(joint)
    row = int(np.hypot(*offset.T).argmin())
    half = float(np.nanmax(np.abs(lines.skin[row])))
    if float(np.hypot(*offset[row])) > half:
        raise NotMeasurable("The joint was marked outside the limb; click its middle.")
    if row in (0, len(offset) - 1):
        raise NotMeasurable("The joint lies beyond the part of the limb that could be outlined.")
    return float(lines.along[row])


def _smoothed(values: Array) -> Array:
    """Median over five millimetres of rows, only where most of them are known."""
    size = round(5 / ROW) | 1
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(values, size // 2, constant_values=np.nan), size
    )
    known = np.isfinite(windows)
    enough = known.sum(axis=1) >= size // 2
    middle = np.full(values.shape, np.nan)
    middle[enough] = np.nanmedian(windows[enough], axis=1)
    return np.where(np.isfinite(values), middle, np.nan)


def _silhouette(along: Array, lines: Outlines) -> Array:
    """Width over the skin, middle between the skins, width over the bones; row by row.

    The skin is found in every row, the outermost bone is not; so two limbs are compared by skin.
    The middle is the offset from the straight line through the axis near the joint.
    """
    points = lines.axis + lines.normals * lines.skin.mean(axis=1)[:, None]
    near = np.isfinite(points).all(axis=1) & (np.abs(along) < 1.5 * REACH)
    start, across = points[near].mean(axis=0), lines.normals[near].mean(axis=0)
    middle = (points - start) @ (across / np.linalg.norm(across))
    widths = [lines.skin[:, 1] - lines.skin[:, 0], middle, lines.bone[:, 1] - lines.bone[:, 0]]
    return np.stack(widths, axis=1)


def _check_coverage(along: Array, sides: Array, joint: Point | None) -> None:
    near = np.abs(along) <= REACH if joint is not None else np.ones(along.shape, bool)
    shares = np.isfinite(sides[near]).mean(axis=0)
    if shares.max() < LEAST_ROWS:
        raise NotMeasurable(
            f"Skin and bone could be told apart with certainty in only {shares.max():.0%} of the "
            f"rows; a profile needs {LEAST_ROWS:.0%}."
        )


def _numbers(
    pic: Picture, along: Array, sides: Array, width: float, burnt: bool
) -> tuple[Number, ...]:
    unit, per = pic.unit, pic.per_mm
    at = int(np.nanargmax(np.nanmax(np.where(np.isfinite(sides), sides, -1), axis=1)))
    side = int(np.nanargmax(sides[at]))
    bound = "at least" if burnt else ""
    error = None if burnt else THICKNESS_ERROR * per

    def number(name: str, words: str, value: float, plus_minus: float | None) -> Number:
        return Number(id=name, name=words, value=round(value * per, 3), unit=unit,
                      plus_minus=plus_minus, bound=bound if "thick" in words else "")  # fmt: skip

    return (
        number("thickest", "thickest soft tissue", float(sides[at, side]), error),
        number("thickest_at", "place of it along the limb", float(along[at]), 5 * per),
        number("median_first", "median thickness, first side", _median(sides[:, 0]), error),
        number("median_second", "median thickness, second side", _median(sides[:, 1]), error),
        number("bone_width", "median width over the bones", width, THICKNESS_ERROR * per),
    )


def _median(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else 0.0


@dataclass(frozen=True)
class _Comparison:
    numbers: tuple[Number, ...]
    word: str
    why: str


def _against(pic: Picture, along: Array, shape: Array, control: Measured) -> _Comparison:
    """Excess of width over the control, aligned at the joint."""
    if control.refusal or len(control.profiles) < 5:
        return _Comparison((), "cannot tell", "the control could not be measured")
    if control.numbers[0].bound:
        return _Comparison((), "cannot tell", "the skin of the control is not visible")
    if control.numbers[0].unit != pic.unit:
        return _Comparison((), "cannot tell", "image and control have different units")
    known = [_resampled(p, along * pic.per_mm) / pic.per_mm for p in control.profiles[2:]]
    both = np.isfinite(shape[:, 2]) & np.isfinite(known[2])
    if both.sum() * ROW < 10:
        return _Comparison((), "cannot tell", "too few rows show bone in both to compare scales")
    scale = float(np.median(shape[both, 2] / known[2][both]))
    if abs(scale - 1) > 0.12:
        why = f"bones differ in width by {abs(scale - 1):.0%}: not the same view or part"
        return _Comparison((), "cannot tell", why)
    plain = _judge(pic, along, shape[:, 0] - known[0], shape[:, 1] - known[1])
    scaled = _judge(pic, along, shape[:, 0] - scale * known[0], shape[:, 1] - scale * known[1])
    if plain.word == scaled.word or abs(scale - 1) < SAME_SCALE:
        return plain
    why = (
        f"the bones differ in width by {abs(scale - 1):.1%}: read at the same scale it would be "
        f"{plain.word}, scaled by the bones {scaled.word}"
    )
    return _Comparison(plain.numbers, "cannot tell", why)


def _resampled(profile: Profile, along: Array) -> Array:
    values = np.array([np.nan if v is None else v for v in profile.values], float)
    return np.asarray(np.interp(along, np.array(profile.along), values, left=np.nan, right=np.nan))


def _judge(pic: Picture, along: Array, excess: Array, moved: Array) -> _Comparison:
    known = np.isfinite(excess) & np.isfinite(moved) & (np.abs(along) <= 1.5 * REACH)
    if known.sum() * ROW < 1.2 * REACH:
        return _Comparison((), "cannot tell", "too little of the limb is outlined in both images")
    spot = along[known]
    total = ndimage.gaussian_filter1d(ndimage.median_filter(excess[known], 11), 1.5 / ROW)
    peak = int(total.argmax())
    far = np.abs(spot - spot[peak]) > FAR
    lean = _lean(spot, moved[known], total, peak)
    weight = np.clip(total, 0, None) + 1e-9
    centre = float((weight * spot).sum() / weight.sum())
    spread = float(np.sqrt((weight * (spot - centre) ** 2).sum() / weight.sum()))
    share = float(weight[np.abs(spot) <= FAR / 2].sum() / weight.sum())
    top = float(total[peak])
    numbers = _excess_numbers(pic, (top, float(spot[peak]), centre, spread, share, lean))
    if top < NORMAL:
        return _Comparison(numbers, "normal-like", f"no excess above {NORMAL:g} mm over control")
    if top < SURE:
        return _Comparison(numbers, "cannot tell", f"the excess of {top:.1f} mm is too small")
    if far.sum() * ROW < 15:
        why = "too little of the limb is seen to know how far the excess reaches"
        return _Comparison(numbers, "cannot tell", why)
    rest = float(np.median(total[far])) / top
    return _Comparison(numbers, *_word(float(spot[peak]), rest, lean))


def _lean(spot: Array, moved: Array, total: Array, peak: int) -> float:
    """How far the excess is on one side: a bulge on one side moves the middle by half of it.

    Height and shift are both taken above the chord between places `CHORD` on both sides: a limb
    turned by a few degrees moves the middle too, but slowly along the limb.
    """
    smooth = ndimage.gaussian_filter1d(moved, 2 / ROW)
    ends = np.array([spot[peak] - CHORD, spot[peak] + CHORD])
    ends = ends[(ends >= spot[0]) & (ends <= spot[-1])]
    if ends.size == 0:
        return 0.0
    height = total[peak] - float(np.mean(np.interp(ends, spot, total)))
    shift = smooth[peak] - float(np.mean(np.interp(ends, spot, smooth)))
    return float(np.clip(2 * shift / height, -1, 1)) if height > 0.3 else 0.0


def _word(at: float, rest: float, lean: float) -> tuple[str, str]:
    """Diffuse, joint-centred or focal, or cannot tell when it fits none of them clearly."""
    if rest > 0.7:
        return "diffuse", f"away from its peak the excess is still {rest:.0%} of it"
    if abs(lean) > 0.6 and rest < 0.35 and abs(at) <= AT_JOINT:
        why = "one-sided at the joint: a focal swelling, or a capsule that yields on one side only"
        return "cannot tell", why
    if abs(lean) > 0.6 and rest < 0.35:
        side = "second" if lean > 0 else "first"
        return "focal", f"{(1 + abs(lean)) / 2:.0%} of it on the {side} side at {at:.0f} mm"
    if abs(lean) < 0.4 and rest < 0.35 and abs(at) <= 12:
        return "joint-centred", f"on both sides, highest {at:.0f} mm from the joint"
    why = f"between patterns: peak at {at:.0f} mm, {rest:.0%} of it further away, lean {lean:.1f}"
    return "cannot tell", why


def _excess_numbers(pic: Picture, found: tuple[float, ...]) -> tuple[Number, ...]:
    top, at, centre, spread, share, lean = found
    per, unit = pic.per_mm, pic.unit
    return (
        Number(id="excess", name="largest excess of width over the control", value=top * per,
               unit=unit, plus_minus=COMPARED_ERROR * per),
        Number(id="excess_at", name="its place from the joint", value=at * per, unit=unit),
        Number(id="centre", name="centre of the excess from the joint", value=centre * per,
               unit=unit),
        Number(id="spread", name="spread of the excess", value=spread * per, unit=unit),
        Number(id="share", name="share of it near the joint", value=share, unit="1"),
        Number(id="lean", name="first (-1) to second (+1) side", value=lean, unit="1"),
    )  # fmt: skip


def _drawn(pic: Picture, lines: Outlines) -> tuple[Drawn, ...]:
    shown = [Drawn(kind="line", name="axis", points=pic.points(lines.axis[::8]))]
    for name, distance in (("skin", lines.skin), ("bone", lines.bone)):
        for side, words in enumerate(("first side", "second side")):
            points = pic.points(lines.edge(distance, side)[::2])
            if points:
                shown.append(Drawn(kind="points", name=f"{name}, {words}", points=points))
    return tuple(shown)


def _profiles(pic: Picture, along: Array, sides: Array, shape: Array) -> tuple[Profile, ...]:
    curves = {
        "soft tissue thickness, first side": sides[:, 0],
        "soft tissue thickness, second side": sides[:, 1],
        "width over the skin": shape[:, 0],
        "middle between the skins": shape[:, 1],
        "width over the bones": shape[:, 2],
    }
    place = tuple(round(float(a) * pic.per_mm, 2) for a in along[::2])

    def shown(curve: Array) -> tuple[float | None, ...]:
        return tuple(
            round(float(v) * pic.per_mm, 3) if np.isfinite(v) else None for v in curve[::2]
        )

    return tuple(
        Profile(name=name, unit=pic.unit, along=place, values=shown(curve))
        for name, curve in curves.items()
    )
