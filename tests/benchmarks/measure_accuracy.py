"""Accuracy of the measurements on phantoms with a known truth: `python -m tests.benchmarks...`.

A quarter of the held-out trials are drawn; all of them with --full and where one part is asked for.
Prints a table and, with --json FILE, writes the same rows as JSON.
"""

import argparse
import json
import os
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from dicom_service.measure import NotMeasurable
from dicom_service.measure.angulation import fracture_angulation
from dicom_service.measure.axis import shaft_axis
from dicom_service.measure.calibration import ball
from dicom_service.measure.gap import lucent_line
from dicom_service.measure.joint import joint_space
from dicom_service.measure.limb import find_limb
from dicom_service.measure.outline import trace
from dicom_service.measure.swelling import swelling_profile
from test_pacs.phantom import Swelling
from test_pacs.phantom.bench import Bench
from tests.benchmarks import measure_words
from tests.benchmarks.measure_held_out import SEED, chunks, merged, some
from tests.benchmarks.measure_words import JOINT, SITES
from tests.measure.conftest import (
    PIXEL,
    ball_picture,
    shoot_bench,
    shoot_carpus,
    shoot_fracture,
    true_edge,
)

DOSES = (300.0, 1700.0, 6000.0)
SHAPES = {
    "normal-like": (),
    "diffuse 2.5": (Swelling(JOINT, 2.5, 400.0),),
    "joint-centred 2.5": (Swelling(JOINT, 2.5, 14.0),),
    "focal 2.5": (Swelling(JOINT, 2.5, 9.0, lateral_only=True, shift=-18.0),),
    "focal 4": (Swelling(JOINT, 4.0, 9.0, lateral_only=True, shift=-18.0),),
}


def row(name: str, trials: int, errors: list[float], inside: int) -> dict[str, object]:
    size = np.abs(errors) if errors else np.array([np.nan])
    return {
        "what": name, "trials": trials, "given": len(errors),
        "bias": float(np.mean(errors)) if errors else None,
        "median": float(np.median(size)), "p95": float(np.percentile(size, 95)),
        "within_stated": f"{inside}/{len(errors)}",
    }  # fmt: skip


def clicked(
    middle: tuple[float, float], step: np.ndarray, seed: int, sd: float = 1.0
) -> list[tuple[float, float]]:
    wrong = np.random.default_rng(seed).normal(scale=sd / PIXEL, size=(2, 2))
    ends = [np.array(middle) + s * step + w for s, w in zip((-1, 1), wrong, strict=True)]
    return [(float(x), float(y)) for x, y in ends]


def joints() -> Iterator[dict[str, object]]:
    for tip in (0, 2, 3, 5, 10, 15):
        errors, inside, trials = [], 0, 0
        for gap in (0.75, 1.0, 1.5, 2.0, 3.0):
            for quanta, magnified in zip(DOSES, (5, 100, 200), strict=True):
                shot = shoot_bench(Bench(gap=gap, tip=tip), quanta, magnified=magnified)
                trials += 1
                points = clicked(shot.middle, np.array([32.0, 0.0]), trials)
                try:
                    found = joint_space(shot.pic, *points).number("mean")
                except NotMeasurable:
                    continue
                errors.append(found.value - gap)
                inside += abs(errors[-1]) <= (found.plus_minus or 0)
        yield row(f"joint space, mean (mm), {tip} degrees oblique", trials, errors, inside)


def axes() -> Iterator[dict[str, object]]:
    errors, inside, trials = [], 0, 0
    for lean in (-12.0, -5.0, 0.0, 4.0, 9.0):
        for quanta in DOSES:
            shot = shoot_bench(Bench(gap=0, plate=0, lean=lean), quanta, rows=500)
            turn = np.radians(lean)
            trials += 1
            step = 180 * np.array([np.sin(turn), np.cos(turn)])
            ends = clicked(shot.middle, step, trials)
            try:
                found = shaft_axis(shot.pic, *ends).number("direction")
            except NotMeasurable:
                continue
            errors.append(found.value - lean)
            inside += abs(errors[-1]) <= (found.plus_minus or 0)
    yield row("shaft axis (degrees), clicks 1 mm", trials, errors, inside)


def fractures() -> Iterator[dict[str, object]]:
    """Two views at a right angle, from any side; clicks good to 1 mm."""
    for bend in (0.0, 8.0, 20.0):
        found: dict[str, tuple[list[float], list[bool]]] = {}
        for trial, azimuth in enumerate((0.0, 15.0, 30.0, 45.0, 70.0)):
            for quanta, magnified in zip(DOSES, (5, 100, 200), strict=True):
                plan, seed = Bench(gap=1.0, plate=0, bend=bend, step=2.0), 100 * trial + magnified
                across, here = (
                    shoot_fracture(plan, azimuth + turn, quanta, seed + round(turn),
                                   magnified=magnified, wrong=1.0)
                    for turn in (90.0, 0.0)
                )  # fmt: skip
                other = fracture_angulation(across[0].pic, across[1])
                answer = fracture_angulation(here[0].pic, here[1], other)
                for name, truth in (("true_angle", bend), ("true_offset", 2.0)):
                    number = answer.number(name)
                    errors, inside = found.setdefault(name, ([], []))
                    errors.append(number.value - truth)
                    inside.append(abs(errors[-1]) <= (number.plus_minus or 0.0))
        for name, (errors, inside) in found.items():
            unit = "degrees" if name == "true_angle" else "mm"
            what = f"fracture bent by {bend:g}, {name.replace('_', ' ')} ({unit})"
            yield row(what, len(errors), errors, sum(inside))


def lines() -> Iterator[dict[str, object]]:
    for gap in (0.0, 0.3, 0.5, 1.0, 2.0):
        errors, inside, trials = [], 0, 0
        for quanta in DOSES:
            shot = shoot_bench(Bench(gap=gap, plate=0), quanta)
            for seed in range(3):
                trials += 1
                try:
                    found = lucent_line(shot.pic, *clicked(shot.middle, np.array([30.0, 0]), seed))
                except NotMeasurable:
                    continue
                width = found.number("width")
                errors.append(width.value - gap)
                limit = width.value >= gap > 0 if width.bound else False
                inside += limit or abs(errors[-1]) <= (width.plus_minus or 0)
        yield row(f"lucent line {gap} mm: given = found", trials, errors, inside)


def balls() -> Iterator[dict[str, object]]:
    for diameter in (10.0, 25.0):
        errors, inside = [], 0
        for blur in (0.11, 0.18, 0.25):
            found = ball(ball_picture(diameter, blur=blur), diameter).number("spacing")
            errors.append(100 * (found.value / PIXEL - 1))
            inside += abs(found.value - PIXEL) <= (found.plus_minus or 0)
        yield row(f"ball {diameter:g} mm: pixel size (%)", 3, errors, inside)


def outlines() -> Iterator[dict[str, object]]:
    found: dict[str, list[float]] = {"skin": [], "bone": [], "thickness": []}
    rows = 0
    for azimuth, quanta in ((0.0, 1700.0), (10.0, 300.0), (-15.0, 6000.0)):
        shot = shoot_carpus(azimuth=azimuth, quanta=quanta)
        edges = trace(shot.pic, find_limb(shot.pic))
        for side, sign in ((0, -1), (1, 1)):
            skin = true_edge(shot, edges.axis, edges.normals, side, bone=False)
            bone = true_edge(shot, edges.axis, edges.normals, side, bone=True)
            errors = {"skin": sign * (edges.skin[:, side] - skin),
                      "bone": sign * (edges.bone[:, side] - bone)}  # fmt: skip
            errors["thickness"] = errors["skin"] - errors["bone"]
            rows += len(skin)
            for name, values in errors.items():
                found[name] += values[np.isfinite(values)].tolist()
    for name, errors_ in found.items():
        inside = int(np.sum(np.abs(errors_) <= 0.3))
        yield row(f"{name}, rows (mm)", rows, errors_, inside)


def words() -> Iterator[dict[str, object]]:
    first = shoot_carpus()
    control = swelling_profile(first.pic, first.middle)
    for name, swellings in SHAPES.items():
        said: dict[str, int] = {}
        for seed, (azimuth, quanta) in enumerate(
            [(a, q) for a in (-4.0, 0.0, 4.0) for q in DOSES], start=11
        ):
            shot = shoot_carpus(swellings, azimuth, quanta, seed)
            try:
                word = swelling_profile(shot.pic, shot.middle, control).word
            except NotMeasurable:
                word = "refused"
            said[word] = said.get(word, 0) + 1
        yield {"what": f"swelling: {name}", "said": said}


def small_joints() -> Iterator[dict[str, object]]:
    plans = {
        "digits, 6 and 8 mm wide": [
            Bench(gap=g, width=w, depth=w - 1, cortex=0.9, plate=0.5, soft=4)
            for g in (0.75, 1.0, 1.5) for w in (6.0, 8.0)
        ],
        "curved, radius 9 to 30 mm": [
            Bench(gap=g, width=16, depth=12, curve=r) for g in (1.0, 1.5, 2.0) for r in (9, 14, 30)
        ],
    }  # fmt: skip
    for name, group in plans.items():
        errors, inside, trials = [], 0, 0
        for plan in group:
            for quanta in DOSES:
                shot = shoot_bench(plan, quanta)
                trials += 1
                reach = (min(plan.width, 12.0) / 2 - 1) / PIXEL
                points = clicked(shot.middle, np.array([reach, 0.0]), 300 + trials, 0.5)
                try:
                    found = joint_space(shot.pic, *points).number("mean")
                except NotMeasurable:
                    continue
                errors.append(found.value - plan.gap)
                inside += abs(errors[-1]) <= (found.plus_minus or 0)
        yield row(f"joint space, mean (mm), {name}", trials, errors, inside)


def _rows(name: str) -> list[dict[str, object]]:
    return list(PARTS[name]())


PARTS = {part.__name__: part for part in (joints, small_joints, axes, fractures, lines, balls,
                                          outlines, words)}  # fmt: skip


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", type=Path)
    options.add_argument("--part", choices=[*PARTS, *SITES, "trials"],
                         help="trials: those held out; a view: the words in it")  # fmt: skip
    options.add_argument("--kind", help="of trials: only kinds whose names have this in them")
    options.add_argument("--seed", type=int, default=SEED, help="another draw")
    options.add_argument("--full", action="store_true", help="all trials, not a quarter")
    chosen = options.parse_args()
    start, found = time.monotonic(), []
    # one process for each processor: threads of the algebra under them would only wait
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        for rows in _asked(pool, chosen):
            found += _printed(rows)
    print(f"{time.monotonic() - start:.0f} s on {os.cpu_count()} processors")
    if chosen.json:
        chosen.json.write_text(json.dumps(found, indent=1) + "\n", "utf-8")


def _asked(
    pool: ProcessPoolExecutor, chosen: argparse.Namespace
) -> Iterator[Iterable[dict[str, object]]]:
    """The rows of each part; all are begun at once, the longest first."""
    full = chosen.full or bool(chosen.part)
    views = [view for view in SITES if chosen.part in (None, view)]
    kinds = [task for task in chunks(full=full) if (chosen.kind or "") in task[0]]
    drawn = [pool.submit(some, *task, chosen.seed) for task in kinds
             if chosen.part in (None, "trials")]  # fmt: skip
    said = {
        view: [pool.submit(measure_words.some, view, chunk, chosen.seed)
               for chunk in measure_words.chunks(view, full=full)]
        for view in views
    }  # fmt: skip
    plain = {name: pool.submit(_rows, name) for name in PARTS if chosen.part in (None, name)}
    for task in plain.values():
        yield task.result()
    for view, tasks in said.items():
        yield measure_words.rows(view, (word for task in tasks for word in task.result()))
    yield merged(one.result() for one in drawn)


def _printed(rows: Iterable[dict[str, object]]) -> list[dict[str, object]]:
    made = list(rows)
    for line in made:
        print("  ".join(f"{k}={v:.3f}" if isinstance(v, float) else f"{v}" if k == "what"
                        else f"{k}={v}" for k, v in line.items()), flush=True)  # fmt: skip
    return made


if __name__ == "__main__":
    main()
