"""Accuracy on phantoms that no threshold was chosen on; a part of `measure_accuracy`.

Every trial draws its own sizes, dose, magnification (1.0 to 1.3), obliquity (0 to 15 degrees) and
click errors (1 mm, sd) from a seed of its own.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from dicom_service.measure import NotMeasurable
from dicom_service.measure.axis import shaft_axis
from dicom_service.measure.fat_plane import fat_plane
from dicom_service.measure.gap import lucent_line
from dicom_service.measure.implant import implant
from dicom_service.measure.joint import joint_space
from dicom_service.measure.limb import find_limb
from dicom_service.measure.outline import ROW, trace
from dicom_service.measure.swelling import swelling_profile
from test_pacs.phantom import BodyPlan, Projection, build, path_lengths
from test_pacs.phantom.bench import Bench, FatPlane, Pit, bench, plane_distance
from test_pacs.phantom.metal import Screw
from tests.benchmarks.measure_bodies import BODIES
from tests.benchmarks.measure_body_joints import BODY_JOINTS
from tests.benchmarks.measure_metal import METAL
from tests.benchmarks.measure_trials import DOSES, Trial, Trials, clicks
from tests.measure.conftest import PIXEL, Shot, shoot, true_edge

SEED = 90_211
CHUNK = 10
"""Trials that one task of the benchmark makes."""
SHARE = 4
"""Of the trials one in so many is made where not all are asked for."""
SLOW = ("outline",)


def _shot(plan: Bench, random: np.random.Generator, azimuth: float = 0.0, rows: int = 400,
          columns: int = 420) -> Shot:  # fmt: skip
    view = Projection(
        azimuth, rows=rows, columns=columns, pixel=PIXEL, centre=(0, 0, 0),
        object_to_detector=float(random.uniform(5, 230)),
    )  # fmt: skip
    return shoot(bench(plan), "gap", view, float(random.choice(DOSES)), int(random.integers(9999)))


def _joint(trials: Trials, random: np.random.Generator) -> None:
    width, tip = float(random.uniform(12, 24)), float(random.uniform(0, 15) * random.integers(0, 2))
    gap = float(random.uniform(0.8, 3.5))
    pit = Pit(float(random.uniform(-0.2, 0.2)) * width, float(random.uniform(0.5, 1.5)),
              float(random.uniform(0.8, 2.0)))  # fmt: skip
    worn = tip == 0 and random.random() < 0.5
    plan = Bench(gap=gap, width=width, depth=width * float(random.uniform(0.5, 0.9)), tip=tip,
                 texture=float(random.uniform(0, 0.7)), soft=float(random.uniform(3, 9)),
                 plate=float(random.uniform(0.6, 1.2)), pits=(pit,) if worn else ())  # fmt: skip
    shot = _shot(plan, random)
    reach = width / 2 - 2.5
    found = joint_space(shot.pic, *clicks(shot, [(reach, 0, 0), (-reach, 0, 0)], random))
    if worn:
        trials.add(found, "pit_2", pit.depth, "depth of a pit (mm)")
        trials.add(found, "minimum", gap, "minimum beside a pit (mm)")
    else:
        for number in ("mean", "minimum"):
            label = f"{number} width, {'0' if tip == 0 else '1-15'} degrees (mm)"
            trials.add(found, number, gap, label)


def _axis(trials: Trials, random: np.random.Generator) -> None:
    lean, width = float(random.uniform(-14, 14)), float(random.uniform(9, 26))
    plan = Bench(gap=0, plate=0, lean=lean, width=width, depth=0.8 * width,
                 texture=float(random.uniform(0, 0.7)),
                 soft=float(random.uniform(3, 9)))  # fmt: skip
    shot = _shot(plan, random, float(random.uniform(-15, 15)), rows=520)
    turn = np.radians(lean)
    end = 24 * np.array([np.sin(turn), 0, np.cos(turn)])
    found = shaft_axis(shot.pic, *clicks(shot, [-end, end], random))
    ends = shot.view.shown(np.array([-end, end]))
    across, down = ends[1] - ends[0]
    trials.add(found, "direction", float(-np.degrees(np.arctan2(across, down))), "direction (deg)")
    trials.add(found, "width", width, "width of the shaft (mm)")


def _line(trials: Trials, random: np.random.Generator) -> None:
    width = float(random.uniform(10, 22))
    step = float(random.choice([0.0, 1.0]) * random.uniform(0, 4))
    gap = float(random.uniform(0.3, 2.5))
    plan = Bench(gap=gap, plate=0, width=width, depth=0.8 * width, step=step,
                 tip=float(random.uniform(0, 2)), texture=float(random.uniform(0, 0.3)),
                 soft=float(random.uniform(3, 9)))  # fmt: skip
    shot = _shot(plan, random)
    reach = (width - step) / 2 - 1.5
    spots = [(reach + step / 2, 0, 0), (-reach + step / 2, 0, 0)]
    found = lucent_line(shot.pic, *clicks(shot, spots, random, 0.7))
    trials.add(found, "width", gap, "width (mm)")
    for name in ("shift_first", "shift_second"):
        trials.add(found, name, step, "step of the edge (mm)")


def _implant(trials: Trials, random: np.random.Generator) -> None:
    width, turn = float(random.uniform(11, 22)), np.radians(random.uniform(-15, 15))
    high, over = float(random.uniform(7, 15)), float(random.uniform(-4, 3))
    head = float(random.uniform(0.5, 3))
    u, middle = np.array([-np.cos(turn), 0, np.sin(turn)]), np.array([0, 0, high])
    half, diameter = width / 2 / np.cos(turn), float(random.uniform(2.4, 5))
    ends = middle - u * (half + head), middle + u * (half + over)
    halo = float(random.choice([0.0, 1.2]))
    screw = Screw((*ends[0],), (*ends[1],), diameter, halo)
    plan = Bench(gap=2, width=width, depth=0.85 * width, screws=(screw,), soft=9,
                 texture=float(random.uniform(0, 0.6)))  # fmt: skip
    shot = _shot(plan, random)
    clicked = clicks(shot, [*ends, (width / 2 - 2.5, 0, 0), (2.5 - width / 2, 0, 0)], random, 0.7)
    found = implant(shot.pic, *clicked)
    trials.add(found, "length", float(np.hypot(*(ends[1] - ends[0])[[0, 2]])), "length (mm)")
    trials.add(found, "diameter", diameter, "width of the metal (mm)")
    trials.add(found, "bone", 2 * half, "bone along it (mm)")
    trials.add(found, "beyond_first", head, "end beyond the bone (mm)")
    trials.add(found, "beyond_second", over, "end beyond the bone (mm)")
    for side in ("halo_first", "halo_second"):
        trials.add(found, side, halo, "lucent rim (mm)")
    across = np.linspace(*sorted((ends[0][0], ends[1][0])), 200)
    low = high + (across / u[0]) * u[2] - diameter / 2 * np.cos(turn) - 1.0
    trials.add(found, "joint", float(low[np.abs(across) < width / 2 - 2.5].min()),
               "distance to the joint (mm)")  # fmt: skip


def _fat(trials: Trials, random: np.random.Generator) -> None:
    fat = FatPlane(float(random.uniform(2.5, 5)), float(random.uniform(1, 2.2)),
                   reach=float(random.uniform(7, 12)))  # fmt: skip
    if random.random() < 0.3:
        start = float(random.uniform(8, 14))
        fat = replace(fat, gone=((start, start + float(random.uniform(5, 11))),))
    pushed = float(random.choice([0.0, 1.0]) * random.uniform(2.2, 4.5))
    swollen = float(random.choice([0.0, 1.0]) * random.uniform(2.2, 4.5))
    plain = Bench(soft=float(random.uniform(9, 13)), fat=fat, width=float(random.uniform(14, 22)))
    ill = replace(plain, fat=replace(fat, effusion=pushed, swelling=swollen))
    side, found = int(random.choice([-1, 1])), None
    for plan in (plain, ill):
        shot = _shot(plan, random, float(random.uniform(-4, 4)), rows=500, columns=520)
        z = np.array([-27.0, 0.0, 27.0])
        away = plane_distance(shot.limb, replace(plan, fat=replace(plan.fat or fat, gone=())), z)
        away = np.where(np.isfinite(away), away, fat.distance)
        spots = np.stack([side * (plan.width / 2 + away), 0 * z, z], axis=1)
        found = fat_plane(shot.pic, clicks(shot, spots, random), found)
    assert found is not None
    along = np.array(found.profiles[0].along)
    true = plane_distance(shot.limb, ill, along)
    before = plane_distance(bench(plain), plain, along)
    near = np.abs(along) <= 5
    trials.add(found, "continuity", float(np.isfinite(true).mean()), "share that is seen")
    trials.add(
        found, "distance_joint", float(np.nanmedian(true[near])), "distance at the joint (mm)"
    )
    moved = float(np.nanmedian((true - before)[near]))
    trials.add(found, "displacement", moved, "displacement (mm)")
    right = {"intracapsular supported": pushed > 0, "cannot tell": True,
             "extracapsular supported": pushed == 0 and swollen > 0}  # fmt: skip
    trials.errors.setdefault("word right or 'cannot tell'", []).append(
        (0.0 if right[found.word] else 9.0, 1.0)
    )
    if pushed or swollen:
        trials.errors.setdefault("word given where there is a swelling", []).append(
            (9.0 if found.word == "cannot tell" else 0.0, 1.0)
        )


def _outline(trials: Trials, random: np.random.Generator) -> None:
    """The numbers of a profile, and every row of the outlines (a row has no stated error)."""
    azimuth = float(random.choice([0.0, -90.0]) + random.uniform(-15, 15))
    view = Projection(azimuth, rows=620, columns=560, pixel=PIXEL, centre=(0, 0, 0),
                      object_to_detector=float(random.uniform(5, 230)))  # fmt: skip
    limb = build(BodyPlan(size=float(random.uniform(0.8, 1.1))))
    shot = shoot(limb, "antebrachiocarpal", view, float(random.choice(DOSES)), 3)
    edges = trace(shot.pic, find_limb(shot.pic))
    lengths = path_lengths(shot.limb, shot.view)
    skin, bone = (
        np.stack([true_edge(shot, edges.axis, edges.normals, side, bone=b, lengths=lengths)
                  for side in (0, 1)], 1)
        for b in (False, True)
    )  # fmt: skip
    rows = {"skin": np.abs(edges.skin) - np.abs(skin), "bone": np.abs(edges.bone) - np.abs(bone),
            "thickness": edges.thickness() - np.abs(skin - bone)}  # fmt: skip
    for name, errors in rows.items():
        for error in errors[np.isfinite(errors)]:
            trials.errors.setdefault(f"{name}, rows (mm)", []).append((float(error), np.nan))
    found = swelling_profile(shot.pic)
    if found.numbers[0].id == "skin_width":
        trials.refused += 1  # no thickness
        return
    thick = np.where(np.isfinite(edges.thickness()), np.abs(skin - bone), np.nan)
    both = np.where(np.isfinite(edges.bone).all(axis=1), bone[:, 1] - bone[:, 0], np.nan)
    for side, name in enumerate(("median_first", "median_second")):
        if np.isfinite(thick[:, side]).sum() * ROW > 10:
            trials.add(found, name, float(np.nanmedian(thick[:, side])), "median thickness (mm)")
    at = found.number("thickest_at").value
    near = np.abs(edges.along - edges.along[0] - at) < 2.5
    most = np.nanmedian(np.where(near[:, None], thick, np.nan), axis=0)
    trials.add(found, "thickest", float(np.nanmax(most)), "thickest (mm)")
    trials.add(found, "bone_width", float(np.nanmedian(both)),
               "width over the bones (mm)")  # fmt: skip


KINDS: dict[str, tuple[int, Trial]] = {
    "joint space": (360, _joint), "shaft axis": (40, _axis), "lucent line": (150, _line),
    "implant": (40, _implant), "fat plane": (50, _fat), "outline": (60, _outline), **BODIES,
    **BODY_JOINTS, **METAL,
}  # fmt: skip
"""How many trials of each."""


def count(name: str, *, full: bool) -> int:
    """How many trials of a kind are drawn."""
    return KINDS[name][0] if full else -(-KINDS[name][0] // SHARE)


def chunks(*, full: bool) -> list[tuple[str, int, int]]:
    """The tasks of all kinds: a kind, its first trial and how many; the longest come first."""
    order = sorted(KINDS, key=lambda name: name not in SLOW and name not in BODIES)
    return [
        (name, first, min(CHUNK, count(name, full=full) - first))
        for name in order
        for first in range(0, count(name, full=full), CHUNK)
    ]


def some(name: str, first: int, many: int, seed: int) -> Trials:
    """Trials from `first` on."""
    one = KINDS[name][1]
    trials, kind = Trials(name), list(KINDS).index(name)
    for trial in range(first, first + many):
        trials.count += 1
        try:
            one(trials, np.random.default_rng([seed, kind, trial]))
        except NotMeasurable:
            trials.refused += 1
    return trials


def merged(parts: Iterable[Trials]) -> Iterator[dict[str, object]]:
    """The rows of all kinds."""
    whole = {name: Trials(name) for name in KINDS}
    for part in parts:
        whole[part.name].take(part)
    for trials in whole.values():
        if trials.errors or trials.refused:
            yield from trials.rows()
