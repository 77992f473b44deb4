"""Where bones cannot be told apart, or are seen over a short stretch only: what the skin allows."""

import numpy as np
import pytest

from dicom_service.measure.outline import ROW
from dicom_service.measure.swelling import swelling_profile
from dicom_service.measure.swelling_control import _judge
from test_pacs.phantom import BodyPlan, Projection, build
from tests.measure.conftest import PIXEL, shoot, true_edge
from tests.measure.test_one_sided import PIC


def test_a_limb_whose_bones_are_lost_has_no_thickness_and_is_compared_by_its_skin():
    # an edge in a horse's soft tissue could be that of a fainter bone
    view = Projection(2.2, rows=900, columns=1000, pixel=PIXEL, centre=(0, 0, 0),
                      object_to_detector=115.0)  # fmt: skip
    shot = shoot(build(BodyPlan(species="horse", size=1.1)), "MCP3", view, 6000.0, 5000)
    found = swelling_profile(shot.pic, shot.middle)
    assert [number.id for number in found.numbers] == ["skin_width"]
    assert "of the skin alone" in " ".join(found.doubts)
    assert not any(v for profile in found.profiles[:2] for v in profile.values)
    axis = np.array([shot.pic.mm(shot.middle)]) + np.arange(-30, 30, 0.5)[:, None] * [0, 1]
    normals = np.tile([1.0, 0.0], (len(axis), 1))
    first, second = (true_edge(shot, axis, normals, side, bone=False) for side in (0, 1))
    width = found.profiles[2]
    near = np.abs(np.array(width.along)) < 30
    seen = np.array(width.values, float)[near]
    assert np.median(seen) == pytest.approx(np.median(second - first), abs=0.42)
    assert swelling_profile(shot.pic, shot.middle, found).word == "normal-like"


@pytest.mark.parametrize(("stretch", "word"), [(18.0, "normal-like"), (34.0, "cannot tell")])
def test_bones_that_are_narrower_over_a_short_stretch_are_an_outline_that_lost_one(
    carpus, stretch, word
):
    control = swelling_profile(carpus.pic, carpus.middle)
    bones = control.profiles[4]
    known = np.array([v is not None for v in bones.values])
    kept = known & (np.cumsum(known) * 2 * ROW <= stretch)
    narrow = tuple(0.7 * v if v and k else None for v, k in zip(bones.values, kept, strict=True))
    changed = bones.model_copy(update={"values": narrow})
    profiles = (*control.profiles[:4], changed, *control.profiles[5:])
    found = swelling_profile(
        carpus.pic, carpus.middle, control.model_copy(update={"profiles": profiles})
    )
    assert found.word == word
    assert ("bones differ" in found.why) == (word == "cannot tell")


@pytest.mark.parametrize(("height", "base", "word"), [(2.0, -0.3, "focal"), (1.6, 0.0, "untold")])
def test_one_side_needs_twice_the_error_of_an_excess_above_its_surroundings(height, base, word):
    along = np.arange(-45, 45, ROW)
    bulge = height * np.exp(-(((along - 13) / 8.5) ** 2))
    assert _judge(PIC, along, base + bulge, -0.5 * bulge).word.id == f"verdict.{word}"
