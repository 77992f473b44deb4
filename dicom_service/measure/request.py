"""One request for a measurement: what the command line and the panel's API both ask for."""

from collections.abc import Callable, Mapping
from typing import Annotated, Literal

from pydantic import Field

from dicom_service.base import Frozen
from dicom_service.errors import Refused
from dicom_service.measure.angles import limb_measurement
from dicom_service.measure.angulation import fracture_angulation
from dicom_service.measure.axis import shaft_axis
from dicom_service.measure.calibration import ball, ruler, with_scale_error
from dicom_service.measure.catalogue import comparison, entry
from dicom_service.measure.fat_plane import fat_plane
from dicom_service.measure.gap import lucent_line
from dicom_service.measure.implant import implant
from dicom_service.measure.joint import joint_space
from dicom_service.measure.limb_axis import limb_axis
from dicom_service.measure.model import Measured, NotMeasurable, Point
from dicom_service.measure.population import Animal
from dicom_service.measure.raster import Picture
from dicom_service.measure.swelling import swelling_profile

Kind = Literal[
    "swelling_profile", "joint_space", "shaft_axis", "limb_measurement", "lucent_line", "ball",
    "ruler", "implant", "limb_axis", "fat_plane",
    "fracture_angulation",
]  # fmt: skip
Coordinate = Annotated[float, Field(allow_inf_nan=False, ge=-1e5, le=1e5)]


class MeasureRequest(Frozen):
    """What is to be measured.

    `points` are (column, row): two for a joint space, shaft axis, lucent line, implant or ruler (an
    implant takes two more along a joint space); the joint's middle (or nothing) for a swelling
    profile; two or more along the line for a fat plane, the middle one of an odd number at the
    level of the joint; the middle (or nothing) for a ball; none for a limb axis; the landmarks in
    the order of the catalogue for a limb measurement, whose id is `name`; the ends of the proximal
    and then of the distal fragment for a fracture.
    """

    kind: Kind
    points: Annotated[tuple[tuple[Coordinate, Coordinate], ...], Field(max_length=12)] = ()
    name: Annotated[str, Field(max_length=64)] = ""
    true_mm: Annotated[float, Field(allow_inf_nan=False)] = 0.0
    species: Annotated[str, Field(max_length=32)] = ""
    breed: Annotated[str, Field(max_length=64)] = ""
    sex: Annotated[str, Field(max_length=1)] = ""


_POINTS: dict[str, tuple[int, ...]] = {
    "swelling_profile": (0, 1), "joint_space": (2,), "shaft_axis": (2,), "lucent_line": (2,),
    "ruler": (2,), "implant": (2, 4), "ball": (0, 1), "limb_axis": (0,),
    "fat_plane": tuple(range(2, 13)), "fracture_angulation": (4,),
}  # fmt: skip


def measure(
    request: MeasureRequest,
    pic: Picture,
    control: Measured | None = None,
    object_error: float = 0.0,
) -> Measured:
    """The measurement, or its refusal in `refusal`.

    `object_error` is the relative error of an object in the image that gave the picture its scale.

    Raises
    ------
    Refused
        The request itself is wrong: number of points, unknown name, points off the image.
    """
    _check(request, pic)
    try:
        found = _measured(request, pic, control)
    except NotMeasurable as refusal:
        return refused(request.kind, refusal)
    # a ball or ruler is what the scale is found with
    return (
        found if request.kind in ("ball", "ruler") else with_scale_error(found, pic, object_error)
    )


def refused(kind: str, refusal: NotMeasurable) -> Measured:
    """A measurement that was not given, with the reason."""
    return Measured(kind=kind, method=f"sesamoid.{kind}", version="1", refusal=refusal.said)


def _check(request: MeasureRequest, pic: Picture) -> None:
    allowed = _POINTS.get(request.kind)
    if allowed is not None and len(request.points) not in allowed:
        many = len(allowed) > 2
        count = f"{allowed[0]} to {allowed[-1]}" if many else " or ".join(map(str, allowed))
        raise Refused(f"'{request.kind}' needs {count} points, not {len(request.points)}.")
    rows, columns = pic.values.shape
    for column, row in request.points:
        if not (0 <= column <= columns and 0 <= row <= rows):
            raise Refused(f"The point ({column:g}, {row:g}) lies outside the image.")


def _measured(request: MeasureRequest, pic: Picture, control: Measured | None) -> Measured:
    points: tuple[Point, ...] = request.points
    if request.kind in _CLICKED_TWICE:
        return _CLICKED_TWICE[request.kind](pic, *points)
    match request.kind:
        case "swelling_profile":
            return swelling_profile(pic, points[0] if points else None, control)
        case "fat_plane":
            return fat_plane(pic, points, control)
        case "ruler":
            return ruler(pic, points[0], points[1], request.true_mm)
        case "ball":
            return ball(pic, request.true_mm, points[0] if points else None)
        case "limb_measurement":
            return _published(pic, request)
        case "fracture_angulation":
            return fracture_angulation(pic, points, control)
    return limb_axis(pic)


_CLICKED_TWICE: Mapping[str, Callable[..., Measured]] = {
    "joint_space": joint_space, "shaft_axis": shaft_axis, "lucent_line": lucent_line,
    "implant": implant,
}  # fmt: skip


def _published(pic: Picture, request: MeasureRequest) -> Measured:
    """With what is published of animals like this one."""
    found = limb_measurement(pic, request.name, _landmarks(request))
    first = found.numbers[0]
    if not request.species or first.unit == "px":
        return found
    animal = Animal(species=request.species, breed=request.breed, sex=request.sex)
    why = comparison(entry(request.name), animal, first.value, first.plus_minus or 0.0)
    return found.model_copy(update={"why": why})


def _landmarks(request: MeasureRequest) -> dict[str, Point]:
    rule = entry(request.name).construction
    if rule is None:
        return {}
    names = rule.landmarks()
    if len(names) != len(request.points):
        raise Refused(f"'{request.name}' needs {len(names)} points: {', '.join(names)}.")
    return dict(zip(names, request.points, strict=True))
