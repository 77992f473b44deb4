"""Cat and horse, and what a body plan can switch on: each changes what it says and by how much."""

from dataclasses import replace

import numpy as np
import pytest

from test_pacs.phantom import (
    Ball,
    BodyPlan,
    Cavity,
    Detector,
    Fixed,
    Projection,
    Spur,
    ViewPlan,
    build,
    path_lengths,
    take,
)
from test_pacs.phantom.metal import Plate, Screw
from tests.test_pacs.thickness import bone_and_skin

HORSE = {"centre": (0.0, 40.0, 15.0), "rows": 275, "columns": 250, "pixel": 0.8}
CAT = {"centre": (0.0, 0.0, 22.0), "rows": 330, "columns": 200, "pixel": 0.3}
DOG = {"rows": 375, "columns": 250, "pixel": 0.6}


def _bone(limb, view):
    return path_lengths(limb, view)["cortical_bone"]


def _value(image, point):
    return float(image[int(point[1]), int(point[0])])


def test_the_digit_of_a_horse_has_its_bones_in_their_order() -> None:
    limb = build(BodyPlan(species="horse"))
    names = {piece.name for piece in limb.bones()}
    assert names == {"mc2", "mc3", "mc4", "p1_3", "p2_3", "p3_3", "navicular",
                     "sesamoid_3", "sesamoid_4"}  # fmt: skip
    down = [limb.landmarks[n][2] for n in ("MCP3", "p1_3", "PIP3", "p2_3", "DIP3", "p3_3")]
    assert down == sorted(down)
    # the navicular bone lies palmar of the joint between the last two
    assert limb.landmarks["navicular"][1] < limb.landmarks["DIP3"][1] - 10


def test_a_cat_is_less_than_half_as_large_as_a_dog_and_closes_its_physes_later() -> None:
    cat, dog = (build(BodyPlan(species=s, age_months=12)) for s in ("cat", "dog"))
    assert cat.landmarks["MCP3"][2] < 0.5 * dog.landmarks["MCP3"][2]
    assert "physis_radius" in cat.landmarks
    assert "physis_radius" not in dog.landmarks
    # the claw is drawn back: the last phalanx points dorsally, the second palmarly
    claws = {p.name: p for p in cat.bones()}
    assert claws["p3_3"].frame[1, 2] > 0.1 > -0.1 > claws["p2_3"].frame[1, 2]


@pytest.mark.parametrize("species", ["cat", "horse"])
@pytest.mark.parametrize("azimuth", [0.0, -90.0])
def test_bones_of_cat_and_horse_lie_within_the_skin(species, azimuth) -> None:
    limb = build(BodyPlan(species=species))
    view = Projection(azimuth, **(CAT if species == "cat" else HORSE))
    bone, skin = bone_and_skin(limb, view)
    assert bone.max() > 3
    assert np.mean(bone[bone > 0] <= skin[bone > 0] + 1e-6) > 0.995


@pytest.mark.parametrize("species", ["dog", "cat", "horse"])
def test_flexion_turns_the_digit_by_its_degrees(species) -> None:
    def along(flexion):
        limb = build(BodyPlan(species=species, flexion=flexion))
        return next(p for p in limb.bones() if p.name == "p1_3").frame[:3, 2]

    straight, flexed = along(0.0), along(25.0)
    cosine = straight @ flexed / np.linalg.norm(straight) / np.linalg.norm(flexed)
    assert np.degrees(np.arccos(cosine)) == pytest.approx(25, abs=1e-6)
    assert flexed[1] < straight[1]


def test_a_narrowed_joint_brings_the_next_bone_nearer_by_so_much() -> None:
    plain, worn = (build(BodyPlan(species="horse", narrowed=n)) for n in ((), (("PIP3", 1.2),)))
    moved = np.subtract(plain.landmarks["p2_3"], worn.landmarks["p2_3"])
    assert np.linalg.norm(moved) == pytest.approx(1.2, abs=1e-9)
    assert plain.landmarks["p1_3"] == worn.landmarks["p1_3"]


def test_a_spur_adds_bone_and_a_cavity_takes_it_where_they_are_said_to_lie() -> None:
    view = Projection(0.0, **DOG)
    spur, cavity = Spur("p1_3", (6.0, 0.0, 3.0)), Cavity("radius", (2.0, 0.0, 78.0), 2.0, rim=0.0)
    plain, ill = (build(BodyPlan(lesions=x)) for x in ((), (spur, cavity)))
    before, after = _bone(plain, view), _bone(ill, view)
    shown = [view.shown(np.array(ill.landmarks[f"lesion_{n}"])) for n in (0, 1)]
    assert _value(after, shown[0]) - _value(before, shown[0]) > 1.5
    assert _value(after, shown[1]) < _value(before, shown[1]) - 0.2
    untouched = np.hypot(*(np.indices(before.shape)[::-1] - shown[0][:, None, None])) > 12
    untouched &= np.hypot(*(np.indices(before.shape)[::-1] - shown[1][:, None, None])) > 12
    np.testing.assert_allclose(after[untouched], before[untouched])


def test_a_screw_a_plate_and_a_ball_are_steel_of_their_size() -> None:
    view = Projection(0.0, **DOG)
    plan = BodyPlan(
        lesions=(Fixed("mc3", Screw((6, 0, 30), (-6, 0, 30), 2.5)),
                 Fixed("mc3", Plate((0, 6, 30), (2, 0.7, 15)))),
        balls=(Ball((45, 0, 20), 12.0),),
    )  # fmt: skip
    limb = build(plan)
    metal = path_lengths(limb, view)["iron"]
    assert metal.max() == pytest.approx(12.0, abs=0.1)
    assert sum(p.tissue == "metal" for p in limb.pieces) == 3
    ball = next(p for p in limb.pieces if p.name == "ball")
    at = view.shown(np.array(ball.centre))
    row = metal[int(at[1])]
    wide = np.flatnonzero(row[int(at[0]) - 25 : int(at[0]) + 25] > 0).size * view.pixel
    assert wide == pytest.approx(12.0 * view.magnification, abs=1.3)
    # a hole was drilled for the screw: nowhere is there more in the bone than without it
    assert np.all(_bone(limb, view) <= _bone(build(BodyPlan()), view) + 1e-9)


@pytest.mark.parametrize("plan", [
    BodyPlan(species="horse", narrowed=(("PIP1", 1.0),)),
    BodyPlan(lesions=(Spur("navicular", (0, 0, 0)),)),
])  # fmt: skip
def test_a_plan_that_names_what_this_species_has_not_is_refused(plan) -> None:
    with pytest.raises(ValueError, match="no bone, joint or sesamoid"):
        build(plan)


@pytest.mark.parametrize("bits", [10, 14, 16])
def test_other_bit_depths_show_the_same_image_more_or_less_finely(bits) -> None:
    view = Projection(0.0, **{**DOG, "rows": 120, "columns": 120})
    plan = ViewPlan("DPa", projection=view, letter="", detector=Detector(bits=12))
    limb = build(BodyPlan())
    twelve = take(limb, plan, 3).pixels.astype(float)
    other = take(limb, replace(plan, detector=Detector(bits=bits)), 3).pixels / 2.0 ** (bits - 12)
    assert other.max() < 2**12
    np.testing.assert_allclose(other, twelve, atol=3.1 if bits < 12 else 1.0)
