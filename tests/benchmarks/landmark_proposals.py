"""How far proposed landmarks lie from the truth, and how many are withheld.

Bodies of a dog, a cat and a horse in windows that show more or less than the limb map draws, both
photometric interpretations, both sides. A reader who clicks within a millimetre (standard
deviation) sets the uppermost and the lowest landmark that an image shows; the panel's own code
proposes the rest.

    python -m tests.benchmarks.landmark_proposals [--seed 1]
"""

import argparse
import json
import subprocess
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np

from dicom_service import review
from dicom_service.intake.model import ImageFacts, Signalment, Spacing, StudyFacts
from dicom_service.measure import MeasureRequest, measure, picture
from test_pacs.phantom import (
    BodyPlan,
    Detector,
    Limb,
    Projection,
    Species,
    ViewPlan,
    build,
    path_lengths,
)
from test_pacs.phantom.beam import Side
from test_pacs.phantom.detector import Photometric
from test_pacs.phantom.image import AZIMUTHS, Exposed, take
from test_pacs.phantom.parts import Tissue

PANEL = Path(__file__).with_suffix(".mjs")
CLICK = 1.0
PAW = (("carpus", "manus"), ("DPa", "ML"))
HORSE = ("DPa", "LM")
BIT = 0.004
"""Of the image's height: a landmark closer to its edge is not seen."""


@dataclass(frozen=True)
class Window:
    """A field on the limb: its middle in mm of the limb, its size in mm, and what is asked for."""

    species: Species
    name: str
    centre: tuple[float, float, float]
    size: tuple[float, float]
    regions: tuple[str, ...] = PAW[0]
    views: tuple[str, ...] = PAW[1]


def _small(species: Species, by: float) -> Iterator[Window]:
    for name, down, high, wide, regions in (
        ("as drawn", 45.0, 230.0, 150.0, PAW[0]),
        ("more above", -5.0, 330.0, 150.0, PAW[0]),
        ("less below", 22.0, 225.0, 150.0, PAW[0]),
        ("carpus only", 5.0, 112.0, 96.0, ("carpus",)),
        ("carpus with the paw", 45.0, 230.0, 150.0, ("carpus",)),
        ("paw only", 85.0, 150.0, 135.0, ("manus",)),
    ):
        yield Window(species, name, (0.0, 0.0, down * by), (high * by, wide * by), regions)


WINDOWS = (
    *_small("dog", 1.0),
    *_small("cat", 0.5),
    Window("horse", "fetlock", (0.0, 12.0, 18.0), (210.0, 165.0), ("fetlock",), HORSE),
    Window("horse", "fetlock with foot", (0.0, 40.0, 45.0), (260.0, 200.0), ("fetlock",), HORSE),
    Window("horse", "fetlock to foot", (0.0, 40.0, 45.0), (260.0, 200.0),
           ("fetlock", "pastern_foot"), HORSE),
    Window("horse", "foot", (0.0, 70.0, 95.0), (150.0, 180.0), ("pastern_foot",), HORSE),
)  # fmt: skip


def cases(
    seed: int, windows: Iterable[Window] = WINDOWS, sides: tuple[Side, ...] = ("R", "L")
) -> Iterator[dict[str, Any]]:
    """Images with what the node finds on them, and where a reader clicks."""
    random = np.random.default_rng(seed)
    for window in windows:
        limb = build(BodyPlan(species=window.species))
        for photometric in get_args(Photometric):
            for side in sides:
                yield from _study(window, limb, photometric, side, random)


def _study(window: Window, limb: Limb, photometric: Photometric, side: Side,
           random: np.random.Generator) -> Iterator[dict[str, Any]]:  # fmt: skip
    shots = [_shot(window, limb, view, photometric, side, random) for view in window.views]
    pixel = _pixel(window)
    images = tuple(
        ImageFacts(
            uid=f"1.{number}", series_uid="1", sop_class_uid="1", view=view, side=side,
            rows=shot.pixels.shape[0], columns=shot.pixels.shape[1], regions=window.regions,
            spacing=Spacing(kind="detector", row_mm=pixel, column_mm=pixel), hung=True,
        )
        for number, (view, shot) in enumerate(zip(window.views, shots, strict=True), 1)
    )  # fmt: skip
    facts = StudyFacts(study_uid="9", study_date="20250102", question="",
                       signalment=Signalment(species=window.species), images=images)  # fmt: skip
    template = review.build_template(facts)
    study = f"{window.species} {window.name} {photometric} {side}"
    names = [item.id for item in template.items]
    for image, shot in zip(images, shots, strict=True):
        pic = picture(shot.pixels, image.spacing, inverted=photometric == "MONOCHROME1")
        per_mm = shot.truth.magnification / pixel
        truth = {name: at for name in names if (at := _true(name, shot, limb)) is not None}
        clicks = {n: (np.array(at) + random.normal(0, CLICK * per_mm, 2)).tolist()
                  for n, at in truth.items()}  # fmt: skip
        yield {
            "study": study, "window": window, "view": image.view, "side": side,
            "truth": truth, "clicks": clicks, "per_mm": per_mm,
            "image": image.model_dump(mode="json"), "shot": shot, "limb": limb,
            "template": template.model_dump(mode="json"),
            "found": measure(MeasureRequest(kind="limb_axis"), pic).model_dump(mode="json"),
        }  # fmt: skip


def _pixel(window: Window) -> float:
    return 0.15 if window.species == "cat" else 0.3


def _shot(window: Window, limb: Limb, view: str, photometric: Photometric, side: Side,
          random: np.random.Generator) -> Exposed:  # fmt: skip
    pixel = _pixel(window)
    rows, columns = (round(mm / pixel) for mm in window.size)
    projection = Projection(
        AZIMUTHS[view], side, rows=rows, columns=columns, pixel=pixel, centre=window.centre
    )
    plan = ViewPlan(view, side, projection, Detector(photometric=photometric), letter=side,
                    marker_at=(0.8, 0.07))  # fmt: skip
    return take(limb, plan, seed=int(random.integers(9999)))


def _true(item: str, shot: Exposed, limb: Limb) -> tuple[float, float] | None:
    """Where a landmark lies; None: the body has no name for it, or the image does not show it."""
    structure = item.split(".")[2]
    named = {"sesamoid_medial": "sesamoid_3", "sesamoid_lateral": "sesamoid_4"}
    name = named.get(structure, structure)
    if name[:3] in ("mcp", "pip", "dip"):
        name = name.upper().replace("_", "")
    at = _sole(limb, shot) if name == "p3_solar_margin" else shot.truth.image.get(name)
    rows, columns = shot.pixels.shape
    edge = BIT * rows
    if at is None or not (edge < at[0] < columns - edge and edge < at[1] < rows - edge):
        return None
    return at


def _sole(limb: Limb, shot: Exposed) -> tuple[float, float] | None:
    """The middle of the lower edge of the third phalanx's own shadow."""
    bone = tuple(piece for piece in limb.pieces if piece.name == "p3_3")
    shadow = path_lengths(Limb(bone, {}), shot.plan.projection)["cortical_bone"] > 0
    columns = np.flatnonzero(shadow.any(axis=0))
    if not columns.size:
        return None
    lowest = shadow.shape[0] - shadow[::-1, columns].argmax(axis=0)
    middle = columns.size // 2
    return float(columns[middle]) + 0.5, float(np.median(lowest))


def on_the_limb(case: dict[str, Any], point: tuple[float, float]) -> bool:
    """Whether there is something of the body in front of this pixel."""
    shot, limb = case["shot"], case["limb"]
    if "shadow" not in case:
        tissue: Tissue = "skin"
        lengths = path_lengths(Limb(tuple(p for p in limb.pieces if p.tissue == tissue), {}),
                               shot.plan.projection)  # fmt: skip
        case["shadow"] = lengths["soft_tissue"] > 0
    column, row = int(point[0]), int(point[1])
    rows, columns = case["shadow"].shape
    return 0 <= row < rows and 0 <= column < columns and bool(case["shadow"][row, column])


def answers(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What the panel proposes in each case."""
    kept = ("study", "view", "side", "truth", "clicks", "image", "template", "found")
    text = json.dumps([{name: case[name] for name in kept} for case in found])
    done = subprocess.run(["node", str(PANEL)], input=text, capture_output=True, text=True,
                          check=True)  # fmt: skip
    answered: list[dict[str, Any]] = json.loads(done.stdout)
    return answered


def errors(case: dict[str, Any], answer: dict[str, Any]) -> dict[str, float]:
    """Millimetres in the limb from each proposed landmark to the true one."""
    return _apart(case, answer["proposed"])


def errors_across(case: dict[str, Any], answer: dict[str, Any]) -> list[tuple[str, float]]:
    """The same for what one click and the landmarks of another image of the study propose."""
    return [pair for given in answer["across"] for pair in _apart(case, given).items()]


def _apart(case: dict[str, Any], given: dict[str, Any]) -> dict[str, float]:
    return {
        name: float(np.hypot(*np.subtract(at, case["truth"][name])) / case["per_mm"])
        for name, at in given.items()
        if name in case["truth"]
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    made = list(cases(parser.parse_args().seed))
    answered = answers(made)
    rows: dict[str, list[tuple[dict[str, Any], dict[str, Any]]]] = {}
    for case, answer in zip(made, answered, strict=True):
        key = f"{case['window'].species}, {case['window'].name}, {case['view']}"
        rows.setdefault(key, []).append((case, answer))
    print(f"{'images':38} landmarks clicked proposed withheld  mm: median worst")
    for key, pairs in rows.items():
        wrong = sorted(mm for pair in pairs for mm in errors(*pair).values())
        landmarks, clicked, given = (
            sum(len(a[name]) for _, a in pairs) for name in ("all", "set", "proposed")
        )
        figures = f"{np.median(wrong):15.1f} {wrong[-1]:5.1f}" if wrong else ""
        withheld = landmarks - clicked - given
        print(f"{key:38} {landmarks:9} {clicked:7} {given:8} {withheld:8} {figures}")
    _by_landmark(made, answered)
    _across(made, answered)
    given = [(c, at) for c, a in zip(made, answered, strict=True) for at in a["proposed"].values()]
    beside = sum(not on_the_limb(case, at) for case, at in given)
    off = sum(len(answer["off"]) for answer in answered)
    early = sum(len(answer["without"]) for answer in answered)
    print(f"{len(made)} images; proposed before anything is set: {early}; proposed off the limb: "
          f"{beside} of {len(given)}; true landmarks called off it: {off}")  # fmt: skip


def _by_landmark(made: list[dict[str, Any]], answered: list[dict[str, Any]]) -> None:
    wrong: dict[str, list[float]] = {}
    for case, answer in zip(made, answered, strict=True):
        for name, mm in errors(case, answer).items():
            key = f"{case['window'].species}, {case['view']}, {name.split('.')[2]}"
            wrong.setdefault(key, []).append(mm)
    for key, found in sorted(wrong.items()):
        middle, worst = np.median(found), max(found)
        print(f"{key:38} n {len(found):2}  median {middle:5.1f} mm  worst {worst:5.1f} mm")


def _across(made: list[dict[str, Any]], answered: list[dict[str, Any]]) -> None:
    wrong: dict[str, list[float]] = {}
    for case, answer in zip(made, answered, strict=True):
        for name, mm in errors_across(case, answer):
            key = f"{case['window'].species}, {case['view']}, {name.split('.')[2]}"
            wrong.setdefault(key, []).append(mm)
    print("after one click, by the landmarks of another image of the study:")
    for key, found in sorted(wrong.items()):
        middle, worst = np.median(found), max(found)
        print(f"{key:38} n {len(found):3}  median {middle:5.1f} mm  worst {worst:5.1f} mm")


if __name__ == "__main__":
    main()
