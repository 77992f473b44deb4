"""Axes and angles: against the phantom, the published identities, and their uncertainty."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dicom_service.errors import Refused
from dicom_service.intake.model import Spacing
from dicom_service.measure import NotMeasurable, picture
from dicom_service.measure.angles import (
    frontal_plane_angle,
    limb_measurement,
    procurvatum,
    true_angulation,
    true_translation,
)
from dicom_service.measure.axis import shaft_axis
from dicom_service.measure.catalogue import catalogue, comparison, entry, explained
from test_pacs.phantom.bench import Bench
from tests.measure.conftest import PIXEL, shoot_bench

BLANK = picture(
    np.arange(500.0 * 500).reshape(500, 500), Spacing(row_mm=0.15, column_mm=0.15, kind="detector")
)


@pytest.mark.parametrize("lean", [0.0, 3.0, -8.0])
@pytest.mark.parametrize("quanta", [300, 1700])
def test_the_axis_is_good_to_half_a_degree_with_clicks_good_to_a_millimetre(lean, quanta):
    shot = shoot_bench(Bench(gap=0, plate=0, lean=lean), quanta, rows=500)
    step = 190 * np.array([math.sin(math.radians(lean)), math.cos(math.radians(lean))])
    wrong = np.random.default_rng(1).normal(scale=1 / PIXEL, size=(2, 2))
    first, second = (np.array(shot.middle) + s * step + w for s, w in zip((-1, 1), wrong,
                                                                          strict=True))  # fmt: skip
    found = shaft_axis(shot.pic, tuple(first), tuple(second))
    direction = found.number("direction")
    assert abs(direction.value - lean) <= min(0.5, direction.plus_minus)
    assert abs(found.number("width").value - 18.0) <= found.number("width").plus_minus


def test_clicks_beside_the_bone_are_refused():
    shot = shoot_bench(Bench(gap=0, plate=0), rows=500)
    column, row = shot.middle
    with pytest.raises(NotMeasurable):
        shaft_axis(shot.pic, (column + 105, row - 190), (column + 105, row + 190))


def test_published_numbers_of_the_radius_fit_our_formulas():
    # DUNCAN2022 prints all of these independently
    assert procurvatum(11.88, 87.99, 83.08) == pytest.approx(16.79, abs=0.02)
    assert frontal_plane_angle(85.60, 80.86) == pytest.approx(4.75, abs=0.02)


def test_the_femoral_axes_of_cats_differ_by_the_same_angle_at_both_ends():
    means = {
        name: next(r.mean for r in entry(name).refs if r.source == "SWANSON2012")
        for name in ("aLPFA", "mLPFA", "aLDFA", "mLDFA")
    }
    proximal, distal = means["aLPFA"] - means["mLPFA"], means["mLDFA"] - means["aLDFA"]
    assert proximal == pytest.approx(distal, abs=0.3)


def test_printed_confidence_intervals_follow_from_sd_and_number():
    # WOOD2014, n = 50: means 43.28 and 86.92
    for name, mean, sd in (("mCaPHA", 43.28, 5.44), ("mLDHA", 86.92, 1.24)):
        ref = next(r for r in entry(name).refs if r.source == "WOOD2014")
        assert (ref.mean, ref.sd) == (mean, sd)
        half = 1.96 * sd / math.sqrt(50)
        assert ref.lo == pytest.approx(mean - half, abs=0.02)
        assert ref.hi == pytest.approx(mean + half, abs=0.02)


def test_no_printed_mean_lies_outside_its_own_interval():
    # SWANSON2012 prints a mean of 2.4 with an interval of 1.7 to 2.1: such a value is not kept
    kept = [(e.id, r) for e in catalogue().values() for r in e.refs
            if None not in (r.mean, r.lo, r.hi)]  # fmt: skip
    assert len(kept) > 5
    assert all(r.lo <= r.mean <= r.hi for _, r in kept)


def test_the_femoral_axes_of_four_breeds_differ_by_nearly_the_same_at_both_ends():
    # TOMLINSON2007, rounded to degrees: aLPFA, mLPFA, aLDFA, mLDFA
    for a_prox, m_prox, a_dist, m_dist in ((103, 100, 97, 100), (98, 95, 97, 100),
                                           (101, 97, 94, 97), (96, 93, 98, 100)):  # fmt: skip
        assert abs((a_prox - m_prox) - (m_dist - a_dist)) <= 1
        printed = {r.mean for name, value in (("aLPFA", a_prox), ("mLPFA", m_prox),
                                              ("aLDFA", a_dist), ("mLDFA", m_dist))
                   for r in entry(name).refs
                   if r.source == "TOMLINSON2007" and r.mean == value}  # fmt: skip
        assert printed, "the catalogue has none of these printed values"


def test_plateau_angle_is_ninety_less_the_caudal_angle():
    points = {
        "tibial_intercondylar_centre": (250.0, 100.0), "talar_centre": (250.0, 480.0),
        "plateau_cranial": (100.0, 100.0), "plateau_caudal": (400.0, 174.5),
    }  # fmt: skip
    caudal = limb_measurement(BLANK, "mCdPTA", points).numbers[0]
    slope = limb_measurement(BLANK, "TPA", points).numbers[0]
    assert slope.value == pytest.approx(90 - caudal.value)
    assert slope.value == pytest.approx(math.degrees(math.atan2(74.5, 300)), abs=1e-6)


def test_every_construction_can_be_measured_and_names_its_landmarks():
    built = [e for e in catalogue().values() if e.construction]
    assert len(built) >= 36
    for found in built:
        names = found.construction.landmarks()
        assert all(explained(found.id).values())
        points = {n: (60.0 + 380 * (i % 2), 60.0 + 40 * i) for i, n in enumerate(names)}
        answer = limb_measurement(BLANK, found.id, points, "dog")
        assert answer.numbers[0].plus_minus > 0
        with pytest.raises(Refused, match="needs exactly"):
            limb_measurement(BLANK, found.id, {})


def test_a_value_is_called_outside_only_with_its_whole_uncertainty():
    found = entry("aMPRA")  # small dogs, verified: 80.86 with sd 2.86
    assert comparison(found, "dog", 81.0, 2.0).startswith("within")
    assert comparison(found, "dog", 88.0, 2.0).startswith("not separable")
    assert comparison(found, "dog", 95.0, 2.0).startswith("outside")
    assert "No verified" in comparison(found, "horse", 81.0, 2.0)


def test_values_from_memory_are_never_compared_with():
    assert "Fox" not in comparison(entry("aMPRA"), "dog", 82.0, 1.0)


@given(st.floats(-40, 40), st.floats(-40, 40), st.floats(50, 130))
def test_two_views_give_the_angle_in_space(x_degrees, y_degrees, between):
    x, y = math.tan(math.radians(x_degrees)), math.tan(math.radians(y_degrees))
    turn = math.radians(between)
    seen = math.degrees(math.atan(x * math.cos(turn) + y * math.sin(turn)))
    if abs(seen) > 80:
        return
    found = true_angulation(x_degrees, seen, between)
    assert found.numbers[0].value == pytest.approx(
        math.degrees(math.atan(math.hypot(x, y))), abs=1e-6
    )


def test_two_views_that_are_nearly_the_same_are_refused():
    with pytest.raises(NotMeasurable, match="too alike"):
        true_angulation(10, 10, between=15)


LEG = {
    "femoral_head_centre": (250.0, 20.0), "intercondylar_centre": (250.0, 240.0),
    "tibial_intercondylar_centre": (250.0, 250.0), "talar_centre": (210.0, 470.0),
}  # fmt: skip


@pytest.mark.parametrize(("lateral", "sign"), [((480.0, 240.0), 1), ((20.0, 240.0), -1)])
def test_a_tibia_that_leans_medially_is_varus_on_either_limb(lateral, sign):
    found = limb_measurement(BLANK, "mTFA", {**LEG, "lateral_side": lateral}).numbers[0]
    lean = math.degrees(math.atan2(40, 220))
    assert found.value == pytest.approx(sign * lean, abs=1e-6)


def test_an_angle_on_a_named_side_goes_on_beyond_180_degrees():
    points = {
        "axis_proximal": (250.0, 20.0), "axis_distal": (250.0, 230.0),
        "metacarpal_proximal": (250.0, 250.0), "metacarpal_distal": (290.0, 470.0),
    }  # fmt: skip
    lean = math.degrees(math.atan2(40, 220))
    palmar = limb_measurement(BLANK, "carpal_extension", {**points, "palmar_side": (20.0, 250.0)})
    dorsal = limb_measurement(BLANK, "eq_carpal_angles", {**points, "dorsal_side": (480.0, 250.0)})
    assert palmar.numbers[0].value == pytest.approx(180 + lean, abs=1e-6)
    assert dorsal.numbers[0].value == pytest.approx(180 - lean, abs=1e-6)


def test_the_sole_is_measured_across_the_ground_and_in_the_calibration_of_the_image():
    points = {"p3_tip": (100.0, 300.0), "ground_dorsal": (60.0, 400.0),
              "ground_palmar": (460.0, 400.0)}  # fmt: skip
    found = limb_measurement(BLANK, "sole_depth", points, "horse")
    assert found.numbers[0].value == pytest.approx(15.0)
    assert found.numbers[0].plus_minus > 1.96
    assert "not corrected for magnification" in found.calibration


def test_a_heel_that_is_higher_gives_a_positive_palmar_angle():
    ground = {"ground_dorsal": (60.0, 400.0), "ground_palmar": (460.0, 400.0)}
    foot = {"p3_tip": (100.0, 350.0), "solar_palmar": (400.0, 330.0)}
    value = limb_measurement(BLANK, "palmar_angle", {**ground, **foot}).numbers[0].value
    assert value == pytest.approx(math.degrees(math.atan2(20, 300)), abs=1e-6)


def test_translations_of_two_orthogonal_views_add_as_the_sides_of_a_right_angle():
    found = true_translation(3.0, 4.0, error=0.5).numbers[0]
    assert found.value == pytest.approx(5.0)
    assert 0.5 <= found.plus_minus <= 0.75
