"""Change between two measurements: only what their errors allow to be seen is called a change."""

import math

import numpy as np
import pytest

from dicom_service.intake.model import Spacing
from dicom_service.measure import MeasureRequest, measure
from dicom_service.measure.by_hand import by_hand
from dicom_service.measure.change import compare, series
from dicom_service.measure.joint import joint_space
from dicom_service.measure.lengths import angle_at
from dicom_service.review.model import Measurement
from test_pacs.phantom.bench import Bench
from tests.measure.conftest import shoot_bench


@pytest.fixture(scope="module")
def widths():
    found = {}
    for gap in (1.5, 2.5):
        shot = shoot_bench(Bench(gap=gap), seed=round(gap * 10))
        column, row = shot.middle
        found[gap] = joint_space(shot.pic, (column - 32, row + 1), (column + 32, row - 1))
    return found


def _mean(compared):
    return next(c for c in compared.changes if c.id == "mean")


def test_a_joint_that_lost_a_millimetre_has_changed_by_it(widths):
    change = _mean(compare(widths[2.5], widths[1.5]))
    assert change.real is True
    assert abs(change.difference + 1.0) <= change.detectable
    assert "less" in change.words


def test_the_same_joint_taken_again_has_no_change_that_can_be_seen(widths):
    shot = shoot_bench(Bench(gap=1.5), 300.0, seed=77)
    column, row = shot.middle
    again = joint_space(shot.pic, (column - 30, row - 2), (column + 33, row + 1))
    change = _mean(compare(widths[1.5], again))
    assert change.real is False
    assert change.detectable == pytest.approx(
        math.hypot(widths[1.5].number("mean").plus_minus, again.number("mean").plus_minus)
    )


def test_other_methods_versions_and_refusals_are_not_compared(widths):
    one = widths[1.5]
    assert compare(one, one.model_copy(update={"version": "0"})).refusal
    assert compare(one, one.model_copy(update={"method": "other"})).refusal
    assert "earlier" in compare(one.model_copy(update={"refusal": "no"}), one).refusal


def test_a_number_without_known_error_never_counts_as_changed(widths):
    change = next(c for c in compare(widths[1.5], widths[2.5]).changes if c.id == "roughness_1")
    assert change.real is None


def test_a_series_has_one_point_a_date_oldest_first(widths):
    dated = [("2026-03-01", widths[1.5]), ("2025-03-01", widths[2.5])]
    curve = next(s for s in series(dated) if s.id == "mean")
    assert [when for when, _, _ in curve.points] == ["2025-03-01", "2026-03-01"]
    assert curve.points[0][1] > curve.points[1][1]


@pytest.mark.parametrize(("kind", "relative"), [("fiducial", 0.01), ("geometry", 0.02)])
def test_the_error_of_the_calibration_is_part_of_every_length(widths, kind, relative):
    shot = shoot_bench(Bench(gap=3.0))
    column, row = shot.middle
    points = ((column - 32, row + 1), (column + 32, row - 1))
    pic = shot.pic.__class__(**{**shot.pic.__dict__, "rung": kind})
    plain, asked = joint_space(pic, *points), MeasureRequest(kind="joint_space", points=points)
    number = measure(asked, pic).number("mean")
    expected = math.hypot(plain.number("mean").plus_minus, relative * number.value)
    assert number.plus_minus == pytest.approx(expected)


def _length(points, value, calibration, spacing=("detector", 0.15, 0.15)):
    kind, row, column = spacing
    drawn = Measurement(id="m", item="i", view="v", kind="length", points=points, value=value,
                        unit="mm", calibration=calibration)  # fmt: skip
    return by_hand(drawn, Spacing(kind=kind, row_mm=row, column_mm=column))


def test_a_drawn_length_has_the_error_of_its_clicks_and_not_more_than_magnification_is_a_change():
    flat = "at detector plane, not corrected for magnification"
    before, now = (_length(((0, 0), (v / 0.15, 0)), v, flat) for v in (100.0, 104.0))
    change = compare(before, now).changes[0]
    assert change.detectable == pytest.approx(math.hypot(2.77, 2.77, 5.0), abs=0.01)
    assert change.real is False
    fixed = "calibrated by an object of known size (fiducial)"
    other = compare(before, _length(((0, 0), (800, 0)), 120.0, fixed))
    assert other.changes[0].real is None
    assert "calibrated differently" in other.doubts[0]


def test_the_error_of_a_drawn_angle_is_that_of_moved_clicks():
    points = ((40.0, 200.0), (200.0, 200.0), (330.0, 90.0))
    drawn = Measurement(id="m", item="i", view="v", kind="angle", points=points, unit="deg")
    found = by_hand(drawn, Spacing(kind="fiducial", row_mm=0.2, column_mm=0.2)).numbers[0]
    rng = np.random.default_rng(3)
    moved = np.array(points) * 0.2 + rng.normal(size=(4000, 3, 2))
    angles = [angle_at(tuple(v), tuple(a), tuple(b)) for a, v, b in moved]
    assert found.plus_minus == pytest.approx(1.96 * np.std(angles), rel=0.06)
