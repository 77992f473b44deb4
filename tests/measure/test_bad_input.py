"""Bad input: a reason, never a wrong number, never a crash. One test for each kind.

Bad files, as the command line and the panel meet them, stand in `bad_files.py`.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from dicom_service.intake.model import Spacing
from dicom_service.measure import MeasureRequest, NotMeasurable, measure, picture
from dicom_service.workflow.loading import load
from test_pacs.phantom.bench import Bench
from test_pacs.phantom.metal import Plate, Screw
from test_pacs.studies import small_study
from tests.measure.conftest import shoot_bench

SQUARE = Spacing(row_mm=0.15, column_mm=0.15, kind="detector")
ALL = ("joint_space", "lucent_line", "shaft_axis", "implant", "fat_plane", "swelling_profile")


def _asked(kind, pic, *points):
    return measure(MeasureRequest(kind=kind, points=points), pic)


def _profile(pixels, spacing=SQUARE):
    return _asked("swelling_profile", picture(pixels, spacing))


def test_an_image_without_a_limb_has_no_profile_and_no_axis():
    empty = np.random.default_rng(0).normal(300, 5, (400, 400))
    found = _profile(empty)
    assert not found.numbers
    assert "limb" in found.refusal or "background" in found.refusal


def test_two_limbs_are_told_from_one(carpus):
    found = _profile(np.hstack([carpus.pixels[:, 60:-60]] * 2))
    assert not found.numbers
    assert "Two limbs" in found.refusal


@pytest.mark.parametrize("part", [slice(0, 330), slice(230, 560), slice(200, 560)])
def test_a_limb_that_leaves_the_field_on_one_side_has_no_profile(carpus, part):
    found = _profile(carpus.pixels[:, part])
    assert not found.numbers
    assert "leave the field" in found.refusal


def test_burnt_out_skin_leaves_a_lower_bound_of_the_thickest_place_and_no_more(carpus):
    plain, burnt = (
        _asked("swelling_profile", picture(pixels, SQUARE), carpus.middle)
        for pixels in (carpus.pixels, np.maximum(carpus.pixels, 700))
    )
    assert [n.id for n in burnt.numbers] == ["thickest", "bone_width"]
    assert burnt.numbers[0].bound == "at least"
    assert 1.0 < burnt.numbers[0].value <= plain.number("thickest").value


METAL = {
    "a screw across it": {"screws": (Screw((9, 0, -12), (-9, 0, 12), 3.5),)},
    "a thin pin across it": {"screws": (Screw((5, 0, -14), (-3, 0, 14), 2.0),)},
    "a pin along the limb": {"screws": (Screw((0, 0, -30), (0, 0, 30), 2.5),)},
    "a plate over it": {"metal_plate": Plate((0, 8, 0), (4, 0.8, 18))},
}


@pytest.mark.parametrize("metal", METAL)
@pytest.mark.parametrize("reach", [32, 45])
def test_a_joint_under_an_implant_has_no_width(metal, reach):
    shot = shoot_bench(Bench(gap=2, soft=9, **METAL[metal]))
    column, row = shot.middle
    found = _asked("joint_space", shot.pic, (column - reach, row + 2), (column + reach, row - 1))
    assert found.refusal
    assert not found.numbers


@pytest.mark.parametrize("kind", ["joint_space", "lucent_line", "implant"])
@pytest.mark.parametrize("beside", [72, -100, 120])
def test_clicks_off_the_bone_measure_nothing(kind, beside):
    shot = shoot_bench(Bench(gap=2))
    column, row = shot.middle
    found = _asked(kind, shot.pic, (column + beside, row - 60), (column + beside, row + 60))
    assert found.refusal
    assert not found.numbers


def test_a_colour_image_and_a_loop_are_refused_before_they_are_decoded(tmp_path):
    for said, change in (
        ("in colour", {"SamplesPerPixel": 3, "PhotometricInterpretation": "RGB"}),
        ("5 frames", {"NumberOfFrames": 5}),
    ):
        data = small_study(views=("DPa",))[0]
        data.update(_set(change))
        path = tmp_path / "bad.dcm"
        data.save_as(path, enforce_file_format=True)
        with pytest.raises(NotMeasurable, match=said):
            load(path)


def _set(values):
    made = Dataset()
    for keyword, value in values.items():
        setattr(made, keyword, value)
    return made


@pytest.mark.parametrize("mm", [0.0, float("nan"), float("inf"), -1.0])
@pytest.mark.parametrize("kind", ALL)
def test_without_a_usable_spacing_there_are_no_millimetres(kind, mm):
    shot = shoot_bench(Bench(gap=2))
    column, row = shot.middle
    pic = picture(shot.pixels, Spacing(row_mm=mm, column_mm=mm, kind="fiducial"))
    points = () if kind == "swelling_profile" else ((column - 30, row), (column + 30, row))
    found = measure(MeasureRequest(kind=kind, points=points), pic)
    assert not {n.unit for n in found.numbers} & {"mm", "mm2"}


@pytest.mark.parametrize("shape", [(1, 1), (1, 3000), (63, 500)])
def test_an_image_of_one_or_a_few_pixels_is_too_small(shape):
    with pytest.raises(NotMeasurable, match="too small"):
        picture(np.zeros(shape), SQUARE)


def test_an_image_of_20000_pixels_a_side_is_refused_without_a_copy():
    with pytest.raises(NotMeasurable, match="too large"):
        picture(np.broadcast_to(np.uint16(1), (20_000, 20_000)), SQUARE)


@settings(max_examples=30, deadline=None)
@given(
    kind=st.sampled_from(ALL), bad=st.sampled_from([float("nan"), float("inf"), -1e9, 1e9]),
    reach=st.integers(0, 200),
)  # fmt: skip
def test_points_that_are_no_places_are_refused(kind, bad, reach):
    shot = _bench()
    column, row = shot.middle
    try:
        request = MeasureRequest(kind=kind, points=((bad, row), (column + reach, row)))
    except ValueError:
        return
    assert measure(request, shot.pic).refusal


_SHOTS = []


def _bench():
    if not _SHOTS:
        _SHOTS.append(shoot_bench(Bench(gap=2)))
    return _SHOTS[0]
