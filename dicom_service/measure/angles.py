"""Angles and ratios from landmarks, with the error of clicks and contours carried through."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from dicom_service.errors import Refused
from dicom_service.measure.axis import (
    DEFINITION_ERROR,
    beside,
    drawn_axis,
    error_degrees,
    find_axis,
)
from dicom_service.measure.catalogue import Construction, Entry, comparison, entry
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import Said, say

METHOD, VERSION = "sesamoid.limb_angle", "2"
CLICK_SD = 1.0
"""mm in each direction: how well a person clicks a landmark."""
LARGEST_ERROR = 15.0
"""Degrees (95 %) beyond which an angle is not given."""


def limb_measurement(
    pic: Picture, name: str, points: Mapping[str, Point], species: str = ""
) -> Measured:
    """One measurement of the catalogue from its landmarks.

    Parameters
    ----------
    pic
        The image; shaft axes are found from the cortices where they can be.
    name
        Id in the catalogue, such as ``aLDFA``.
    points
        Image point of every landmark of its construction.
    species
        Published values of this species are compared with.

    Raises
    ------
    Refused
        Unknown measurement or landmarks, or one that is not taken from points on one image.
    NotMeasurable
        Landmarks so close that the angle would mean nothing.
    """
    found = entry(name)
    rule = found.construction
    if rule is None:
        raise Refused(f"'{name}' is not offered: {say(f'not_offered.{name}')}.")
    missing = set(rule.landmarks()) ^ set(points)
    if missing:
        raise Refused(f"'{name}' needs exactly {', '.join(rule.landmarks())}.")
    if rule.kind == "ratio":
        return _ratio(pic, found, rule, points, species)
    if rule.kind in ("distance", "along", "across"):
        return _distance(pic, found, rule, points, species)
    if rule.kind == "sum":
        return _sum(pic, found, rule, points, species)
    return _angle(pic, found, rule, points, species)


def _sum(
    pic: Picture, found: Entry, rule: Construction, points: Mapping[str, Point], species: str
) -> Measured:
    value, errors = 0.0, []
    drawn: list[Drawn] = []
    doubts: list[Said] = []
    for term in rule.terms:
        needed = entry(term.entry).construction
        own = {n: points[term.names.get(n, n)] for n in (needed.landmarks() if needed else ())}
        part = limb_measurement(pic, term.entry, own)
        value += term.factor * part.numbers[0].value
        errors.append(term.factor * (part.numbers[0].plus_minus or 0.0))
        drawn += part.drawn
        doubts += [d for d in part.doubts if d not in doubts]
    number = Number(id=found.id, name=found.said, value=value, unit="deg",
                    plus_minus=math.hypot(*errors))  # fmt: skip
    return _answered(found, number, species, drawn, doubts)


def _distance(
    pic: Picture, found: Entry, rule: Construction, points: Mapping[str, Point], species: str
) -> Measured:
    start, end = pic.mm([points[n] for n in rule.first])
    vector = end - start
    drawn = [Drawn(kind="line", name=_words(rule.first), points=pic.points(np.stack([start, end])))]
    value, error = float(np.hypot(*vector)), 1.96 * math.sqrt(2) * CLICK_SD
    if rule.kind != "distance":
        ends = pic.mm([points[n] for n in rule.second])
        base = ends[1] - ends[0]
        turned = math.radians(_click_error(ends))
        unit = base / np.hypot(*base)
        along, across = float(vector @ unit), float(vector[0] * unit[1] - vector[1] * unit[0])
        value, other = (along, across) if rule.kind == "along" else (across, along)
        # a wrong direction of the line moves what lies across it into the value
        error = math.hypot(error, abs(other) * math.tan(min(turned, 1.0)))
        value = abs(value)
        drawn.append(Drawn(kind="line", name=_words(rule.second), points=pic.points(ends)))
    doubts = list(pic.doubts)
    number = Number(id=found.id, name=found.said, value=value * pic.per_mm, unit=pic.unit,
                    plus_minus=error * pic.per_mm)  # fmt: skip
    answer = _answered(found, number, species if pic.unit == "mm" else "", drawn, doubts)
    return answer.model_copy(update={"calibration": pic.calibration})


def _words(names: Sequence[str]) -> str:
    return f"{names[0]} to {names[1]}".replace("_", " ")


def _side_angle(first: Array, second: Array, side: Array) -> float:
    """Degrees (0 to 360) from the first vector to the second, swept through `side`."""

    def turn(a: Array, b: Array) -> float:
        return math.degrees(math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b)))

    sign = 1.0 if turn(first, side) >= 0 else -1.0
    return sign * turn(first, second) % 360


def _angle(
    pic: Picture, found: Entry, rule: Construction, points: Mapping[str, Point], species: str
) -> Measured:
    drawn: list[Drawn] = []
    doubts = [d for d in pic.doubts if d.id == "picture.no_spacing"]
    vectors, errors = [], []
    for part, names in (("first", rule.first), ("second", rule.second)):
        ends = pic.mm([points[names[0]], points[names[1]]])
        vector, error = ends[1] - ends[0], _click_error(ends)
        if part in rule.contour:
            try:
                axis = find_axis(pic, points[names[0]], points[names[1]])
            except NotMeasurable as refusal:
                doubts.append(say("landmarks.clicks", why=refusal.said))
            else:
                sign = 1.0 if float(axis.direction @ vector) >= 0 else -1.0
                vector, error = sign * axis.direction, error_degrees(axis)
                drawn += drawn_axis(pic, axis, f"{part} axis")
                doubts += beside(axis)
                if abs(axis.bow) > 2:
                    doubts.append(say("shaft.bowed_by", bow=axis.bow))
        if not any(d.name == f"{part} axis" for d in drawn):
            drawn.append(Drawn(kind="line", name=_words(names), points=pic.points(ends)))
        vectors.append(vector)
        errors.append(error)
    plus_minus = math.hypot(*errors)
    if plus_minus > LARGEST_ERROR:
        raise NotMeasurable(say("landmarks.close", error=plus_minus))
    if rule.side:
        side = pic.mm(points[rule.side]) - pic.mm(points[rule.first[0]])
        value = _applied(_side_angle(vectors[0], vectors[1], side), rule.then)
    else:
        value = _applied(angle_between(vectors[0], vectors[1]), rule.then)
    number = Number(id=found.id, name=found.said, value=value, unit="deg", plus_minus=plus_minus)
    return _answered(found, number, species, drawn, doubts)


def _ratio(
    pic: Picture, found: Entry, rule: Construction, points: Mapping[str, Point], species: str
) -> Measured:
    pairs = [pic.mm([points[n] for n in names]) for names in (rule.first, rule.second)]
    above, below = (float(np.hypot(*(ends[1] - ends[0]))) for ends in pairs)
    if below < 5 * CLICK_SD:
        raise NotMeasurable(say("landmarks.short"))
    value = above / below
    sd = math.sqrt(2) * CLICK_SD * math.hypot(1 / below, above / below**2)
    number = Number(id=found.id, name=found.said, value=value, unit="1", plus_minus=1.96 * sd)
    drawn = [
        Drawn(kind="line", name=_words(names), points=pic.points(ends))
        for names, ends in zip((rule.first, rule.second), pairs, strict=True)
    ]
    return _answered(found, number, species, drawn, [])


def _answered(
    found: Entry, number: Number, species: str, drawn: list[Drawn], doubts: list[Said]
) -> Measured:
    why = comparison(found, species, number.value, number.plus_minus or 0.0) if species else Said()
    if found.traps:
        doubts = [*doubts, Said(found.traps, f"traps.{found.id}")]
    return Measured(
        kind="limb_measurement", method=METHOD, version=VERSION,
        calibration=say("calibration.independent"), numbers=(number,), why=why,
        drawn=tuple(drawn), doubts=tuple(doubts),
    )  # fmt: skip


def angle_between(first: Array, second: Array) -> float:
    """Angle of two vectors, 0 to 180 degrees."""
    cross = float(first[0] * second[1] - first[1] * second[0])
    return math.degrees(math.atan2(abs(cross), float(first @ second)))


def _click_error(ends: Array) -> float:
    """95 % of the direction of a line through two clicks, degrees: atan(sqrt(2) sd / length)."""
    length = float(np.hypot(*(ends[1] - ends[0])))
    if length <= 0:
        raise NotMeasurable(say("landmarks.same"))
    return 1.96 * math.degrees(math.atan(math.sqrt(2) * CLICK_SD / length))


def _applied(angle: float, then: str) -> float:
    signed = (angle + 180) % 360 - 180
    return {
        "angle": angle, "90 - angle": 90 - angle, "angle - 90": angle - 90,
        "180 - angle": 180 - angle, "angle - 180": angle - 180, "signed": signed,
    }[then]  # fmt: skip


def procurvatum(theta: float, cranial_proximal: float, caudal_distal: float) -> float:
    """Sagittal procurvatum of the radius from theta, aCrPRA and aCdDRA, degrees."""
    return theta + (90 - (180 - cranial_proximal)) + (90 - caudal_distal)


def frontal_plane_angle(lateral_distal: float, medial_proximal: float) -> float:
    """Frontal plane angle of the radius from aLDRA and aMPRA, degrees."""
    return lateral_distal - medial_proximal


def true_angulation(
    first: float, second: float, between: float = 90.0, error: float = 2 * DEFINITION_ERROR
) -> Measured:
    """The angle in space between two fragments from the angles seen in two views.

    Parameters
    ----------
    first, second
        Signed angles in the two views, degrees; positive to the right of the first view, and in
        the second view to the side that is away from the first view's tube.
    between
        Degrees between the two beams.
    error
        95 % of each of the two angles.
    """
    if not 30 <= abs(between) <= 150:
        raise NotMeasurable(say("fracture.alike", between=between))
    if max(abs(first), abs(second)) > 80:
        raise NotMeasurable(say("fracture.large"))
    value, plane = _in_space(first, second, between)
    spread = [
        _in_space(first + a, second + b, between)[0] - value
        for a, b in ((error, 0.0), (-error, 0.0), (0.0, error), (0.0, -error))
    ]
    plus_minus = math.hypot(max(map(abs, spread[:2])), max(map(abs, spread[2:])))
    numbers = (
        Number(id="angle", name=say("true_angulation.angle"), value=value, unit="deg",
               plus_minus=plus_minus),
        Number(id="plane", name=say("true_angulation.plane"), value=plane,
               unit="deg"),
    )  # fmt: skip
    doubts = (say("fracture.direction"),) if value < 3 * error else ()
    return Measured(kind="true_angulation", method="sesamoid.true_angulation", version="1",
                    calibration=say("calibration.independent"), numbers=numbers,
                    doubts=doubts)  # fmt: skip


def true_translation(first: float, second: float, between: float = 90.0, error: float = 1.0
                     ) -> Measured:  # fmt: skip
    """The displacement of two fragments in space from those seen in two views, mm.

    Signs and `between` as for `true_angulation`; `error` is the 95 % of each of the two.
    """
    if not 30 <= abs(between) <= 150:
        raise NotMeasurable(say("fracture.alike", between=between))
    turn = math.radians(between)

    def size(a: float, b: float) -> float:
        return math.hypot(a, (b - a * math.cos(turn)) / math.sin(turn))

    value = size(first, second)
    moved = [abs(size(first + e, second) - value) for e in (error, -error)]
    others = [abs(size(first, second + e) - value) for e in (error, -error)]
    number = Number(id="translation", name=say("true_translation.translation"),
                    value=value, unit="mm",
                    plus_minus=math.hypot(max(moved), max(others)))  # fmt: skip
    return Measured(kind="true_translation", method="sesamoid.true_translation", version="1",
                    calibration=say("calibration.both_views"), numbers=(number,))  # fmt: skip


def _in_space(first: float, second: float, between: float) -> tuple[float, float]:
    x = math.tan(math.radians(first))
    turn = math.radians(between)
    y = (math.tan(math.radians(second)) - x * math.cos(turn)) / math.sin(turn)
    return math.degrees(math.atan(math.hypot(x, y))), math.degrees(math.atan2(y, x))
