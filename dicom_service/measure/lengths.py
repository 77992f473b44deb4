"""Lengths and angles from points on an image, with an honest word on their calibration.

The ladder of PS3.3 10.7.1: a fiducial at the depth of the bone, an assumed geometry, the detector
plane, a spacing of unknown origin, and none. Points are (column, row); spacing is given per row
(downwards) and per column (to the right), as Pixel Spacing (0028,0030) has it.
"""

import math

from dicom_service.errors import Refused
from dicom_service.intake.model import ImageFacts, Spacing, SpacingKind
from dicom_service.measure.said import Said, say
from dicom_service.review.model import Measurement

Point = tuple[float, float]

CALIBRATION: dict[SpacingKind, Said] = {
    "fiducial": say("calibration.fiducial"),
    "geometry": say("calibration.geometry"),
    "detector": say("calibration.detector"),
    "unknown": say("calibration.unknown"),
    "none": say("calibration.none"),
}
"""What a length in an image of each kind of spacing is worth, in words."""

ANGLE_IN_PIXELS = say("calibration.angle_pixels")
ANGLE_IN_MM = say("calibration.angle")


def complete(measurement: Measurement, image: ImageFacts) -> Measurement:
    """`measurement` with value, unit and calibration worked out from its points.

    What is computed from pixels is no matter of points and spacing: it stays as it is.

    Parameters
    ----------
    measurement
        Points (column, row) in pixels; two for a length, three (arm, vertex, arm) for an angle.
    image
        The image that the points are on, with its spacing in mm.

    Returns
    -------
    Measurement
        Length in mm (px without spacing) or angle in degrees, 0 to 180.

    Raises
    ------
    Refused
        Wrong number of points, a point outside the image, another image, or an arm of no length.
    """
    if measurement.computed is not None:
        return measurement
    _check(measurement, image)
    spacing = usable_spacing(image.spacing)
    scaled = [_scaled(point, spacing) for point in measurement.points]
    if measurement.kind == "length":
        value, unit = math.dist(*scaled), "px" if spacing.kind == "none" else "mm"
        calibration = CALIBRATION[spacing.kind]
    else:
        value, unit = angle_at(scaled[1], scaled[0], scaled[2], measurement.id), "deg"
        calibration = ANGLE_IN_PIXELS if spacing.kind == "none" else ANGLE_IN_MM
    return Measurement.model_validate(
        {**measurement.model_dump(), "value": value, "unit": unit, "calibration": calibration}
    )


def usable_spacing(spacing: Spacing) -> Spacing:
    """`spacing`, or none when it is not two positive, finite numbers."""
    sizes = (spacing.row_mm, spacing.column_mm)
    if spacing.kind != "none" and all(math.isfinite(s) and s > 0 for s in sizes):
        return spacing
    return Spacing()


def angle_at(vertex: Point, one: Point, other: Point, name: str = "") -> float:
    """The angle in degrees (0 to 180) at `vertex` between the arms to `one` and `other`."""
    a = (one[0] - vertex[0], one[1] - vertex[1])
    b = (other[0] - vertex[0], other[1] - vertex[1])
    if a == (0.0, 0.0) or b == (0.0, 0.0):
        raise Refused(f"The angle '{name}' has an arm of no length; move its end.")
    # atan2 keeps its accuracy near 0 and 180 degrees, where the arc cosine loses it.
    return math.degrees(math.atan2(abs(a[0] * b[1] - a[1] * b[0]), a[0] * b[0] + a[1] * b[1]))


def _scaled(point: Point, spacing: Spacing) -> Point:
    if spacing.kind == "none":
        return point
    return point[0] * spacing.column_mm, point[1] * spacing.row_mm


def _check(measurement: Measurement, image: ImageFacts) -> None:
    name = f"The measurement '{measurement.id}'"
    if measurement.view != image.uid:
        raise Refused(f"{name} is on the image '{measurement.view}', not on '{image.uid}'.")
    needed = 2 if measurement.kind == "length" else 3
    if len(measurement.points) != needed:
        raise Refused(
            f"{name} needs {needed} points for {measurement.kind}, not {len(measurement.points)}."
        )
    if not (image.rows and image.columns):
        return  # the header states no size; there is nothing to compare with
    for column, row in measurement.points:
        if not (0 <= column <= image.columns and 0 <= row <= image.rows):
            raise Refused(f"{name} has the point ({column:g}, {row:g}) outside its image.")
