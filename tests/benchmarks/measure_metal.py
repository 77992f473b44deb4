"""Implants on whole bodies, and clicks where none is; trials of `measure_held_out`.

Without metal it is clicked where a bone is most like it: along the brightest straight ridges of the
image, at three widths, and on both ends of every bone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from dicom_service.intake.model import Spacing
from dicom_service.measure import Measured, NotMeasurable, Picture, picture
from dicom_service.measure.implant import implant
from test_pacs.phantom import (
    BodyPlan,
    Detector,
    Fixed,
    Limb,
    Projection,
    Species,
    ViewPlan,
    build,
    take,
)
from test_pacs.phantom.metal import Plate, Screw
from tests.benchmarks.measure_trials import DOSES, Trial, Trials
from tests.measure.conftest import PIXEL

Array = NDArray[np.float64]
Ends = tuple[Array, Array]


@dataclass(frozen=True)
class Site:
    """Where metal is looked for, and what is put in: bone, widths and lengths, mm."""

    views: tuple[tuple[str, float], ...]
    bones: tuple[str, ...]
    widths: tuple[float, float]
    longest: float
    columns: int = 560


LIMBS: dict[Species, Site] = {
    "dog": Site((("antebrachiocarpal", 0), ("antebrachiocarpal", -90), ("MCP3", 0), ("MCP3", -90)),
                ("radius", "mc3"), (2.0, 4.0), 26.0),
    "cat": Site((("antebrachiocarpal", 0), ("antebrachiocarpal", -90), ("MCP3", 0), ("MCP3", -90)),
                ("radius", "mc3"), (1.0, 2.4), 16.0),
    "horse": Site((("MCP3", 0), ("MCP3", 90), ("PIP3", 0), ("MCP3", 45)),
                  ("mc3", "p1_3"), (3.5, 5.5), 45.0, columns=760),
}  # fmt: skip
RIDGES, WIDTHS = 5, (0.5, 1.0, 1.8)
"""Ridges that are clicked at each width, and these, mm (sd)."""
CLICK = 0.5
LEAST = 6.0
"""mm on the image below which a screw is seen nearly end on and is not asked for."""


def _taken(limb: Limb, site: Site, random: np.random.Generator) -> tuple[Picture, Projection]:
    landmark, azimuth = site.views[random.integers(len(site.views))]
    view = Projection(
        azimuth + float(random.uniform(-10, 10)), rows=700, columns=site.columns, pixel=PIXEL,
        centre=limb.landmarks[landmark], object_to_detector=float(random.uniform(5, 200)),
    )  # fmt: skip
    inverted = bool(random.integers(2))
    detector = Detector(quanta=float(random.choice(DOSES)),
                        photometric="MONOCHROME1" if inverted else "MONOCHROME2")  # fmt: skip
    plan = ViewPlan("DPa", projection=view, detector=detector, letter="", margin=(-9, -9, -9, -9))
    pixels, size = take(limb, plan, int(random.integers(9999))).pixels, PIXEL / view.magnification
    spacing = Spacing(row_mm=size, column_mm=size, kind="fiducial")
    return picture(pixels, spacing, inverted=inverted), view


def ridges(pic: Picture, random: np.random.Generator) -> list[Ends]:
    """Ends of straight lines along the brightest ridges."""
    found: list[Ends] = []
    for width in WIDTHS:
        down, across, both = (
            ndimage.gaussian_filter(pic.values.astype(float), width / pic.fine, order=order)
            for order in ((2, 0), (0, 2), (1, 1))
        )
        strength = np.hypot((down - across) / 2, both) - (down + across) / 2
        strength[:30] = strength[-30:] = 0
        strength[:, :30] = strength[:, -30:] = 0
        tops = (strength == ndimage.maximum_filter(strength, 9)) & (strength > 0)
        rows, columns = np.nonzero(tops)
        best = np.argsort(-strength[rows, columns])[:40]
        for at in random.choice(best, min(RIDGES, len(best)), replace=False):
            row, column = rows[at], columns[at]
            turn = 0.5 * np.arctan2(2 * both[row, column], across[row, column] - down[row, column])
            half = float(random.choice([6, 8, 12, 18, 25])) / pic.fine / 2
            along = half * np.array([np.cos(turn), np.sin(turn)])
            middle = np.array([column + 0.5, row + 0.5])
            found.append((middle - along, middle + along))
    return found


def _bones(limb: Limb, view: Projection) -> list[Ends]:
    """Both ends of each bone that is on the image."""
    found: list[Ends] = []
    for piece in limb.bones():
        places = np.array([[0, 0, share * piece.length, 1] for share in (0.02, 0.98)])
        first, last = view.shown((places @ piece.frame.T)[:, :3])
        inside = (min(first.min(), last.min()) > 40
                  and max(first[0], last[0]) < view.columns - 40
                  and max(first[1], last[1]) < view.rows - 40)  # fmt: skip
        if piece.length and inside:
            found.append((first, last))
    return found


def _plan(species: Species, random: np.random.Generator, lesions: tuple[Fixed, ...]) -> BodyPlan:
    return BodyPlan(species=species, size=float(random.uniform(0.85, 1.15)),
                    age_months=float(random.choice([48, 48, 6])), lesions=lesions)  # fmt: skip


def without_metal(species: Species) -> Trial:
    """Trials of clicks on bone; each number is an error."""

    def one(trials: Trials, random: np.random.Generator) -> None:
        limb = build(_plan(species, random, ()))
        pic, view = _taken(limb, LIMBS[species], random)
        for ends in ridges(pic, random) + _bones(limb, view):
            clicked = np.stack(ends) + random.normal(scale=CLICK / pic.fine, size=(2, 2))
            given = _measured(pic, clicked) is not None
            trials.errors.setdefault("refused where no metal is", []).append((9.0 * given, 1.0))

    return one


def _measured(pic: Picture, clicked: Array) -> Measured | None:
    try:
        return implant(pic, *((float(x), float(y)) for x, y in clicked))
    except NotMeasurable:
        return None


def _shadow(screw: Screw, view: Projection, frame: Array) -> tuple[float, float]:
    """How long and wide the shadow of a rod is on the image, pixels: that of both its end discs."""
    ends = np.array([screw.head, screw.tip])
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    beside = np.linalg.svd(along[None])[2][1:] * screw.diameter / 2
    turns = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    rim = np.stack([np.cos(turns), np.sin(turns)], axis=1) @ beside
    places = (ends[:, None] + rim[None]).reshape(-1, 3)
    spots = view.shown((np.c_[places, np.ones(len(places))] @ frame.T)[:, :3])
    middle = spots.reshape(2, -1, 2).mean(axis=1)
    axis = (middle[1] - middle[0]) / np.hypot(*(middle[1] - middle[0]))
    return float(np.ptp(spots @ axis)), float(np.ptp(spots[:72] @ [-axis[1], axis[0]]))


def with_metal(species: Species) -> Trial:
    """Trials of screws of which each crosses its bone or lies along it, some beside a plate."""

    def one(trials: Trials, random: np.random.Generator) -> None:
        site = LIMBS[species]
        bone = site.bones[random.integers(len(site.bones))]
        sound = next(p for p in build(BodyPlan(species=species)).bones() if p.name == bone)
        scale = float(np.linalg.norm(sound.frame[:3, 0]))
        near = float(random.uniform(8, 20)) / scale
        made = [_screw(site, scale, np.array([0, 0, sound.length - near * (1 + n)]), random)
                for n in range(int(random.integers(1, 4)))]  # fmt: skip
        lesions = [Fixed(bone, screw) for screw in made]
        if random.random() < 0.4:
            half = (3.0 / scale, 1.0 / scale, 18.0 / scale)
            lesions.append(Fixed(bone, Plate((0, 9 / scale, sound.length - near), half)))
        limb = build(_plan(species, random, tuple(lesions)))
        pic, view = _taken(limb, site, random)
        frame = next(p for p in limb.bones() if p.name == bone).frame
        for screw in made:
            ends = (np.array([[*screw.head, 1.0], [*screw.tip, 1.0]]) @ frame.T)[:, :3]
            spots = view.shown(ends)
            inside = (spots > 40).all() and (spots < np.array([view.columns, view.rows]) - 40).all()
            shown = float(np.hypot(*(spots[1] - spots[0]))) * pic.fine
            if not inside or shown < LEAST:
                continue
            found = _measured(pic, spots + random.normal(scale=CLICK / pic.fine, size=(2, 2)))
            trials.errors.setdefault("measured where metal is", []).append(
                (9.0 * (found is None), 1.0)
            )
            if found is not None:
                length, width = _shadow(screw, view, frame)
                trials.add(found, "length", length * pic.fine, "length of its shadow (mm)")
                trials.add(found, "diameter", width * pic.fine, "its width (mm)")

    return one


def _screw(site: Site, scale: float, at: Array, random: np.random.Generator) -> Screw:
    length = float(random.uniform(LEAST, site.longest)) / scale
    lean = float(random.uniform(-0.3, 0.3)) if random.random() < 0.7 else np.pi / 2
    turn = float(random.choice([0.0, np.pi / 2]))
    along = np.array([np.cos(lean) * np.cos(turn), np.cos(lean) * np.sin(turn), np.sin(lean)])
    head, tip = at - along * length / 2, at + along * length / 2
    width = float(random.uniform(*site.widths)) / scale
    return Screw((*head.tolist(),), (*tip.tolist(),), width)


METAL: dict[str, tuple[int, Trial]] = {
    **{f"no metal, {species}": (40, without_metal(species)) for species in LIMBS},
    **{f"metal, {species}": (40, with_metal(species)) for species in LIMBS},
}
