"""Two fragments of one bone: the angle in one view is a lower bound, two give it in space."""

import pytest

from dicom_service.errors import Refused
from dicom_service.measure import MeasureRequest, measure
from dicom_service.measure.angulation import fracture_angulation
from test_pacs.phantom.bench import Bench
from tests.measure.conftest import shoot_fracture

BEND = 14.0


def clicked(azimuth: float, plan: Bench, seed: int):
    shot, points = shoot_fracture(plan, azimuth, seed=seed)
    return shot.pic, points


@pytest.mark.parametrize("azimuth", [0.0, 25.0, 50.0])
def test_two_views_at_a_right_angle_give_the_angle_in_space(azimuth):
    plan = Bench(gap=1.0, plate=0, bend=BEND)
    other = fracture_angulation(*clicked(azimuth + 90, plan, 2))
    found = fracture_angulation(*clicked(azimuth, plan, 1), other)
    true = found.number("true_angle")
    assert abs(true.value - BEND) <= true.plus_minus
    assert true.plus_minus < 4
    assert true.bound == ""
    assert {n.unit for n in found.numbers} == {"deg", "mm"}
    # Each view alone shows at most the true angle, and says so.
    first, second = found.number("angle"), found.number("angle_second")
    assert first.bound == second.bound == "at least"
    assert max(first.value, second.value) <= BEND + 1.0


@pytest.mark.parametrize("step", [0.0, 4.0])
def test_the_displacement_across_the_shaft_is_found(step):
    found = fracture_angulation(*clicked(0.0, Bench(gap=1.0, plate=0, step=step), 3))
    offset = found.number("offset")
    assert abs(offset.value - step) <= offset.plus_minus
    assert "one view: across to it there may be more" in found.doubts


def test_a_view_that_could_not_be_measured_gives_no_angle_in_space():
    pic, points = clicked(0.0, Bench(gap=1.0, plate=0), 4)
    refused = measure(MeasureRequest(kind="joint_space", points=((5, 5), (60, 5))), pic)
    assert refused.refusal
    asked = MeasureRequest(kind="fracture_angulation", points=points)
    assert "other view" in measure(asked, pic, refused).refusal
    with pytest.raises(Refused, match="needs 4 points"):
        measure(MeasureRequest(kind="fracture_angulation", points=points[:2]), pic)


def test_points_that_do_not_follow_the_cortices_are_a_doubt():
    pic, points = clicked(0.0, Bench(gap=1.0, plate=0), 5)
    aside = (points[0][0] - 45, points[0][1])
    found = fracture_angulation(pic, (aside, *points[1:]))
    assert any("proximal fragment" in doubt for doubt in found.doubts)
    assert not any("distal fragment" in doubt for doubt in found.doubts)
