"""Lengths and angles that a person drew, as measurements with the error of their clicks."""

import math

from dicom_service.intake.model import Spacing
from dicom_service.measure.angles import CLICK_SD
from dicom_service.measure.calibration import RUNGS
from dicom_service.measure.lengths import usable_spacing
from dicom_service.measure.model import Measured, Number, Point
from dicom_service.measure.raster import WORKING_MM
from dicom_service.measure.said import Said
from dicom_service.review.model import Measurement

METHOD, VERSION = "drawn by hand", "1"


def by_hand(measurement: Measurement, spacing: Spacing) -> Measured:
    """A length or angle from a reading with its 95 % error, for clicks good to 1 mm.

    Parameters
    ----------
    measurement
        With its value worked out (`complete`).
    spacing
        Of the image that it was drawn on.
    """
    usable = usable_spacing(spacing)
    size = (WORKING_MM, WORKING_MM) if usable.kind == "none" else (usable.column_mm, usable.row_mm)
    points = [(x * size[0], y * size[1]) for x, y in measurement.points]
    if measurement.kind == "length":
        error = 1.96 * math.sqrt(2) * CLICK_SD
        if measurement.unit == "px":
            error /= WORKING_MM
        else:
            error = math.hypot(error, (RUNGS[usable.kind] or 0.0) * measurement.value)
    else:
        error = _error_of_angle(points)
    number = Number(id=measurement.kind, name=Said(measurement.kind), value=measurement.value,
                    unit=measurement.unit, plus_minus=error)  # fmt: skip
    return Measured(kind=measurement.kind, method=METHOD, version=VERSION,
                    calibration=Said(measurement.calibration), numbers=(number,))  # fmt: skip


def _error_of_angle(points: list[Point]) -> float:
    """95 % of the angle at the middle one of three clicks, degrees, at most 180.

    A click moved by e across an arm of length d turns it by e / d; one that moves the vertex
    turns both arms.
    """
    if len(points) != 3:
        return 180.0
    start, vertex, end = points
    arms = [(p[0] - vertex[0], p[1] - vertex[1]) for p in (start, end)]
    squares = [x * x + y * y for x, y in arms]
    if min(squares) <= 0:
        return 180.0
    # how the direction of each arm turns with its end, (dy, -dx) / d²; the vertex turns both
    turns = [(-y / s, x / s) for (x, y), s in zip(arms, squares, strict=True)]
    vertex_turn = [turns[0][i] - turns[1][i] for i in (0, 1)]
    variance = sum(a * a + b * b for a, b in turns) + vertex_turn[0] ** 2 + vertex_turn[1] ** 2
    return min(180.0, 1.96 * math.degrees(CLICK_SD * math.sqrt(variance)))
