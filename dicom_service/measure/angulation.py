"""Angle and displacement of two fragments of one bone, in one view or in space from two."""

import math
from collections.abc import Sequence

import numpy as np

from dicom_service.measure.angles import CLICK_SD, true_angulation, true_translation
from dicom_service.measure.axis import beside, drawn_axis, error_degrees, find_axis
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import Said, say

METHOD, VERSION = "sesamoid.fracture_angulation", "2"
KIND = "fracture_angulation"


def fracture_angulation(
    pic: Picture, points: Sequence[Point], other: Measured | None = None
) -> Measured:
    """The angle between the axes of two fragments, and how far the distal one is displaced.

    Parameters
    ----------
    points
        Proximal and distal end of the proximal fragment's shaft, then of the distal fragment's.
    other
        The same of a view at a right angle to this one; with it the angle is that in space.
        Alone, one view shows at most the true angle and the true displacement.
    """
    proximal, distal = pic.mm(points[:2]), pic.mm(points[2:])
    doubts = [d for d in pic.doubts if d.id in ("picture.not_square", "picture.no_spacing")]
    axes = [_axis(pic, points[:2], say("word.proximal"), doubts),
            _axis(pic, points[2:], say("word.distal"), doubts)]  # fmt: skip
    angle = _turn(axes[0].direction, axes[1].direction)
    error = math.hypot(axes[0].error, axes[1].error)
    offset, offset_error = _displacement(axes, (proximal[1] + distal[0]) / 2)
    numbers = (
        Number(id="angle", name=say("fracture_angulation.angle"), value=abs(angle), unit="deg",
               plus_minus=error, bound="at least"),
        Number(id="offset", name=say("fracture_angulation.offset"),
               value=abs(offset) * pic.per_mm, unit=pic.unit,
               plus_minus=offset_error * pic.per_mm, bound="at least"),
    )  # fmt: skip
    drawn = tuple(shape for axis in axes for shape in axis.drawn)
    alone = Measured(
        kind=KIND, method=METHOD, version=VERSION, calibration=pic.calibration, numbers=numbers,
        drawn=drawn, doubts=(*doubts, say("fracture.one_view")),
    )  # fmt: skip
    if other is None:
        return alone
    return _in_space(alone, other)


def _in_space(here: Measured, there: Measured) -> Measured:
    if there.refusal or len(there.numbers) < 2:
        raise NotMeasurable(say("fracture.other_view", why=there.refusal))
    angles, offsets = ([m.numbers[i] for m in (here, there)] for i in (0, 1))
    found = true_angulation(angles[0].value, angles[1].value, error=_widest(angles)).numbers[0]
    numbers = [
        found.model_copy(
            update={"id": "true_angle", "name": say("fracture_angulation.true_angle")}
        ),
        angles[0].model_copy(update={"name": say("fracture_angulation.angle_first")}),
        angles[1].model_copy(
            update={"id": "angle_second", "name": say("fracture_angulation.angle_second")}
        ),
    ]
    doubts = [d for d in (*here.doubts, *there.doubts) if d.id != "fracture.one_view"]
    if {n.unit for n in offsets} == {"mm"}:
        moved = true_translation(
            offsets[0].value, offsets[1].value, error=_widest(offsets)
        ).numbers[0]
        numbers.append(moved.model_copy(
            update={"id": "true_offset", "name": say("fracture_angulation.true_offset")}
        ))  # fmt: skip
        if here.calibration != there.calibration:
            doubts.append(say("fracture.scales"))
    else:
        doubts.append(say("fracture.no_spacing"))
    doubts.append(say("fracture.right_angle"))
    return here.model_copy(
        update={"numbers": tuple(numbers), "doubts": tuple(dict.fromkeys(doubts))}
    )


def _widest(numbers: Sequence[Number]) -> float:
    return max(n.plus_minus or 0.0 for n in numbers)


class _Axis:
    """A fragment's axis: a point on it, its direction (distal), and their 95 % errors."""

    def __init__(self, at: Array, direction: Array, error: float, drawn: list[Drawn]) -> None:
        self.at = at
        self.direction = direction
        self.error = error
        self.drawn = drawn


def _axis(pic: Picture, points: Sequence[Point], name: Said, doubts: list[Said]) -> _Axis:
    ends = pic.mm(points)
    clicked = ends[1] - ends[0]
    length = float(np.hypot(*clicked))
    if length < 5 * CLICK_SD:
        raise NotMeasurable(say("fracture.close", fragment=name))
    try:
        found = find_axis(pic, points[0], points[1])
    except NotMeasurable as refusal:
        doubts.append(say("fracture.clicks", fragment=name, why=refusal.said))
        error = 1.96 * math.degrees(math.atan(math.sqrt(2) * CLICK_SD / length))
        line = Drawn(kind="line", name=name, points=pic.points(ends))
        return _Axis(ends.mean(axis=0), clicked / length, error, [line])
    doubts += beside(found)
    direction = np.asarray(found.direction, float)
    if float(direction @ clicked) < 0:
        direction = -direction
    away = abs(_turn(clicked / length, direction))
    if away > 3 * math.degrees(math.atan(math.sqrt(2) * CLICK_SD / length)):
        doubts.append(say("fracture.apart", fragment=name, away=away))
    return _Axis(found.middle, direction, error_degrees(found), list(drawn_axis(pic, found, name)))


def _turn(first: Array, second: Array) -> float:
    cross = float(first[0] * second[1] - first[1] * second[0])
    return math.degrees(math.atan2(cross, float(first @ second)))


def _displacement(axes: Sequence[_Axis], fracture: Array) -> tuple[float, float]:
    """How far apart the two axes run at the fracture, across the proximal one, and its error."""
    across = np.array([-axes[0].direction[1], axes[0].direction[0]])
    places, errors = [], []
    for axis in axes:
        reach = float((fracture - axis.at) @ axis.direction)
        places.append(float((axis.at + reach * axis.direction) @ across))
        errors.append(math.hypot(0.3, reach * math.tan(math.radians(min(axis.error, 60.0)))))
    return places[1] - places[0], math.hypot(*errors)
