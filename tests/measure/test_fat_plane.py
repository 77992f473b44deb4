"""The fat plane: what is seen of it, how far from the bone, and what its place is evidence for."""

import numpy as np
import pytest

from dicom_service.measure import MeasureRequest, NotMeasurable, measure
from dicom_service.measure.fat_plane import fat_plane
from test_pacs.phantom.bench import Bench, FatPlane, plane_distance
from tests.measure.conftest import shoot_fat


def _truth(shot, fat, along):
    return plane_distance(shot.limb, Bench(soft=11, fat=fat), np.asarray(along))


@pytest.fixture(scope="module")
def sound():
    shot, points = shoot_fat(FatPlane(3.5), seed=3)
    return fat_plane(shot.pic, points)


@pytest.mark.parametrize(("distance", "quanta", "side"), [(3, 1700, 1), (5, 6000, -1)])
def test_the_plane_lies_as_far_from_the_bone_as_the_sheet_of_the_phantom(distance, quanta, side):
    shot, points = shoot_fat(FatPlane(distance), quanta, side=side)
    found = fat_plane(shot.pic, points)
    for name in ("distance", "distance_joint"):
        assert abs(found.number(name).value - distance) <= found.number(name).plus_minus
    assert found.number("continuity").value > 0.95


@pytest.mark.parametrize("gone", [(10.0, 20.0), (-24.0, -9.0)])
def test_the_share_that_is_seen_and_the_longest_gap_are_those_of_the_phantom(gone):
    fat = FatPlane(4, thickness=1.6, gone=(gone,))
    shot, points = shoot_fat(fat)
    found = fat_plane(shot.pic, points)
    true = np.isfinite(_truth(shot, fat, found.profiles[0].along))
    share, gap = found.number("continuity"), found.number("longest_gap")
    assert abs(share.value - true.mean()) <= share.plus_minus
    assert abs(gap.value - (gone[1] - gone[0])) <= gap.plus_minus


def test_a_plane_pushed_away_at_the_joint_supports_fluid_in_the_joint(sound):
    fat = FatPlane(3.5, effusion=3.0)
    shot, points = shoot_fat(fat, seed=5)
    found = fat_plane(shot.pic, points, sound)
    assert found.word == "intracapsular supported", found.why
    along = np.array(found.profiles[0].along)
    true = np.median(_truth(shot, fat, along[np.abs(along) <= 5])) - 3.5
    moved = found.number("displacement")
    assert abs(moved.value - true) <= moved.plus_minus
    assert "no source (C)" in " ".join(found.doubts)


def test_swelling_outside_a_plane_that_stayed_supports_extracapsular(sound):
    shot, points = shoot_fat(FatPlane(3.5, swelling=3.0), seed=6)
    found = fat_plane(shot.pic, points, sound)
    assert found.word == "extracapsular supported", found.why


@pytest.mark.parametrize("fat", [
    FatPlane(3.5), FatPlane(3.5, effusion=2.5, reach=400.0),
    FatPlane(3.5, swelling=3.0, gone=((-26.0, -6.0), (8.0, 26.0))),
])  # fmt: skip
def test_a_sound_a_moved_and_an_effaced_plane_say_nothing(sound, fat):
    shot, points = shoot_fat(fat, seed=7)
    asked = MeasureRequest(kind="fat_plane", points=points)
    assert measure(asked, shot.pic, sound).word in ("cannot tell", "")


def test_without_a_control_there_are_numbers_and_no_word(sound):
    assert sound.word == "cannot tell"
    assert "no control" in sound.why


@pytest.mark.parametrize("quanta", [300.0, 1700.0, 20000.0])
def test_tissue_without_fat_has_no_fat_plane(quanta):
    shot, points = shoot_fat(None, quanta)
    with pytest.raises(NotMeasurable, match="dark line"):
        fat_plane(shot.pic, points)


def test_lines_that_are_short_at_the_border_or_far_from_bone_are_refused():
    shot, points = shoot_fat(FatPlane(3))
    with pytest.raises(NotMeasurable, match="10 to 200 mm"):
        fat_plane(shot.pic, (points[1], (points[1][0], points[1][1] + 20)))
    with pytest.raises(NotMeasurable, match="border"):
        fat_plane(shot.pic, ((4.0, 100.0), (4.0, 300.0)))
    with pytest.raises(NotMeasurable):
        fat_plane(shot.pic, ((25.0, 60.0), (27.0, 400.0)))  # in the air
    with pytest.raises(NotMeasurable):
        fat_plane(shot.pic, ((200.0, 60.0), (200.0, 400.0)))  # on the bone
