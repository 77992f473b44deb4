"""Joint space: width against the slab of the phantom, refusal when it is seen obliquely."""

import numpy as np
import pytest

from dicom_service.measure import NotMeasurable, joint
from dicom_service.measure.angles import limb_measurement
from dicom_service.measure.catalogue import entry
from dicom_service.measure.joint import joint_space
from dicom_service.measure.joint_checks import looks_round
from dicom_service.measure.joint_margins import find_space
from test_pacs.phantom.bench import Bench, Pit
from test_pacs.phantom.metal import Plate
from tests.benchmarks.measure_body_joints import joint_of
from tests.benchmarks.measure_trials import Trials
from tests.measure.conftest import shoot_bench


@pytest.mark.parametrize("gap", [0.75, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize(("quanta", "magnified"), [(300, 40), (1700, 150), (6000, 5)])
def test_width_is_within_its_uncertainty_at_three_doses_and_magnifications(
    clicks, gap, quanta, magnified
):
    shot = shoot_bench(Bench(gap=gap), quanta, magnified=magnified)
    found = joint_space(shot.pic, *clicks(shot.middle, 32, seed=int(quanta)))
    for name in ("minimum", "mean"):
        number = found.number(name)
        if number.bound:
            assert gap <= number.value + 0.2
        else:
            assert abs(number.value - gap) <= number.plus_minus


@pytest.mark.parametrize("gap", [0.3, 0.5])
def test_a_space_narrower_than_the_blur_gets_an_upper_bound(clicks, gap):
    shot = shoot_bench(Bench(gap=gap))
    number = joint_space(shot.pic, *clicks(shot.middle, 32, seed=3)).number("minimum")
    assert number.bound == "at most"
    assert number.value >= gap


@pytest.mark.parametrize("gap", [1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("tip", [5.0, 10.0, 15.0])
def test_a_joint_seen_obliquely_has_a_warning_instead_of_a_number(clicks, gap, tip):
    shot = shoot_bench(Bench(gap=gap, tip=tip))
    with pytest.raises(NotMeasurable):
        joint_space(shot.pic, *clicks(shot.middle, 32, seed=4))


@pytest.mark.parametrize("gap", [0.75, 1.0, 1.5])
@pytest.mark.parametrize("width", [6.0, 8.0])
def test_a_small_joint_of_a_digit_is_measured_with_clicks_on_its_rims(gap, width):
    plan = Bench(gap=gap, width=width, depth=width - 1, cortex=0.9, plate=0.5, soft=4)
    shot = shoot_bench(plan)
    column, row = shot.middle
    reach = (width / 2 - 0.6) / 0.15
    found = joint_space(shot.pic, (column - reach, row + 2), (column + reach, row - 2))
    assert abs(found.number("mean").value - gap) <= found.number("mean").plus_minus


@pytest.mark.parametrize("gap", [1.0, 2.0])
@pytest.mark.parametrize("radius", [9.0, 14.0])
def test_a_curved_joint_is_measured_across_its_curve(gap, radius):
    shot = shoot_bench(Bench(gap=gap, width=16, depth=12, curve=radius))
    column, row = shot.middle
    found = joint_space(shot.pic, (column - 36, row - 8), (column + 36, row - 8))
    assert abs(found.number("mean").value - gap) <= found.number("mean").plus_minus


def test_other_clicks_change_the_width_by_less_than_a_tenth_of_a_millimetre(clicks):
    shot = shoot_bench(Bench(gap=1.5))
    widths = [
        joint_space(shot.pic, *clicks(shot.middle, 30, seed)).number("mean").value
        for seed in range(8)
    ]
    assert max(widths) - min(widths) < 0.1


def test_a_shaft_without_a_joint_is_refused(clicks):
    shot = shoot_bench(Bench(gap=0, plate=0))
    with pytest.raises(NotMeasurable):
        joint_space(shot.pic, *clicks((shot.middle[0], shot.middle[1] + 60), 30, seed=1))


def test_clicks_too_close_together_or_at_the_border_are_refused():
    shot = shoot_bench(Bench())
    with pytest.raises(NotMeasurable, match="2 mm"):
        joint_space(shot.pic, (100, 100), (104, 100))
    with pytest.raises(NotMeasurable, match="border"):
        joint_space(shot.pic, (100, 2), (160, 2))


@pytest.mark.parametrize(("pit", "quanta", "texture"), [
    (Pit(2.5, 0.5, 1.2), 6000, 0.0), (Pit(-3.0, 0.8, 0.8), 1700, 0.5),
    (Pit(0.0, 1.2, 2.0), 300, 0.5),
])  # fmt: skip
def test_a_pit_is_found_in_its_margin_with_its_depth_and_place(clicks, pit, quanta, texture):
    shot = shoot_bench(Bench(gap=2.0, pits=(pit,), texture=texture), quanta, seed=2)
    found = joint_space(shot.pic, *clicks(shot.middle, 46, seed=8))
    depth, place = found.number("pit_2"), found.number("pit_2_at")
    assert abs(depth.value - pit.depth) <= depth.plus_minus
    (spot,) = next(d.points for d in found.drawn if d.name == "pits")
    true = shot.view.shown(np.array([pit.at, 0.0, 1.0 + pit.depth]))
    off = np.abs(np.array(spot) - true) * shot.pic.fine
    assert off[0] <= place.plus_minus
    assert off[1] <= depth.plus_minus
    assert not any(n.id == "pit_1" for n in found.numbers)
    assert any("second margin irregular" in doubt for doubt in found.doubts)


def test_a_pit_that_is_as_deep_as_wide_has_a_lower_bound(clicks):
    shot = shoot_bench(Bench(gap=2.0, pits=(Pit(1.0, 1.6, 0.7),)))
    depth = joint_space(shot.pic, *clicks(shot.middle, 46, seed=4)).number("pit_2")
    assert depth.bound == "at least"
    assert 0.5 < depth.value <= 1.6


@pytest.mark.parametrize("pit", [Pit(0.43, 1.25, 1.48), Pit(1.6, 1.49, 1.93)])
def test_a_pit_that_takes_up_most_of_the_line_has_no_depth_but_a_doubt(clicks, pit):
    # a line of 7 mm leaves 3 to 4 mm of margin beside it: too little to draw its course from
    shot = shoot_bench(Bench(gap=2.0, width=12.8, depth=10.0, pits=(pit,)))
    found = joint_space(shot.pic, *clicks(shot.middle, 25, seed=3))
    depths = [n for n in found.numbers if n.id == "pit_2"]
    assert all(abs(n.value - pit.depth) <= (n.plus_minus or 0) for n in depths)
    assert depths or any("too bent or too worn" in doubt for doubt in found.doubts)
    assert abs(found.number("minimum").value - 2.0) <= found.number("minimum").plus_minus


@pytest.mark.parametrize(
    ("at", "over"), [(0.0, -1.5), (0.0, -0.5), (4.0, -1.5), (4.0, -0.5), (4.0, 0.0), (4.0, 0.3)]
)
def test_no_width_is_given_where_a_plate_ends_beside_the_joint(over, at):
    # `over`: mm from the margin to the plate's end, positive where it stands over the space
    half = 15.0
    plate = Plate((at, 8.0, 1.0 - over + half), (3.5, 1.0, half))
    shot = shoot_bench(Bench(gap=2.0, metal_plate=plate, soft=9))
    points = [(shot.middle[0] + x, shot.middle[1]) for x in (-42, 42)]
    with pytest.raises(NotMeasurable, match=r"denser than the bone|not tangential|double contour"):
        joint_space(shot.pic, *points)


@pytest.mark.parametrize("over", [0.0, 0.3])
def test_metal_along_a_whole_side_may_be_a_thicker_bone_and_gives_a_doubt(over):
    plate = Plate((0.0, 8.0, 16.0 - over), (3.5, 1.0, 15.0))
    shot = shoot_bench(Bench(gap=2.0, metal_plate=plate, soft=9))
    points = [(shot.middle[0] + x, shot.middle[1]) for x in (-42, 42)]
    assert any("if that is metal" in doubt for doubt in joint_space(shot.pic, *points).doubts)


def test_a_plate_that_ends_4_mm_from_the_joint_changes_nothing():
    plate = Plate((0.0, 8.0, 20.0), (3.5, 1.0, 15.0))
    shot = shoot_bench(Bench(gap=2.0, metal_plate=plate, soft=9))
    points = [(shot.middle[0] + x, shot.middle[1]) for x in (-42, 42)]
    width = joint_space(shot.pic, *points).number("mean")
    assert abs(width.value - 2.0) <= width.plus_minus


@pytest.mark.parametrize("plan", [
    Bench(gap=2.0, texture=0.6), Bench(gap=1.5, width=16, depth=12, curve=9.0, texture=0.6),
    Bench(gap=2.0, osteophyte=2.5),
])  # fmt: skip
def test_a_smooth_margin_has_no_pits_whatever_the_bone_behind_it(clicks, plan):
    shot = shoot_bench(plan)
    found = joint_space(shot.pic, *clicks(shot.middle, 34, seed=1))
    assert not any(n.id.startswith("pit") for n in found.numbers)
    assert abs(found.number("mean").value - plan.gap) <= found.number("mean").plus_minus


def test_the_height_of_an_osteophyte_is_that_between_its_landmarks():
    shot = shoot_bench(Bench(gap=2.0, osteophyte=2.5))
    tip = shot.view.shown(np.array([9.0 + 2.5, 0.0, 1.0 + 0.8 * 2.5]))
    base = shot.view.shown(np.array([9.0, 0.0, 1.0 + 0.8 * 2.5]))
    names = entry("ED_osteophyte").construction.landmarks()
    points = dict(zip(names, [tuple(base), tuple(tip)], strict=True))
    number = limb_measurement(shot.pic, "ED_osteophyte", points).numbers[0]
    assert abs(number.value - 2.5) <= 0.1
    # the spur stands out where the phantom says: bright beside the bone, soft tissue without it
    row, column = int(tip[1]), round((tip[0] + base[0]) / 2)
    plain = shoot_bench(Bench(gap=2.0)).pixels
    assert int(shot.pixels[row, column]) - int(plain[row, column]) > 300


@pytest.mark.parametrize(("name", "seed"), [
    ("dog, carpus", 1), ("cat, carpus", 2), ("dog, metacarpophalangeal", 4),
    ("dog, proximal interphalangeal", 3),
])  # fmt: skip
def test_a_joint_of_a_whole_body_with_round_ends_is_measured(name, seed):
    trials = Trials(name)
    joint_of(name)(trials, np.random.default_rng(seed))
    (error, stated), *_ = trials.errors["mean width (mm)"]
    assert abs(error) <= stated
    assert abs(error) <= 0.2  # round margins are stated to 0.32


def test_margins_that_are_flat_along_the_beam_are_not_taken_for_round_ones(clicks):
    oblique = shoot_bench(Bench(gap=2.0, tip=4.0))
    assert not looks_round(find_space(oblique.pic, *clicks(oblique.middle, 32, seed=4)))
    curved = shoot_bench(Bench(gap=2.0, width=16, depth=12, curve=9.0))
    column, row = curved.middle
    assert not looks_round(find_space(curved.pic, (column - 36, row - 8), (column + 36, row - 8)))


def test_without_its_check_an_oblique_joint_would_have_a_wrong_number(clicks, monkeypatch):
    shot = shoot_bench(Bench(gap=2.0, tip=10.0))
    points = clicks(shot.middle, 32, seed=4)
    with pytest.raises(NotMeasurable):
        joint_space(shot.pic, *points)
    monkeypatch.setattr(joint, "tangential", lambda space: (0.32, ()))
    wrong = joint_space(shot.pic, *points).number("mean")
    assert abs(wrong.value - 2.0) > wrong.plus_minus
