"""The axis of the limb: through its middle, from end to end, or a refusal that says why."""

from dataclasses import replace

import numpy as np

from dicom_service.intake.model import Spacing
from dicom_service.measure import measure, picture
from dicom_service.measure.request import MeasureRequest
from tests.measure.conftest import Shot

AXIS = MeasureRequest(kind="limb_axis")


def test_the_axis_runs_through_the_middle_of_the_limb_from_end_to_end(carpus: Shot) -> None:
    found = measure(AXIS, carpus.pic)
    assert found.refusal == ""
    line = found.drawn[0]
    points = np.array(line.points)
    rows, columns = carpus.pic.values.shape
    assert points[:, 1].max() - points[:, 1].min() > 0.8 * rows
    level = int(np.abs(points[:, 1] - carpus.middle[1]).argmin())
    assert abs(points[level, 0] - carpus.middle[0]) < 0.05 * columns
    run = np.hypot(*(points[-1] - points[0])) * carpus.pic.size[1]
    assert abs(found.number("length").value - run) < 0.03 * run


def test_the_sides_of_the_limb_lie_on_either_side_of_its_axis_at_its_skin(carpus: Shot) -> None:
    line, *sides = measure(AXIS, carpus.pic).drawn
    assert [side.name for side in sides] == ["first side", "second side"]
    axis = np.array(line.points)
    away = []
    for side in sides:
        points = np.array(side.points)
        assert len(points) > 60
        across = points[:, 0] - np.interp(points[:, 1], axis[:, 1], axis[:, 0])
        assert (across > 0).all() or (across < 0).all()
        away.append(np.interp(carpus.middle[1], points[:, 1], points[:, 0]))
    row = carpus.pic.values[round(carpus.middle[1])]
    beside, limb = np.percentile(row, 5), row[round(carpus.middle[0])]
    for column, inwards in ((min(away), 1), (max(away), -1)):
        outside, inside = (float(row[round(column + inwards * step)]) for step in (-12, 12))
        assert abs(outside - beside) < 0.1 * (limb - beside) < inside - beside


def test_a_side_that_leaves_the_field_has_no_points_there(carpus: Shot) -> None:
    middle = round(carpus.middle[0])
    pixels = carpus.pic.values[:, : middle + 40]
    cut = replace(carpus.pic, values=np.ascontiguousarray(pixels))
    found = measure(AXIS, cut)
    if not found.refusal:
        assert min(len(side.points) for side in found.drawn[1:]) == 0


def test_an_image_without_a_limb_has_no_axis_and_says_so() -> None:
    noise = np.random.default_rng(1).normal(2000, 5, (300, 300)).astype(np.int32)
    assert "limb" in measure(AXIS, picture(noise, Spacing())).refusal.lower()
