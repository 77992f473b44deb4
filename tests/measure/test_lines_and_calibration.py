"""Lucent lines against their width, and the size of a pixel from a ball or a ruler."""

import pytest

from dicom_service.errors import Refused
from dicom_service.measure import NotMeasurable
from dicom_service.measure.calibration import ball, magnification, ruler
from dicom_service.measure.gap import lucent_line
from test_pacs.phantom.bench import Bench
from tests.measure.conftest import ball_picture, shoot_bench


@pytest.mark.parametrize("gap", [0.3, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("quanta", [300, 1700])
def test_a_gap_from_three_tenths_of_a_millimetre_is_found(clicks, gap, quanta):
    shot = shoot_bench(Bench(gap=gap, plate=0), quanta)
    found = lucent_line(shot.pic, *clicks(shot.middle, 30, seed=2))
    assert found.number("depth").value > found.number("limit").value
    width = found.number("width")
    if width.bound:
        assert gap <= width.value
    else:
        assert abs(width.value - gap) <= width.plus_minus


def test_a_wide_gap_is_not_given_too_narrow(clicks):
    # a bell curve through the flat floor of a wide gap lost 0.2 mm
    errors = []
    for gap in (1.5, 2.0, 2.5):
        shot = shoot_bench(Bench(gap=gap, plate=0))
        width = lucent_line(shot.pic, *clicks(shot.middle, 30, seed=4)).number("width")
        errors.append(width.value - gap)
    assert max(errors, key=abs) == pytest.approx(0.0, abs=0.15)


@pytest.mark.parametrize("seed", range(5))
def test_a_bone_without_a_line_has_none(clicks, seed):
    shot = shoot_bench(Bench(gap=0, plate=0), 1700, seed)
    with pytest.raises(NotMeasurable, match="detection limit"):
        lucent_line(shot.pic, *clicks(shot.middle, 30, seed=seed))


@pytest.mark.parametrize("diameter", [10, 25])
@pytest.mark.parametrize("blur", [0.11, 0.25])
@pytest.mark.parametrize("near", [None, (235.0, 232.0)])
def test_a_ball_gives_the_pixel_size_within_its_error(diameter, blur, near):
    found = ball(ball_picture(diameter, blur=blur), diameter, near)
    spacing = found.number("spacing")
    assert abs(spacing.value - 0.15) <= spacing.plus_minus
    assert spacing.plus_minus / spacing.value >= 0.01


def test_a_ball_cut_by_the_border_is_refused():
    with pytest.raises(NotMeasurable):
        ball(ball_picture(25, cut=True), 25, (27.0, 227.0))


def test_a_bone_is_not_taken_for_a_ball():
    with pytest.raises(NotMeasurable):
        ball(shoot_bench(Bench()).pic, 25)


def test_a_ruler_of_100_mm_over_600_pixels_is_good_to_half_a_percent():
    found = ruler(ball_picture(10), (10, 10), (10, 470), 69.0)
    assert found.number("spacing").value == pytest.approx(0.15)
    assert found.number("relative").value == pytest.approx(0.603, abs=0.01)


def test_magnification_is_that_of_the_published_examples():
    assert magnification(1000, 50) == pytest.approx(1.0526316, abs=1e-6)
    # a marker 10 mm off the height of the bone: about one percent per centimetre
    assert magnification(1000, 10) - 1 == pytest.approx(0.010101, abs=1e-5)
    with pytest.raises(Refused):
        magnification(1000, 1000)


@pytest.mark.parametrize(("step", "quanta", "lean"), [(0.0, 1700, 0.0), (1.0, 300, 0.0),
                                                      (2.5, 6000, 0.0)])  # fmt: skip
def test_the_step_of_a_fracture_is_measured_at_both_ends_of_its_line(clicks, step, quanta, lean):
    shot = shoot_bench(Bench(gap=1.0, plate=0, step=step, lean=lean, texture=0.4), quanta)
    found = lucent_line(shot.pic, *clicks(shot.middle, 34, seed=6))
    for name in ("shift_first", "shift_second"):
        number = found.number(name)
        assert abs(number.value - step) <= number.plus_minus
