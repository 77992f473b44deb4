"""The swelling profile: outlines against the geometry of the phantom, words only with a control."""

import numpy as np
import pytest

from dicom_service.intake.model import Spacing
from dicom_service.measure import NotMeasurable, measure, picture
from dicom_service.measure.limb import find_limb
from dicom_service.measure.outline import trace
from dicom_service.measure.request import MeasureRequest
from dicom_service.measure.swelling import swelling_profile
from test_pacs.phantom import BodyPlan, Projection, Swelling, build
from tests.measure.conftest import PIXEL, shoot, shoot_carpus, true_edge


def _errors(shot):
    lines = trace(shot.pic, find_limb(shot.pic))
    skin, bone = [], []
    for side in (0, 1):
        sign = 2 * side - 1
        true_skin = true_edge(shot, lines.axis, lines.normals, side, bone=False)
        true_bone = true_edge(shot, lines.axis, lines.normals, side, bone=True)
        skin.append(sign * (lines.skin[:, side] - true_skin))
        bone.append(sign * (lines.bone[:, side] - true_bone))
    return np.array(skin), np.array(bone)


def test_skin_and_bone_lie_where_the_rays_first_meet_them(carpus):
    skin, bone = _errors(carpus)
    half_pixel = 0.5 * carpus.pic.fine
    assert np.nanmedian(np.abs(skin)) < half_pixel
    assert np.nanmedian(np.abs(bone - np.nanmedian(bone))) < 1.2 * half_pixel
    assert abs(np.nanmedian(bone)) < 0.2
    assert np.nanpercentile(np.abs(bone), 95) < 0.35


def test_rows_that_are_far_wrong_are_refused_and_not_drawn(carpus):
    _, bone = _errors(carpus)
    known = np.isfinite(bone)
    assert 0.4 < known.mean() < 1.0
    assert np.mean(np.abs(bone[known]) > 1.0) < 0.01


SHAPES = {
    "normal-like": (),
    "diffuse": (Swelling("antebrachiocarpal", 2.5, 400.0),),
    "joint-centred": (Swelling("antebrachiocarpal", 2.5, 14.0),),
}


@pytest.mark.parametrize("word", SHAPES)
@pytest.mark.parametrize(("azimuth", "quanta"), [(0.0, 1700.0), (5.0, 300.0)])
def test_against_the_other_limb_a_swelling_of_2_5_mm_gets_its_word(carpus, word, azimuth, quanta):
    control = swelling_profile(carpus.pic, carpus.middle)
    shot = shoot_carpus(SHAPES[word], azimuth, quanta, seed=7)
    found = swelling_profile(shot.pic, shot.middle, control)
    assert found.word == word, found.why
    assert found.why


def test_a_swelling_on_one_side_is_never_called_joint_centred_or_diffuse(carpus):
    control = swelling_profile(carpus.pic, carpus.middle)
    shot = shoot_carpus((Swelling("antebrachiocarpal", 3.5, 9.0, lateral_only=True),), seed=5)
    found = swelling_profile(shot.pic, shot.middle, control)
    assert found.word in ("focal", "cannot tell")
    assert found.number("lean").value < -0.6  # lateral is to the left in a right limb's DPa


def test_a_limb_that_is_not_seen_far_enough_is_not_called_normal(carpus):
    control = swelling_profile(carpus.pic, carpus.middle)
    size = carpus.pic.size[0]
    end = round(carpus.middle[1] + 22 / size)
    cut = picture(carpus.pixels[:end], Spacing(row_mm=size, column_mm=size, kind="fiducial"))
    found = swelling_profile(cut, carpus.middle, control)
    assert found.number("excess").value < 1.4
    assert found.word == "cannot tell"
    assert "not 30 mm far on both sides" in found.why


def test_without_a_control_there_are_numbers_and_no_word(carpus):
    found = swelling_profile(carpus.pic, carpus.middle)
    assert found.word == "cannot tell"
    assert "no control" in found.why
    assert found.numbers[0].plus_minus == pytest.approx(0.3)


def test_burnt_out_skin_gives_a_lower_bound_and_no_word(carpus):
    # grey values below 700 (skin and air) are lost
    clipped = np.maximum(carpus.pixels, 700)
    size = carpus.pic.size[0]
    spacing = Spacing(row_mm=size, column_mm=size, kind="fiducial")
    found = measure(
        MeasureRequest(kind="swelling_profile", points=(carpus.middle,)),
        picture(clipped, spacing),
        swelling_profile(carpus.pic, carpus.middle),
    )
    assert found.word == "cannot tell"
    assert found.numbers[0].bound == "at least"
    assert "lower bound" in " ".join(found.doubts)


def test_two_limbs_in_one_image_are_refused(carpus):
    both = np.hstack([carpus.pixels[:, 60:-60], carpus.pixels[:, 60:-60]])
    with pytest.raises(NotMeasurable, match="Two limbs"):
        swelling_profile(picture(both, Spacing(row_mm=0.15, column_mm=0.15, kind="detector")))


def test_an_image_without_limb_is_refused():
    noise = np.random.default_rng(0).normal(300, 5, (400, 400))
    with pytest.raises(NotMeasurable, match="limb"):
        swelling_profile(picture(noise, Spacing(row_mm=0.3, column_mm=0.3, kind="detector")))


def test_a_limb_that_fills_the_field_is_refused(carpus):
    tight = carpus.pixels[:, 215:345]
    with pytest.raises(NotMeasurable):
        swelling_profile(picture(tight, Spacing(row_mm=0.15, column_mm=0.15, kind="detector")))


def test_a_joint_marked_beside_the_limb_is_refused(carpus):
    with pytest.raises(NotMeasurable, match="outside the limb"):
        swelling_profile(carpus.pic, (5.0, carpus.middle[1]))


@pytest.mark.parametrize(
    ("species", "joint", "azimuth", "word"),
    [("horse", "MCP3", 90.0, "cannot tell"), ("cat", "antebrachiocarpal", 0.0, "normal-like")],
)
def test_rows_across_a_limb_that_bends_at_the_joint_are_not_compared(species, joint, azimuth, word):
    view = Projection(azimuth, rows=900, columns=960, pixel=PIXEL, centre=(0, 0, 0))
    shot = shoot(build(BodyPlan(species=species)), joint, view, 1700.0, 1)
    control = swelling_profile(shot.pic, shot.middle)
    found = swelling_profile(shot.pic, shot.middle, control)
    assert found.word == word
    bent = "the limb bends by" in found.why
    assert bent == (species == "horse")
    assert any(number.id == "excess" for number in found.numbers) != bent
