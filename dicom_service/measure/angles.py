"""Angles and ratios from landmarks, with the error of clicks and contours carried through."""

import math
from collections.abc import Mapping

import numpy as np

from dicom_service.errors import Refused
from dicom_service.measure.axis import DEFINITION_ERROR, drawn_axis, error_degrees, find_axis
from dicom_service.measure.catalogue import Construction, Entry, comparison, entry
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point
from dicom_service.measure.raster import Array, Picture

METHOD, VERSION = "sesamoid.limb_angle", "1"
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
        raise Refused(f"'{name}' is not constructed from points on one image: {found.view}.")
    missing = set(rule.landmarks()) ^ set(points)
    if missing:
        raise Refused(f"'{name}' needs exactly {', '.join(rule.landmarks())}.")
    if rule.kind == "ratio":
        return _ratio(pic, found, rule, points, species)
    return _angle(pic, found, rule, points, species)


def _angle(
    pic: Picture, found: Entry, rule: Construction, points: Mapping[str, Point], species: str
) -> Measured:
    drawn: list[Drawn] = []
    doubts = [d for d in pic.doubts if "no pixel spacing" in d]
    vectors, errors = [], []
    for part, names in (("first", rule.first), ("second", rule.second)):
        ends = pic.mm([points[names[0]], points[names[1]]])
        vector, error = ends[1] - ends[0], _click_error(ends)
        if part in rule.contour:
            try:
                axis = find_axis(pic, points[names[0]], points[names[1]])
            except NotMeasurable as refusal:
                doubts.append(f"axis from the clicks alone, not from the cortices: {refusal}")
            else:
                sign = 1.0 if float(axis.direction @ vector) >= 0 else -1.0
                vector, error = sign * axis.direction, error_degrees(axis)
                drawn += drawn_axis(pic, axis, f"{part} axis")
                if abs(axis.bow) > 2:
                    doubts.append(f"the shaft is bowed by {axis.bow:.1f} degrees")
        if not any(d.name == f"{part} axis" for d in drawn):
            name = f"{names[0]} to {names[1]}".replace("_", " ")
            drawn.append(Drawn(kind="line", name=name, points=pic.points(ends)))
        vectors.append(vector)
        errors.append(error)
    plus_minus = math.hypot(*errors)
    if plus_minus > LARGEST_ERROR:
        raise NotMeasurable(
            f"The landmarks are so close that the angle would be uncertain by "
            f"{plus_minus:.0f} degrees; use a larger image or another measurement."
        )
    value = _applied(angle_between(vectors[0], vectors[1]), rule.then)
    number = Number(id=found.id, name=found.name, value=value, unit="deg", plus_minus=plus_minus)
    return _answered(found, number, species, drawn, doubts)


def _ratio(
    pic: Picture, found: Entry, rule: Construction, points: Mapping[str, Point], species: str
) -> Measured:
    pairs = [pic.mm([points[n] for n in names]) for names in (rule.first, rule.second)]
    above, below = (float(np.hypot(*(ends[1] - ends[0]))) for ends in pairs)
    if below < 5 * CLICK_SD:
        raise NotMeasurable("The second distance is too short to divide by.")
    value = above / below
    sd = math.sqrt(2) * CLICK_SD * math.hypot(1 / below, above / below**2)
    number = Number(id=found.id, name=found.name, value=value, unit="1", plus_minus=1.96 * sd)
    drawn = [
        Drawn(kind="line", name=f"{a} to {b}".replace("_", " "), points=pic.points(ends))
        for (a, b), ends in zip((rule.first, rule.second), pairs, strict=True)
    ]
    return _answered(found, number, species, drawn, [])


def _answered(
    found: Entry, number: Number, species: str, drawn: list[Drawn], doubts: list[str]
) -> Measured:
    why = comparison(found, species, number.value, number.plus_minus or 0.0) if species else ""
    if found.traps:
        doubts = [*doubts, found.traps]
    return Measured(
        kind="limb_measurement", method=METHOD, version=VERSION,
        calibration="independent of magnification", numbers=(number,), why=why,
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
        raise NotMeasurable("Two landmarks lie on the same point.")
    return 1.96 * math.degrees(math.atan(math.sqrt(2) * CLICK_SD / length))


def _applied(angle: float, then: str) -> float:
    return {"angle": angle, "90 - angle": 90 - angle, "angle - 90": angle - 90}[then]


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
        raise NotMeasurable(f"Two views {between:g} degrees apart are too alike to be combined.")
    if max(abs(first), abs(second)) > 80:
        raise NotMeasurable("An angulation of more than 80 degrees cannot be combined.")
    value, plane = _in_space(first, second, between)
    spread = [
        _in_space(first + a, second + b, between)[0] - value
        for a, b in ((error, 0.0), (-error, 0.0), (0.0, error), (0.0, -error))
    ]
    plus_minus = math.hypot(max(map(abs, spread[:2])), max(map(abs, spread[2:])))
    numbers = (
        Number(id="angle", name="true angulation", value=value, unit="deg",
               plus_minus=plus_minus),
        Number(id="plane", name="its plane, from the first view's plane", value=plane,
               unit="deg"),
    )  # fmt: skip
    doubts = ("the direction of so small an angle is uncertain",) if value < 3 * error else ()
    return Measured(kind="true_angulation", method="sesamoid.true_angulation", version="1",
                    calibration="independent of magnification", numbers=numbers,
                    doubts=doubts)  # fmt: skip


def _in_space(first: float, second: float, between: float) -> tuple[float, float]:
    x = math.tan(math.radians(first))
    turn = math.radians(between)
    y = (math.tan(math.radians(second)) - x * math.cos(turn)) / math.sin(turn)
    return math.degrees(math.atan(math.hypot(x, y))), math.degrees(math.atan2(y, x))
