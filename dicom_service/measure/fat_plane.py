"""A fat plane beside a bone: how much of it is seen, and how far from the bone it runs.

From a rough line along the dark line in the soft tissue. Where it is pushed away from the bone at
the level of a joint, what pushes it lies deep to it.
"""

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.fat_strip import ROW, Strip, darkest, strip_beside
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point, Profile
from dicom_service.measure.raster import Array, Mask, Picture
from dicom_service.measure.said import Said, say

METHOD, VERSION = "sesamoid.fat_plane", "2"
DISTANCE_ERROR = 0.6
"""95 % of the distance of plane and bone at one level, mm: both edges and a blurred line."""
SHARE_ERROR = 0.45
LEAST_SEEN = 0.3
JOINT, AWAY = 5.0, 12.0
"""mm from the joint's level: within the first at the joint, beyond the second away from it."""
DISPLACED, UNDISPLACED = 1.4, 0.7
"""mm against the control: from the first on pushed away, below the second where it was."""
CONTINUOUS = 0.7
THICKER = 1.5
ELSEWHERE = 1.4
"""mm by which plane and control may differ away from the joint and still be the same line."""
"""mm of tissue outside the plane more than in the control: a swelling there."""


def fat_plane(pic: Picture, points: tuple[Point, ...], control: Measured | None = None) -> Measured:
    """Continuity of a fat plane and its distance from the bone along its length.

    Parameters
    ----------
    pic
        The image.
    points
        Along the dark line. Of an odd number the middle one marks the level of the joint; else
        it is half way along the line.
    control
        The same measurement of the other limb or of an earlier study.

    Raises
    ------
    NotMeasurable
        Too short, at the border, no bone beside it, or hardly any dark line.
    """
    strip = strip_beside(pic, points)
    place, seen = darkest(pic, strip)
    share = float(seen.mean())
    if share < LEAST_SEEN:
        raise NotMeasurable(say("fat.not_seen", share=share))
    distance = np.where(seen & np.isfinite(strip.bone), place - strip.bone, np.nan)
    if np.isfinite(distance).sum() * ROW < 4.0:
        raise NotMeasurable(say("fat.no_margin"))
    outside = np.where(seen, strip.skin - place, np.nan)
    numbers = _numbers(pic, strip, distance, seen)
    word, why = say("verdict.untold"), say("fat.no_control")
    if control is not None:
        more, word, why = _against(pic, strip.along, (distance, outside), control, share)
        numbers = (*numbers, *more)
    doubts = [*pic.doubts, say("fat.alike")]
    if word != say("verdict.untold"):
        doubts.append(say("fat.rule"))
    return Measured(
        kind="fat_plane", method=METHOD, version=VERSION, calibration=pic.calibration,
        numbers=numbers, word=word, why=why, drawn=_drawn(pic, strip, place, seen),
        profiles=_profiles(pic, strip.along, distance, outside), doubts=tuple(doubts),
    )  # fmt: skip


def _level(values: Array, near: Mask) -> float:
    known = near & np.isfinite(values)
    return float(np.median(values[known])) if known.sum() * ROW >= 1.5 else float("nan")


def _numbers(pic: Picture, strip: Strip, distance: Array, seen: Mask) -> tuple[Number, ...]:
    per, unit, along = pic.per_mm, pic.unit, strip.along
    labels, count = ndimage.label(~seen)
    longest = max((int((labels == i + 1).sum()) for i in range(count)), default=0) * ROW
    numbers = [
        Number(id="continuity", name=say("fat_plane.continuity"), value=float(seen.mean()),
               unit="1", plus_minus=SHARE_ERROR),
        Number(id="distance", name=say("fat_plane.distance"),
               value=float(np.nanmedian(distance)) * per, unit=unit,
               plus_minus=DISTANCE_ERROR * per),
        Number(id="longest_gap", name=say("fat_plane.longest_gap"), value=longest * per,
               unit=unit, plus_minus=2.0 * per),
    ]  # fmt: skip
    at_joint = _level(distance, np.abs(along) <= JOINT)
    if np.isfinite(at_joint):
        numbers.append(Number(id="distance_joint", name=say("fat_plane.distance_joint"),
                              value=at_joint * per, unit=unit,
                              plus_minus=DISTANCE_ERROR * per))  # fmt: skip
    return tuple(numbers)


def _against(pic: Picture, along: Array, curves: tuple[Array, Array], control: Measured,
             share: float) -> tuple[tuple[Number, ...], Said, Said]:  # fmt: skip
    """Displacement against the control, and what it is evidence for."""
    if control.refusal or control.kind != "fat_plane" or len(control.profiles) < 2:
        why = say("control.not_measured", why=control.refusal or say("control.little_limb"))
        return (), say("verdict.untold"), why
    if control.numbers[0].unit != "1" or control.profiles[0].unit != pic.unit:
        return (), say("verdict.untold"), say("control.units")
    moved, outer = (
        curve - _resampled(p, along * pic.per_mm) / pic.per_mm
        for curve, p in zip(curves, control.profiles, strict=False)
    )
    joint = _level(moved, np.abs(along) <= JOINT)
    away = _level(moved, np.abs(along) >= AWAY)
    thicker = _level(outer, np.abs(along) <= JOINT)
    if not np.isfinite(joint):
        return (), say("verdict.untold"), say("fat.joint_not_seen")
    if np.isfinite(away) and abs(away) > ELSEWHERE:
        return (), say("verdict.untold"), say("fat.elsewhere", away=away)
    error = float(np.hypot(DISTANCE_ERROR, DISTANCE_ERROR)) * pic.per_mm
    shown = [Number(id="displacement", name=say("fat_plane.displacement"),
                    value=joint * pic.per_mm, unit=pic.unit, plus_minus=error)]  # fmt: skip
    if np.isfinite(away):
        shown.append(Number(id="displacement_away", name=say("fat_plane.displacement_away"),
                            value=away * pic.per_mm, unit=pic.unit, plus_minus=error))  # fmt: skip
    return tuple(shown), *_word(
        joint, away, thicker, min(share, control.number("continuity").value)
    )


def _word(joint: float, away: float, thicker: float, share: float) -> tuple[Said, Said]:
    untold = say("verdict.untold")
    if joint >= DISPLACED:
        if np.isfinite(away) and joint - away >= DISPLACED - UNDISPLACED:
            return say("verdict.intracapsular"), say("fat.displaced", joint=joint, away=away)
        return untold, say("fat.displaced_all", joint=joint)
    if abs(joint) > UNDISPLACED:
        return untold, say("fat.unsure", joint=joint)
    if share < CONTINUOUS:
        return untold, say("fat.broken", joint=joint, share=share)
    if not np.isfinite(thicker):
        return untold, say("fat.no_skin", joint=joint)
    if thicker < THICKER:
        return untold, say("fat.not_thicker", joint=joint)
    return say("verdict.extracapsular"), say("fat.thicker", joint=joint, thicker=thicker)


def _resampled(profile: Profile, along: Array) -> Array:
    values = np.array([np.nan if v is None else v for v in profile.values], float)
    return np.asarray(np.interp(along, np.array(profile.along), values, left=np.nan, right=np.nan))


def _drawn(pic: Picture, strip: Strip, place: Array, seen: Mask) -> tuple[Drawn, ...]:
    shapes = []
    for name, offset, chosen in (
        ("fat plane", place, seen),
        ("bone margin", strip.bone, np.isfinite(strip.bone)),
    ):
        spots = strip.line[chosen] + strip.normals[chosen] * offset[chosen, None]
        if len(spots):
            shapes.append(Drawn(kind="points", name=name, points=pic.points(spots)))
    return tuple(shapes)


def _profiles(pic: Picture, along: Array, *curves: Array) -> tuple[Profile, ...]:
    names = (say("curve.fat_distance"), say("curve.fat_outside"))
    place = tuple(round(float(a) * pic.per_mm, 2) for a in along)
    return tuple(
        Profile(name=name, unit=pic.unit, along=place,
                values=tuple(round(float(v) * pic.per_mm, 3) if np.isfinite(v) else None
                             for v in curve))
        for name, curve in zip(names, curves, strict=True)
    )  # fmt: skip
