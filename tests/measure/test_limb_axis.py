"""The axis of the limb: through its middle, from end to end, or a refusal that says why."""

import numpy as np

from dicom_service.intake.model import Spacing
from dicom_service.measure import measure, picture
from dicom_service.measure.request import MeasureRequest
from tests.measure.conftest import Shot

AXIS = MeasureRequest(kind="limb_axis")


def test_the_axis_runs_through_the_middle_of_the_limb_from_end_to_end(carpus: Shot) -> None:
    found = measure(AXIS, carpus.pic)
    assert found.refusal == ""
    (line,) = found.drawn
    points = np.array(line.points)
    rows, columns = carpus.pic.values.shape
    assert points[:, 1].max() - points[:, 1].min() > 0.8 * rows
    level = int(np.abs(points[:, 1] - carpus.middle[1]).argmin())
    assert abs(points[level, 0] - carpus.middle[0]) < 0.05 * columns
    run = np.hypot(*(points[-1] - points[0])) * carpus.pic.size[1]
    assert abs(found.number("length").value - run) < 0.03 * run


def test_an_image_without_a_limb_has_no_axis_and_says_so() -> None:
    noise = np.random.default_rng(1).normal(2000, 5, (300, 300)).astype(np.int32)
    assert "limb" in measure(AXIS, picture(noise, Spacing())).refusal.lower()
