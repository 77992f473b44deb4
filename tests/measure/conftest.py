"""Phantoms with a known truth for the measurements."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest

from dicom_service.intake.model import Spacing
from dicom_service.measure import Picture, picture
from test_pacs.phantom import (
    BodyPlan,
    Detector,
    Limb,
    Projection,
    Swelling,
    ViewPlan,
    build,
    path_lengths,
    take,
)
from test_pacs.phantom.beam import transmitted
from test_pacs.phantom.bench import Bench, FatPlane, bench, plane_distance

PIXEL = 0.15


class Shot(NamedTuple):
    """An image of a phantom, the point of interest on it, and what it was made from."""

    pic: Picture
    pixels: np.ndarray
    middle: tuple[float, float]
    view: Projection
    limb: Limb


def shoot(limb: Limb, landmark: str, view: Projection, quanta: float, seed: int) -> Shot:
    plan = ViewPlan("DPa", projection=view, detector=Detector(quanta=quanta), letter="",
                    margin=(-9, -9, -9, -9))  # fmt: skip
    exposed = take(limb, plan, seed)
    size = PIXEL / view.magnification
    spacing = Spacing(row_mm=size, column_mm=size, kind="fiducial")
    middle = exposed.truth.image[landmark]
    return Shot(picture(exposed.pixels, spacing), exposed.pixels, middle, view, limb)


def shoot_bench(plan: Bench, quanta: float = 1700.0, seed: int = 1, *, rows: int = 360,
                magnified: float = 40.0) -> Shot:  # fmt: skip
    view = Projection(0.0, rows=rows, columns=300, pixel=PIXEL, centre=(0, 0, 0),
                      object_to_detector=magnified)  # fmt: skip
    return shoot(bench(plan), "gap", view, quanta, seed)


FAT_REACH = 28.0
"""mm on both sides of the joint over which a fat plane is clicked."""


def shoot_fat(fat: FatPlane | None, quanta: float = 1700.0, seed: int = 1, *, soft: float = 11.0,
              side: int = 1) -> tuple[Shot, tuple[tuple[float, float], ...]]:  # fmt: skip
    """A bone with a fat plane beside it, and three clicks along it that are wrong by 1 mm (sd).

    `side` is +1 for lateral (left in the image of a right limb); the middle click is at the joint.
    """
    plan = Bench(soft=soft, fat=fat)
    view = Projection(0.0, rows=480, columns=400, pixel=PIXEL, centre=(0, 0, 0))
    shot = shoot(bench(plan), "gap", view, quanta, seed)
    z = np.array([-FAT_REACH, 0.0, FAT_REACH])
    away = plane_distance(shot.limb, plan, z) if fat else np.full(3, 3.0)
    spots = view.shown(np.stack([side * (plan.width / 2 + away), 0 * z, z], axis=1))
    wrong = np.random.default_rng(seed).normal(scale=1.0 / PIXEL, size=spots.shape)
    return shot, tuple((float(x), float(y)) for x, y in spots + wrong)


def shoot_fracture(
    plan: Bench, azimuth: float = 0.0, quanta: float = 1700.0, seed: int = 1, *,
    magnified: float = 40.0, wrong: float = 0.0,
) -> tuple[Shot, tuple[tuple[float, float], ...]]:  # fmt: skip
    """A bench with two fragments, and four clicks along both, wrong by `wrong` mm (sd)."""
    view = Projection(azimuth, rows=560, columns=380, pixel=PIXEL, centre=(0, 0, 0),
                      object_to_detector=magnified)  # fmt: skip
    shot = shoot(bench(plan), "gap", view, quanta, seed)
    bend = np.radians(plan.bend)
    # the distal half turns laterally about the gap
    below = [(plan.step + d * np.sin(bend), 0.0, d * np.cos(bend)) for d in (8.0, 32.0)]
    spots = view.shown(np.array([(0.0, 0.0, -32.0), (0.0, 0.0, -8.0), *below]))
    noise = np.random.default_rng(seed).normal(scale=wrong / PIXEL, size=spots.shape)
    return shot, tuple((float(x), float(y)) for x, y in spots + noise)


def shoot_carpus(
    swellings: tuple[Swelling, ...] = (), azimuth: float = 0.0, quanta: float = 1700.0,
    seed: int = 1,
) -> Shot:  # fmt: skip
    view = Projection(azimuth, rows=620, columns=560, pixel=PIXEL, centre=(0, 0, 0))
    return shoot(build(BodyPlan(swellings=swellings)), "antebrachiocarpal", view, quanta, seed)


def ball_picture(diameter: float, *, blur: float = 0.11, cut: bool = False) -> Picture:
    """A steel ball in 30 mm of soft tissue at the detector."""
    index = np.indices((480, 480)) + 0.5
    row, column = index * PIXEL - np.array([34.1, 4.0 if cut else 36.3])[:, None, None]
    depth = 2 * np.sqrt(np.maximum((diameter / 2) ** 2 - row**2 - column**2, 0))
    primary = transmitted({"iron": depth, "soft_tissue": np.full(depth.shape, 30.0)})
    detector, field = Detector(blur=blur), np.ones(depth.shape)
    exposure = detector.exposed(primary, field, PIXEL, 1.0)
    pixels = detector.read(exposure, field, PIXEL, np.random.default_rng(1))
    return picture(pixels, Spacing(row_mm=PIXEL, column_mm=PIXEL, kind="detector"))


def true_edge(
    shot: Shot, axis: np.ndarray, normals: np.ndarray, side: int, *, bone: bool,
    lengths: dict[str, np.ndarray] | None = None,
) -> np.ndarray:  # fmt: skip
    """Where the rays first meet tissue or bone on each row: signed mm from the axis.

    `lengths` are the path lengths of the shot, where they are known already.

    At a rounded edge the square of the path grows in a straight line, so that the edge lies
    where that line is zero.
    """
    lengths = lengths or path_lengths(shot.limb, shot.view)
    path = lengths["cortical_bone"] if bone else sum(lengths.values())
    squared = Picture((path**2).astype(np.float32), shot.pic.size, "", "mm")
    offsets = np.arange(-38, 38, 0.05)
    values = squared.sample(axis[:, None] + normals[:, None] * offsets[None, :, None])
    found = []
    for row in np.nan_to_num(values):
        hits = np.flatnonzero(row > 0.3)
        if not hits.size:
            found.append(np.nan)
            continue
        start, step = (hits[0], 1) if side == 0 else (hits[-1], -1)
        near, next_ = row[start + 2 * step], row[start + 8 * step]
        # no line where tissue begins in a step or a notch: no truth there
        rises = next_ - near > 0.5
        place = offsets[start + 2 * step] - step * 0.3 * near / max(next_ - near, 0.5)
        found.append(place if rises else np.nan)
    return np.array(found)


@pytest.fixture(scope="session")
def carpus() -> Shot:
    return shoot_carpus()


@pytest.fixture
def clicks() -> Callable[[tuple[float, float], float, int], list[tuple[float, float]]]:
    """Clicks on both sides of a point across the image, each wrong by 1 mm (sd)."""

    def made(middle: tuple[float, float], reach: float, seed: int) -> list[tuple[float, float]]:
        wrong = np.random.default_rng(seed).normal(scale=1.0 / PIXEL, size=(2, 2))
        ends = np.array([(middle[0] - reach, middle[1]), (middle[0] + reach, middle[1])]) + wrong
        return [(float(x), float(y)) for x, y in ends]

    return made
