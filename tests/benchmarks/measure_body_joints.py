"""Joint spaces of whole bodies: carpus, fetlock, digits; trials of `measure_held_out`.

Each is clicked near both ends of what a reader would click. A number is compared with the truth
over the stretch that it was measured on, which is drawn.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from dicom_service.measure import Measured
from dicom_service.measure.joint import joint_space
from test_pacs.phantom import BodyPlan, Limb, Projection, Species, build
from tests.benchmarks.joint_truth import Contours, contours
from tests.benchmarks.measure_trials import DOSES, Trial, Trials
from tests.measure.conftest import PIXEL, Shot, shoot


class Joint(NamedTuple):
    """Which bones meet, and where it is clicked."""

    species: Species
    azimuth: float
    round_end: str
    cup: str
    span: tuple[float, float]
    """mm across the joint's axis between which it is clicked."""
    click: float
    """How good a click is, mm (sd)."""
    flexion: tuple[float, float] = (0.0, 0.0)
    landmark: str = ""
    """Where it is, if not in the middle of the carpus."""


def _digit(species: Species, bones: tuple[str, str], landmark: str, span: tuple[float, float],
           click: float, flexion: tuple[float, float] = (-5.0, 5.0), azimuth: float = 0.0
           ) -> Joint:  # fmt: skip
    return Joint(species, azimuth, *bones, span, click, flexion, landmark)


JOINTS = {
    "dog, carpus": Joint("dog", 0.0, "radial_carpal", "radius", (-8.0, 6.0), 0.7),
    "cat, carpus": Joint("cat", 0.0, "radial_carpal", "radius", (-3.6, 2.6), 0.3),
    "dog, metacarpophalangeal": _digit("dog", ("mc3", "p1_3"), "MCP3", (-3.2, 3.2), 0.3),
    "dog, same of digit 4": _digit("dog", ("mc4", "p1_4"), "MCP4", (-3.2, 3.2), 0.3),
    "dog, proximal interphalangeal": _digit("dog", ("p1_3", "p2_3"), "PIP3", (-2.8, 2.8), 0.3),
    "cat, metacarpophalangeal": _digit("cat", ("mc3", "p1_3"), "MCP3", (-1.5, 1.5), 0.2),
    "horse, fetlock": _digit("horse", ("mc3", "p1_3"), "MCP3", (6.0, 18.0), 1.0, (14.0, 54.0)),
    "horse, fetlock from the side": _digit(
        "horse", ("mc3", "p1_3"), "MCP3", (-9.0, 9.0), 1.0, (-10.0, 30.0), 90.0
    ),
    "horse, pastern": _digit("horse", ("p1_3", "p2_3"), "PIP3", (4.0, 17.0), 0.7, (20.0, 50.0)),
    "horse, coffin joint": _digit(
        "horse", ("p2_3", "p3_3"), "DIP3", (4.0, 17.0), 0.7, (20.0, 60.0)
    ),
}
SMALL = [name for name in JOINTS if not name.startswith("horse")]


def _seen(joint: Joint, random: np.random.Generator, tilt: float) -> tuple[Shot, Contours]:
    """An image of a joint, turned up to 10 degrees and tilted, and its true margins."""
    limb = build(BodyPlan(species=joint.species, size=float(random.uniform(0.9, 1.1)),
                          flexion=float(random.uniform(*joint.flexion))))  # fmt: skip
    at, towards = _place(limb, joint)
    wide = joint.species == "horse"
    view = Projection(
        joint.azimuth + float(random.uniform(-10, 10)), tilt=tilt,
        rows=400 if wide else 300, columns=480 if wide else 240, pixel=PIXEL,
        centre=(float(at[0]), float(at[1]), float(at[2])),
        object_to_detector=float(random.uniform(5, 230)),
    )  # fmt: skip
    shot = shoot(limb, next(iter(limb.landmarks)), view, float(random.choice(DOSES)),
                 int(random.integers(9999)))  # fmt: skip
    reach = max(abs(end) for end in joint.span) + 2.5
    names = (joint.round_end, joint.cup)
    return shot, contours(shot.limb, shot.view, names, at, towards, reach)


def _place(limb: Limb, joint: Joint) -> tuple[np.ndarray, np.ndarray]:
    """Where a joint is, and the way to its cup."""
    named = {piece.name: piece for piece in limb.pieces}
    along = named[joint.cup].frame[:3, 2]
    along = along / np.linalg.norm(along)
    if joint.landmark:
        return np.array(limb.landmarks[joint.landmark]), along
    level = limb.landmarks["antebrachiocarpal"][2]
    return np.array([named[joint.round_end].centre[0], 0.0, level]), -along


def _measured(joint: Joint, shot: Shot, true: Contours, random: np.random.Generator) -> Measured:
    spots = true.spots(np.array(joint.span))
    spots = spots + random.normal(scale=joint.click / shot.pic.fine, size=(2, 2))
    return joint_space(shot.pic, *((float(x), float(y)) for x, y in spots))


def _stretch(found: Measured, true: Contours) -> np.ndarray:
    """Where across the joint's axis it was measured, row by row."""
    margins = [np.array(d.points) for d in found.drawn if d.name.endswith("margin")]
    return true.places(np.mean(margins, axis=0))


def joint_of(name: str) -> Trial:
    """Trials of the width of one joint, turned and tilted by up to 10 and 8 degrees."""
    joint = JOINTS[name]

    def one(trials: Trials, random: np.random.Generator) -> None:
        shot, true = _seen(joint, random, float(random.uniform(-8, 8)))
        found = _measured(joint, shot, true, random)
        width = true.width(_stretch(found, true))
        trials.add(found, "mean", float(width.mean()), "mean width (mm)")
        lowest = np.convolve(width, np.ones(8) / 8, "valid")
        trials.add(found, "minimum", float(lowest.min()), "minimum (mm)")

    return one


def oblique(names: list[str]) -> Callable[[Trials, np.random.Generator], None]:
    """Trials of joints seen 15 to 35 degrees from above or below."""

    def one(trials: Trials, random: np.random.Generator) -> None:
        joint = JOINTS[names[int(random.integers(len(names)))]]
        tilt = float(random.choice([-1.0, 1.0]) * random.uniform(15, 35))
        shot, true = _seen(joint, random, tilt)
        found = _measured(joint, shot, true, random)
        across = _stretch(found, true)
        label = "mean, touched on the bone" if true.tangential(across) > 0.8 else "mean, beyond it"
        trials.add(found, "mean", float(true.width(across).mean()), f"{label} (mm)")

    return one


BODY_JOINTS: dict[str, tuple[int, Trial]] = {
    **{f"joint space, {name}": (60, joint_of(name)) for name in JOINTS},
    "joint space, bodies 15-35 degrees oblique": (80, oblique(SMALL)),
}
