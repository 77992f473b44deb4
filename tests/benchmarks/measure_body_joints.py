"""Joint spaces of whole bodies; trials of `measure_held_out`.

A joint is a round end in a cup that was cut out of the other bone. Its true width on the image is
the distance of two shadows: that of the round end as if it were alone, and that of what was cut
out.
"""

from typing import NamedTuple

import numpy as np

from dicom_service.measure.joint import joint_space
from test_pacs.phantom import BodyPlan, Limb, Projection, Species, build, path_lengths
from test_pacs.phantom.parts import Part, Piece
from tests.benchmarks.measure_trials import DOSES, Trial, Trials
from tests.measure.conftest import PIXEL, Shot, shoot


class Joint(NamedTuple):
    """Which bones meet, and where on the round end's shadow the space is looked at."""

    species: Species
    azimuth: float
    round_end: str
    cup: str
    below: bool
    """Whether the cup lies below the round end."""
    span: tuple[float, float]
    """Shares of the width of the space between which it is clicked."""
    click: float
    """How good a click is, mm (sd)."""
    flexion: tuple[float, float] = (0.0, 0.0)


JOINTS = {
    "dog, carpus": Joint("dog", 0.0, "radial_carpal", "radius", False, (0.15, 0.8), 0.7),
    "cat, carpus": Joint("cat", 0.0, "radial_carpal", "radius", False, (0.15, 0.8), 0.3),
    "horse, fetlock": Joint("horse", 0.0, "mc3", "p1_3", True, (0.1, 0.4), 1.0, (14.0, 54.0)),
    "horse, fetlock from the side": Joint(
        "horse", 90.0, "mc3", "p1_3", True, (0.25, 0.75), 1.0, (-10.0, 30.0)
    ),
}


def _alone(limb: Limb, joint: Joint) -> tuple[Piece, Piece]:
    """The round end, and what was cut out of the other bone, as bones of their own."""
    named = {piece.name: piece for piece in limb.pieces}
    holes = [Part(hole) for hole, _ in named[joint.cup].hollows]
    return named[joint.round_end], Piece("cut out", "bone", tuple(holes))


def _margins(shot: Shot, joint: Joint) -> tuple[np.ndarray, np.ndarray]:
    """Columns of the space and the rows (pixels) of its two margins in each."""
    far = []
    for piece in _alone(shot.limb, joint):
        hit = path_lengths(Limb((piece,), {}), shot.view)["cortical_bone"] > 0
        down = hit if not joint.below else hit[::-1]
        first = np.where(hit.any(axis=0), down.argmax(axis=0), -1).astype(float)
        far.append(np.where(first < 0, np.nan, first if not joint.below else len(hit) - first))
    margins = np.stack(far, axis=1)
    known = np.flatnonzero(np.isfinite(margins).all(axis=1))
    # beside the round end its flanks run away from the cup
    near = known[np.abs(margins[known, 0] - _summit(margins[known, 0], joint)) * PIXEL < FLANK]
    return near, margins[near]


FLANK = 6.0
"""mm along the beam's normal by which a round end falls away before it is no margin."""


def _summit(rows: np.ndarray, joint: Joint) -> float:
    return float(rows.max() if joint.below else rows.min())


def joint_of(name: str) -> Trial:
    """Trials of the width of one joint."""
    joint = JOINTS[name]

    def one(trials: Trials, random: np.random.Generator) -> None:
        limb = build(BodyPlan(species=joint.species, size=float(random.uniform(0.9, 1.1)),
                              flexion=float(random.uniform(*joint.flexion))))  # fmt: skip
        view = Projection(
            joint.azimuth + float(random.uniform(-10, 10)), tilt=float(random.uniform(-8, 8)),
            rows=440, columns=560, pixel=PIXEL, centre=(0, 0, 0),
            object_to_detector=float(random.uniform(5, 230)),
        )  # fmt: skip
        shot = shoot(limb, next(iter(limb.landmarks)), view, float(random.choice(DOSES)),
                     int(random.integers(9999)))  # fmt: skip
        columns, margins = _margins(shot, joint)
        first, last = (round(share * (len(columns) - 1)) for share in joint.span)
        middle = margins.mean(axis=1)
        spots = np.array([(columns[i] + 0.5, middle[i]) for i in (first, last)])
        spots += random.normal(scale=joint.click / shot.pic.fine, size=(2, 2))
        found = joint_space(shot.pic, *((float(x), float(y)) for x, y in spots))
        part = slice(first, last + 1)
        slope = np.gradient(np.convolve(np.pad(middle, 10, "edge"), np.ones(21) / 21, "valid"))
        width = np.abs(np.diff(margins, axis=1))[:, 0] * shot.pic.fine / np.hypot(1, slope)
        trials.add(found, "mean", float(width[part].mean()), "mean width (mm)")
        lowest = np.convolve(width[part], np.ones(13) / 13, "valid")
        trials.add(found, "minimum", float(lowest.min()), "minimum (mm)")

    return one


BODY_JOINTS: dict[str, tuple[int, Trial]] = {
    f"joint space, {name}": (60, joint_of(name)) for name in JOINTS
}
