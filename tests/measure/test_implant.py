"""A screw in a block of bone: its length, and a lucent rim beside it."""

import numpy as np
import pytest

from dicom_service.intake.model import Spacing
from dicom_service.measure import MeasureRequest, NotMeasurable, measure, picture, say
from dicom_service.measure.implant import implant
from test_pacs.phantom import BodyPlan, Projection, ViewPlan, build, take
from test_pacs.phantom.beam import transmitted
from test_pacs.phantom.bench import Bench
from test_pacs.phantom.detector import Detector
from test_pacs.phantom.metal import Plate, Screw
from tests.measure.conftest import shoot_bench

PIXEL = 0.15


def screw(length: float = 30.0, halo: float = 0.0, quanta: float = 1700.0, seed: int = 1):
    """A steel rod of 3.5 mm, its axis down the image; resorbed bone `halo` mm round it."""
    row, column = (np.indices((420, 400)) + 0.5) * PIXEL
    across, along = column - 30.0, row - 31.0
    inside = np.abs(along) < length / 2
    rod = np.where(inside, 2 * np.sqrt(np.maximum(1.75**2 - across**2, 0)), 0.0)
    hole = np.where(inside, 2 * np.sqrt(np.maximum((1.75 + halo) ** 2 - across**2, 0)), 0.0)
    bone = np.maximum(14.0 - hole, 0) * 0.35
    lengths = {"iron": rod, "cortical_bone": bone, "soft_tissue": 30.0 - rod - bone}
    detector, field = Detector(), np.ones(rod.shape)
    exposure = detector.exposed(transmitted(lengths), field, PIXEL, 1.0)
    detector = Detector(quanta=quanta)
    pixels = detector.read(exposure, field, PIXEL, np.random.default_rng(seed))
    return picture(pixels, Spacing(row_mm=PIXEL, column_mm=PIXEL, kind="fiducial"))


def ends(length: float, seed: int) -> list[tuple[float, float]]:
    wrong = np.random.default_rng(seed).normal(scale=0.7 / PIXEL, size=(2, 2))
    tips = np.array([(30.0, 31.0 - length / 2), (30.0, 31.0 + length / 2)]) / PIXEL + wrong
    return [(float(x), float(y)) for x, y in tips]


@pytest.mark.parametrize("length", [14.0, 30.0])
@pytest.mark.parametrize("quanta", [300.0, 6000.0])
def test_the_length_of_a_screw_is_within_its_error_whatever_the_clicks(length, quanta):
    found = implant(screw(length, quanta=quanta), *ends(length, seed=int(quanta)))
    number = found.number("length")
    assert abs(number.value - length) <= number.plus_minus
    assert abs(found.number("diameter").value - 3.5) <= found.number("diameter").plus_minus


@pytest.mark.parametrize("halo", [1.0, 2.0])
def test_resorbed_bone_round_a_screw_is_measured_on_both_sides(halo):
    found = implant(screw(halo=halo), *ends(30.0, seed=2))
    for side in ("halo_first", "halo_second"):
        number = found.number(side)
        assert not number.bound
        assert abs(number.value - halo) <= number.plus_minus


def test_a_screw_that_holds_has_no_halo_and_says_what_could_hide():
    found = implant(screw(), *ends(30.0, seed=3))
    assert found.number("halo_first").bound == "at most"
    assert found.number("halo_second").bound == "at most"


def test_bone_without_metal_and_clicks_beside_it_are_refused():
    pic = screw()
    with pytest.raises(NotMeasurable, match="metal"):
        implant(pic, (60.0, 100.0), (60.0, 300.0))
    asked = MeasureRequest(kind="implant", points=((60.0, 100.0), (60.0, 300.0)))
    assert measure(asked, pic).refusal


def _whole_bone(name: str, photometric: str):
    """An image of a dog's paw without metal, and clicks on both ends of one of its bones."""
    limb = build(BodyPlan())
    view = Projection(0.0, rows=620, columns=560, pixel=PIXEL, centre=limb.landmarks["MCP3"],
                      object_to_detector=40)  # fmt: skip
    plan = ViewPlan("DPa", projection=view, detector=Detector(photometric=photometric), letter="",
                    margin=(-9, -9, -9, -9))  # fmt: skip
    size = PIXEL / view.magnification
    spacing = Spacing(row_mm=size, column_mm=size, kind="fiducial")
    pic = picture(take(limb, plan, 1).pixels, spacing, inverted=photometric == "MONOCHROME1")
    bone = next(piece for piece in limb.bones() if piece.name == name)
    places = np.array([[0, 0, share * bone.length, 1] for share in (0.02, 0.98)])
    return pic, view.shown((places @ bone.frame.T)[:, :3]).tolist()


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
@pytest.mark.parametrize("name", ["p2_3", "p2_4"])
def test_a_slender_bone_is_no_implant(name, photometric):
    pic, (first, last) = _whole_bone(name, photometric)
    with pytest.raises(NotMeasurable, match="no denser or no sharper than bone"):
        implant(pic, tuple(first), tuple(last))


def _plated(over: float, turn: float, plate: bool = False, quanta: float = 1700.0):
    """A screw across a shaft, 11 mm beyond a joint: its tip stands `over` mm beyond the cortex."""
    u = np.array([-np.cos(turn), 0.0, np.sin(turn)])
    middle, half = np.array([0.0, 0.0, 12.0]), 9.0 / np.cos(turn)
    head, tip = middle - u * (half + 2.2), middle + u * (half + over)
    made = Screw(tuple(head), tuple(tip), 3.5)
    cover = Plate((10.2, 0, 0), (1.2, 5, 24)) if plate else None
    shot = shoot_bench(Bench(gap=2, texture=0.5, soft=9, screws=(made,), metal_plate=cover), quanta)
    spots = shot.view.shown(np.array([head, tip, (7.0, 0, 0), (-7.0, 0, 0)]))
    wrong = np.random.default_rng(4).normal(scale=0.6 / PIXEL, size=spots.shape)
    return shot, tuple((float(x), float(y)) for x, y in spots + wrong), 2 * half


@pytest.mark.parametrize(("over", "turn", "plate", "quanta"), [
    (2.0, 0.0, False, 1700), (-3.0, 0.2, False, 1700), (1.0, -0.2, True, 6000),
])  # fmt: skip
def test_a_screw_is_compared_with_the_bone_along_its_axis(over, turn, plate, quanta):
    shot, points, bone = _plated(over, turn, plate, quanta)
    found = implant(shot.pic, *points[:2])
    for name, true in (("bone", bone), ("beyond_first", 2.2), ("beyond_second", over)):
        assert abs(found.number(name).value - true) <= found.number(name).plus_minus, name
    assert {d.name for d in found.drawn} == {"implant", "the bone's edges"}


def test_the_distance_of_a_screw_from_a_joint_is_that_of_its_rim_from_the_margin():
    shot, points, _ = _plated(1.0, 0.0)
    found = measure(MeasureRequest(kind="implant", points=points), shot.pic)
    number = found.number("joint")
    assert abs(number.value - (12.0 - 1.75 - 1.0)) <= number.plus_minus
    assert number.plus_minus < 1.0


def test_a_joint_that_cannot_be_measured_is_taken_as_clicked_and_says_so():
    shot, points, _ = _plated(1.0, 0.0)
    aside = tuple((x, y + 150.0) for x, y in points[2:])  # on the shaft: no joint space there
    found = implant(shot.pic, *points[:2], *aside)
    assert found.number("joint").plus_minus > 2.0
    assert any("where it was clicked" in doubt for doubt in found.doubts)


def test_a_joint_clicked_only_in_part_leaves_its_distance_in_doubt():
    tilted = Screw((-10.5, 0, -16), (9, 0, -9), 3.5)
    shot = shoot_bench(Bench(gap=2.0, screws=(tilted,)), rows=480)
    screw_ends = tuple(map(tuple, shot.view.shown(np.array([tilted.head, tilted.tip]))))
    column, row = shot.middle
    partly, whole = (
        implant(shot.pic, *screw_ends, (column - reach, row), (column + reach, row))
        for reach in (20.0, 58.0)
    )
    assert say("metal.joint_end") in partly.doubts
    assert partly.number("joint").value > whole.number("joint").value + 1.0
    assert abs(whole.number("joint").value - 6.35) <= whole.number("joint").plus_minus


def test_metal_that_crosses_a_joint_has_no_distance_from_it():
    crossing = Screw((0.0, 0.0, -14.0), (0.0, 0.0, 14.0), 3.5)
    shot = shoot_bench(Bench(gap=2, soft=9, screws=(crossing,)))
    spots = shot.view.shown(np.array([crossing.head, crossing.tip, (7.0, 0, 0), (-7.0, 0, 0)]))
    found = implant(shot.pic, *(tuple(p) for p in spots.tolist()))
    assert found.number("joint").value == 0.0
    assert "the metal crosses the joint" in found.doubts
