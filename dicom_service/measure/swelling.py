"""The swelling profile: soft tissue thickness along a limb, numbers first and the word second."""

import math

import numpy as np

from dicom_service.measure.limb import find_limb
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point, Profile
from dicom_service.measure.outline import ROW, Outlines, trace
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.registration import brightness
from dicom_service.measure.said import say
from dicom_service.measure.swelling_control import REACH, against

METHOD, VERSION = "sesamoid.swelling_profile", "6"
THICKNESS_ERROR = 0.3
"""95 % of one row's thickness, mm: systematic part of a logarithmic image and fit together."""
LEAST_ROWS = 0.4


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
        The same measurement of the other limb or of an earlier study; it is registered along the
        limb, so that its joint need not be marked.

    Raises
    ------
    NotMeasurable
        No usable limb; burnt out, too few rows in which bones are found.
    """
    limb = find_limb(pic)
    lines = trace(pic, limb)
    origin = _origin(pic, lines, joint)
    along = lines.along - origin
    sides = np.stack([_smoothed(lines.thickness()[:, s]) for s in (0, 1)], axis=1)
    lost = _lost_share(along, sides, joint)
    if limb.burnt and lost is not None:
        raise NotMeasurable(say("swelling.few_rows", share=lost, least=LEAST_ROWS))
    width = _median(lines.bone[:, 1] - lines.bone[:, 0])
    shape = _silhouette(along, lines)
    bright = brightness(pic, lines)
    doubts = list(pic.doubts)
    if limb.burnt:
        doubts.append(say("swelling.burnt"))
    if lost is None:
        numbers = _numbers(pic, along, sides, width, limb.burnt)
    else:
        # what a control is compared by is the skin, which is found without the bones
        numbers, sides = _skin_alone(pic, shape), np.full(sides.shape, np.nan)
        doubts.append(say("swelling.no_thickness", share=lost, least=LEAST_ROWS))
    word, why = say("verdict.untold"), say("swelling.no_control")
    if limb.burnt:
        why = say("swelling.skin_burnt")
    elif joint is None:
        why = say("swelling.no_joint")
    elif control is not None:
        found = against(pic, along, lines.axis[::8], shape, bright, control)
        numbers, word, why = (*numbers, *found.numbers), found.word, found.why
    return Measured(
        kind="swelling_profile", method=METHOD, version=VERSION, calibration=pic.calibration,
        numbers=numbers, word=word, why=why, drawn=_drawn(pic, lines),
        profiles=_profiles(pic, along, sides, shape, bright), doubts=tuple(doubts),
    )  # fmt: skip


def _origin(pic: Picture, lines: Outlines, joint: Point | None) -> float:
    if joint is None:
        return float(lines.along[0])
    offset = lines.axis - pic.mm(joint)
    row = int(np.hypot(*offset.T).argmin())
    half = float(np.nanmax(np.abs(lines.skin[row])))
    if float(np.hypot(*offset[row])) > half:
        raise NotMeasurable(say("swelling.outside"))
    if row in (0, len(offset) - 1):
        raise NotMeasurable(say("swelling.beyond"))
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


def _lost_share(along: Array, sides: Array, joint: Point | None) -> float | None:
    """The share of rows whose thickness is known, where it is too small for a profile of it."""
    near = np.abs(along) <= REACH if joint is not None else np.ones(along.shape, bool)
    shares = np.isfinite(sides[near]).mean(axis=0)
    return float(shares.max()) if shares.max() < LEAST_ROWS else None


def _skin_alone(pic: Picture, shape: Array) -> tuple[Number, ...]:
    per = pic.per_mm
    return (Number(id="skin_width", name=say("swelling_profile.skin_width"), unit=pic.unit,
                   value=round(_median(shape[:, 0]) * per, 3),
                   plus_minus=2**0.5 * THICKNESS_ERROR * per),)  # fmt: skip


def _numbers(
    pic: Picture, along: Array, sides: Array, width: float, burnt: bool
) -> tuple[Number, ...]:
    unit, per = pic.unit, pic.per_mm
    at = int(np.nanargmax(np.nanmax(np.where(np.isfinite(sides), sides, -1), axis=1)))
    side = int(np.nanargmax(sides[at]))
    bound = "at least" if burnt else ""
    error = None if burnt else THICKNESS_ERROR * per

    def number(name: str, value: float, plus_minus: float | None) -> Number:
        return Number(id=name, name=say(f"swelling_profile.{name}"), unit=unit,
                      value=round(value * per, 3), plus_minus=plus_minus,
                      bound=bound if name == "thickest" else "")  # fmt: skip

    sides_of = (_median(sides[:, 0]), _median(sides[:, 1]))
    # what was seen in no row has no number: a side outside of the image, bones that are lost
    seen = np.isfinite([*sides_of, width])
    wide = number("bone_width", width, error and 2**0.5 * error) if seen[2] else None
    if burnt:
        # an outer bone can be lost in the outline of what is not burnt: the lesser side is sure
        if not seen[:2].all():
            raise NotMeasurable(say("swelling.burnt_side"))
        found = [number("thickest", min(sides_of), None), wide]
    else:
        found = [
            number("thickest", float(sides[at, side]), error),
            number("thickest_at", float(along[at]), 5 * per),
            number("median_first", sides_of[0], error) if seen[0] else None,
            number("median_second", sides_of[1], error) if seen[1] else None,
            wide,
        ]
    return tuple(one for one in found if one is not None)


def _median(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else math.nan


def _drawn(pic: Picture, lines: Outlines) -> tuple[Drawn, ...]:
    shown = [Drawn(kind="line", name="axis", points=pic.points(lines.axis[::8]))]
    for name, distance in (("skin", lines.skin), ("bone", lines.bone)):
        for side, words in enumerate(("first side", "second side")):
            points = pic.points(lines.edge(distance, side)[::2])
            if points:
                shown.append(Drawn(kind="points", name=f"{name}, {words}", points=points))
    return tuple(shown)


def _profiles(
    pic: Picture, along: Array, sides: Array, shape: Array, bright: tuple[Array, Array, Array]
) -> tuple[Profile, ...]:
    curves = {
        say("curve.tissue_first"): sides[:, 0],
        say("curve.tissue_second"): sides[:, 1],
        say("curve.skin_width"): shape[:, 0],
        say("curve.skin_middle"): shape[:, 1],
        say("curve.bone_width"): shape[:, 2],
    }
    place = tuple(round(float(a) * pic.per_mm, 2) for a in along[::2])

    def shown(curve: Array) -> tuple[float | None, ...]:
        return tuple(
            round(float(v) * pic.per_mm, 3) if np.isfinite(v) else None for v in curve[::2]
        )

    found = [
        Profile(name=name, unit=pic.unit, along=place, values=shown(curve))
        for name, curve in curves.items()
    ]
    names = (say("curve.bone_brightness"), say("curve.sides_differ"), say("curve.brightest"))
    for name, curve in zip(names, bright, strict=True):
        known = tuple(round(float(v), 3) if np.isfinite(v) else None for v in curve[::2])
        found.append(Profile(name=name, unit="1", along=place, values=known))
    return tuple(found)
