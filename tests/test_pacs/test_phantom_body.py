"""The limb: its bones, its lesions, and the picture of it."""

import time

import numpy as np
import pytest

from test_pacs.phantom import (
    BodyPlan,
    Detector,
    Fracture,
    Projection,
    Swelling,
    ViewPlan,
    build,
    path_lengths,
    take,
)
from test_pacs.phantom.detector import field_of_view
from test_pacs.phantom.marker import lead_thickness
from test_pacs.phantom.parts import trace
from test_pacs.phantom.truth import truth_of
from tests.test_pacs.thickness import bone_and_skin

COARSE = {"rows": 375, "columns": 250, "pixel": 0.6}
DPA = Projection(0.0, **COARSE)
ML = Projection(-90.0, **COARSE)


@pytest.fixture(scope="module")
def sound():
    return build(BodyPlan())


def at(image: np.ndarray, point: tuple[float, float]) -> float:
    """The pixel that holds an image point."""
    return float(image[int(point[1]), int(point[0])])


def test_a_manus_has_all_its_bones(sound) -> None:
    names = [bone.name for bone in sound.bones()]
    assert len([n for n in names if n.startswith("mc")]) == 5
    assert len([n for n in names if n.startswith(("p1_", "p2_", "p3_"))]) == 14
    assert {f"sesamoid_{n}" for n in range(1, 9)} | {"sesamoid_digit1"} <= set(names)
    assert len([n for n in names if n.startswith("dorsal_sesamoid")]) == 4
    carpal = {"radial_carpal", "ulnar_carpal", "accessory_carpal"} | {f"carpal_{n}" for n in "1234"}
    assert carpal | {"radius", "ulna", "abductor_sesamoid"} <= set(names)


@pytest.mark.parametrize("view", [DPA, ML], ids=["DPa", "ML"])
@pytest.mark.parametrize(
    "plan", [BodyPlan(), BodyPlan(age_months=5, size=0.8)], ids=["adult", "pup"]
)
def test_bones_lie_within_the_skin(view: Projection, plan: BodyPlan) -> None:
    limb = build(plan)
    bone, skin = bone_and_skin(limb, view)
    assert bone.max() > 10
    outside = (bone > skin + 0.3).sum() / (bone > 0).sum()
    assert outside < 0.002


def test_path_lengths_are_never_negative_and_add_up_to_the_limb(sound) -> None:
    lengths = path_lengths(sound, DPA)
    assert min(float(v.min()) for v in lengths.values()) > -1e-6
    thickness = sum(lengths.values())
    assert 20 < float(thickness.max()) < 60


def test_the_shaft_is_bright_at_its_edges_and_thinner_in_the_middle(sound) -> None:
    view = Projection(0.0)
    mineral = path_lengths(sound, view)["cortical_bone"]
    truth = truth_of(sound, view, "DPa")
    column, row = truth.image["mc3"]
    line = mineral[int(row), int(column) - 45 : int(column) + 46]
    middle = line[40:51].mean()
    assert line.max() > 1.3 * middle > 1.0


def test_the_joint_space_is_free_of_bone_between_two_bony_margins(sound) -> None:
    view = Projection(0.0)
    mineral = path_lengths(sound, view)["cortical_bone"]
    truth = truth_of(sound, view, "DPa")
    for joint in ("antebrachiocarpal", "DIP3"):
        column, row = (int(v) for v in truth.image[joint])
        line = mineral[row - 20 : row + 21, column]
        space = int(line.argmin())
        assert line[space] < 0.05
        assert line[:space].max() > 2
        assert line[space:].max() > 2


def test_the_accessory_carpal_bone_stands_out_palmarly_on_the_lateral_view(sound) -> None:
    truth = truth_of(sound, ML, "ML")
    # a right limb seen from medial: palmar is to the right of the image
    assert truth.image["accessory_carpal"][0] > truth.image["radial_carpal"][0] + 10 / ML.pixel


def test_palmar_sesamoids_are_paired_behind_each_metacarpophalangeal_joint(sound) -> None:
    for digit, pair in ((2, (1, 2)), (3, (3, 4)), (4, (5, 6)), (5, (7, 8))):
        joint = np.array(sound.landmarks[f"MCP{digit}"])
        for number in pair:
            place = np.array(sound.landmarks[f"sesamoid_{number}"])
            assert place[1] < joint[1] - 3  # palmar of the joint
            assert np.linalg.norm(place - joint) < 12
        medial, lateral = (sound.landmarks[f"sesamoid_{n}"][0] for n in pair)
        assert medial < lateral


def test_a_fracture_leaves_a_gap_and_moves_what_hangs_on_it(sound) -> None:
    broken = build(BodyPlan(fractures=(Fracture("p1_4", at=0.6, gap=0.8),)))
    view = Projection(0.0)
    truth = truth_of(broken, view, "DPa")
    column, row = (int(v) for v in truth.image["fracture_p1_4"])
    for limb, expected in ((sound, False), (broken, True)):
        mineral = path_lengths(limb, view)["cortical_bone"]
        gap = bool(mineral[row - 6 : row + 7, column].min() < 0.01)
        assert gap is expected
    shift = broken.landmarks["p3_4"][0] - sound.landmarks["p3_4"][0]
    assert shift > 0.5
    assert broken.landmarks["p3_3"] == sound.landmarks["p3_3"]


def test_growth_plates_are_open_in_a_pup_and_closed_in_an_adult(sound) -> None:
    pup = build(BodyPlan(age_months=5))
    assert "physis_radius" in pup.landmarks
    assert "physis_radius" not in sound.landmarks
    view = Projection(0.0)
    column, row = (int(v) for v in truth_of(pup, view, "DPa").image["physis_radius"])
    for limb, expected in ((pup, True), (sound, False)):
        mineral = path_lengths(limb, view)["cortical_bone"]
        assert bool(mineral[row - 8 : row + 9, column].min() < 0.01) is expected


def test_growth_plates_close_at_their_own_ages() -> None:
    at_nine = build(BodyPlan(age_months=9)).landmarks
    assert "physis_radius" in at_nine
    assert "physis_mc3" not in at_nine
    assert "physis_accessory_carpal" not in build(BodyPlan(age_months=5)).landmarks


def test_a_swelling_widens_the_soft_tissue_at_its_joint_only(sound) -> None:
    swollen = build(BodyPlan(swellings=(Swelling("antebrachiocarpal", 6.0),)))
    truth = truth_of(sound, DPA, "DPa")

    def width(limb, landmark: str) -> float:
        rays, row = DPA.rays(), int(truth.image[landmark][1])
        total = np.zeros(DPA.columns)
        for strip in trace(limb.union("skin"), DPA, rays):
            if strip.rows.start <= row < strip.rows.stop:
                total[strip.columns] = strip.outer[row - strip.rows.start]
        return float((total > 0).sum() * DPA.pixel / DPA.magnification)

    assert width(swollen, "antebrachiocarpal") - width(sound, "antebrachiocarpal") > 8
    assert width(swollen, "p1_3") == width(sound, "p1_3")


def test_a_swelling_on_one_side_of_a_fetlock_reaches_the_pastern_on_that_side_alone() -> None:
    swellings = (Swelling("MCP3", 6.0, 400.0, lateral_only=True),)
    view = Projection(0.0, rows=220, columns=240, pixel=0.6, centre=(0, 0, 30))

    def sides(plan: BodyPlan) -> np.ndarray:
        hit = sum(path_lengths(build(plan), view).values()) > 0
        rows = hit[[60, 100, 140]]  # above the joint, at the pastern's beginning, on it
        return np.stack([rows.argmax(axis=1), rows[:, ::-1].argmax(axis=1)])

    lateral, medial = sides(BodyPlan(species="horse")) - sides(
        BodyPlan(species="horse", swellings=swellings)
    )
    assert (lateral * view.pixel > 4.5).all()
    assert (np.abs(medial) * view.pixel < 1.5).all()


def test_a_bipartite_sesamoid_is_two_pieces_of_the_same_bone() -> None:
    limb = build(BodyPlan(bipartite=(7,)))
    names = [bone.name for bone in limb.bones()]
    assert names.count("sesamoid_7") == 2
    assert names.count("sesamoid_2") == 1


@pytest.mark.parametrize(
    "plan",
    [
        BodyPlan(fractures=(Fracture("femur"),)),
        BodyPlan(swellings=(Swelling("stifle", 3),)),
        BodyPlan(bipartite=(12,)),
    ],
)
def test_a_plan_that_names_what_the_limb_has_not_is_refused(plan: BodyPlan) -> None:
    with pytest.raises(ValueError, match="no bone, joint or sesamoid called"):
        build(plan)


def test_the_same_seed_gives_the_same_pixels_and_another_seed_other_noise(sound) -> None:
    plan = ViewPlan("DPa", "R", DPA)
    first, again, other = (take(sound, plan, seed).pixels for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_a_full_image_takes_less_than_the_budget(sound) -> None:
    start = time.process_time()
    take(sound, ViewPlan("DPa", "R", Projection(0.0)), 1)
    assert time.process_time() - start < 8  # 1.5 s on an idle core of 2026


def test_more_dose_means_less_noise_in_the_expected_proportion() -> None:
    flat = np.full((200, 200), 0.5)
    noise = {}
    for quanta in (500.0, 5000.0):
        detector = Detector(quanta=quanta)
        values = detector.read(flat, np.ones_like(flat), 0.15, np.random.default_rng(3)).astype(
            float
        )
        noise[quanta] = values.std() / detector.gain
    # relative noise of a Poisson count is 1 / sqrt(n)
    assert noise[500.0] == pytest.approx(1 / np.sqrt(250), rel=0.05)
    assert noise[500.0] / noise[5000.0] == pytest.approx(np.sqrt(10), rel=0.05)


def test_monochrome_1_is_the_inverse_of_monochrome_2() -> None:
    exposure = np.linspace(0.05, 1, 400).reshape(20, 20)
    pixels = [
        Detector(photometric=name)
        .read(exposure, np.ones_like(exposure), 0.15, np.random.default_rng(1))
        .astype(int)
        for name in ("MONOCHROME1", "MONOCHROME2")
    ]
    assert np.all(pixels[0] + pixels[1] == 4095)


def test_blur_widens_with_magnification_and_keeps_the_sum() -> None:
    detector = Detector(focal_spot=1.2, scatter_fraction=0)
    point = np.zeros((101, 101))
    point[50, 50] = 1
    small, large = (detector.exposed(point, np.ones_like(point), 0.15, m) for m in (1.02, 1.5))
    assert small.sum() == pytest.approx(1, abs=1e-6)
    assert large.sum() == pytest.approx(1, abs=1e-6)
    offsets = (np.arange(101) - 50) * 0.15
    spread = float(np.sqrt((large.sum(axis=0) * offsets**2).sum()))
    assert spread == pytest.approx(np.hypot(0.11, 1.2 * 0.5 / np.sqrt(12)), rel=0.02)
    assert small.max() > large.max()


def test_the_collimator_darkens_nothing_inside_and_leaks_little_outside() -> None:
    field = field_of_view((100, 80), (10, 70, 90, 10), penumbra=4)
    assert field[50, 40] == 1
    assert field[2, 40] == pytest.approx(0.004)
    assert field[10, 40] == pytest.approx(0.5, abs=0.01)


def test_the_marker_reads_r_from_the_tube_side() -> None:
    lead = lead_thickness((200, 200), "R", (50, 50), 10.0, 0.15)
    stem, right = lead[52:114, 58], lead[52:114, 98]
    assert stem.min() == 1.0  # the stem, on the left, is whole from top to bottom
    assert 0 < right.mean() < 0.8
    assert lead.max() == 1.0
    assert lead[:, :30].sum() == 0


def test_the_marker_on_the_image_is_the_brightest_thing_inside_the_field(sound) -> None:
    plan = ViewPlan("DPa", "R", DPA, letter="R", marker_at=(0.8, 0.07))
    with_marker = take(sound, plan, 1).pixels[20:70, 195:230].max()
    without = take(sound, ViewPlan("DPa", "R", DPA, letter=""), 1).pixels[20:70, 195:230].max()
    assert with_marker > 4000 > 1000 > without


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_truth_turns_with_the_image(sound, turns: int) -> None:
    clean = Detector(quanta=1e7)
    upright = take(sound, ViewPlan("DPa", "R", DPA, clean), 1)
    turned = take(sound, ViewPlan("DPa", "R", DPA, clean, quarter_turns=turns), 1)
    for name in ("mc3", "accessory_carpal", "p3_2"):
        before = at(upright.pixels, upright.truth.image[name])
        after = at(turned.pixels, turned.truth.image[name])
        assert after == before


def test_lengths_on_the_image_are_true_lengths_times_magnification(sound) -> None:
    truth = truth_of(sound, Projection(0.0, object_to_detector=40), "DPa")
    a, b = np.array(sound.landmarks["MCP2"]), np.array(sound.landmarks["MCP5"])
    true = np.linalg.norm((a - b)[[0, 2]])
    assert truth.length_on_image("MCP2", "MCP5") == pytest.approx(true * 1000 / 960, rel=0.01)
