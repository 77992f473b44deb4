"""Accuracy on whole bodies of a cat and a horse; trials of `measure_held_out`.

The truth is the bone's own frame: its axis projected, and the width of a fracture cut into it.
"""

from collections.abc import Callable

import numpy as np

from dicom_service.measure.axis import shaft_axis
from dicom_service.measure.gap import lucent_line
from test_pacs.phantom import BodyPlan, Fracture, Limb, Projection, build
from test_pacs.phantom.parts import Piece
from tests.benchmarks.measure_trials import DOSES, Trial, Trials, clicks
from tests.measure.conftest import PIXEL, Shot, shoot

SITES = {
    "cat": (("mc3", 0.2, 0.75), ("mc4", 0.2, 0.75)),
    "horse": (("mc3", 0.08, 0.48),),
}
"""Bones with a straight shaft, and the shares of their length between which it runs."""
CUT = {"cat": ("radius", 0.5, 2.4), "horse": ("mc3", 0.5, 14.0)}
"""The bone that is broken, where, and half the length of the line that is clicked, mm."""


def _piece(limb: Limb, name: str) -> Piece:
    return next(piece for piece in limb.pieces if piece.name == name)


def _view(random: np.random.Generator, centre: np.ndarray) -> Projection:
    return Projection(
        float(random.uniform(-15, 15)), rows=700, columns=420, pixel=PIXEL,
        centre=(float(centre[0]), float(centre[1]), float(centre[2])),
        object_to_detector=float(random.uniform(5, 230)),
    )  # fmt: skip


def _shot(limb: Limb, centre: np.ndarray, random: np.random.Generator) -> Shot:
    landmark = next(iter(limb.landmarks))
    return shoot(limb, landmark, _view(random, centre), float(random.choice(DOSES)),
                 int(random.integers(9999)))  # fmt: skip


def axis_of(species: str) -> Trial:
    """Trials of the direction of a shaft."""

    def one(trials: Trials, random: np.random.Generator) -> None:
        name, low, high = SITES[species][random.integers(len(SITES[species]))]
        limb = build(BodyPlan(species=species, size=float(random.uniform(0.9, 1.1))))
        piece = _piece(limb, name)
        places = np.array([[0, 0, share * piece.length, 1] for share in (low, high)])
        ends = (places @ piece.frame.T)[:, :3]
        shot = _shot(limb, ends.mean(axis=0), random)
        found = shaft_axis(shot.pic, *clicks(shot, ends, random, 0.3 if species == "cat" else 1.0))
        across, down = np.subtract(*shot.view.shown(ends)[::-1])
        true = float(-np.degrees(np.arctan2(across, down)))
        trials.add(found, "direction", true, "direction (deg)")

    return one


def line_of(species: str) -> Trial:
    """Trials of the width of a fracture line that runs across the shaft or a little slanting."""

    def one(trials: Trials, random: np.random.Generator) -> None:
        name, at, reach = CUT[species]
        gap, tilt = float(random.uniform(0.3, 2.0)), float(random.uniform(-20, 20))
        size = float(random.uniform(0.9, 1.1))
        scale = np.linalg.norm(
            _piece(build(BodyPlan(species=species, size=size)), name).frame[:, 0]
        )
        cut = Fracture(name, at, gap / float(scale), tilt, 0.0, 0.0)
        limb = build(BodyPlan(species=species, size=size, fractures=(cut,)))
        site, turn = np.array(limb.landmarks[f"fracture_{name}"]), np.radians(tilt)
        along = np.array([np.cos(turn), 0, -np.sin(turn)])
        view = Projection(0.0, rows=420, columns=420, pixel=PIXEL,
                          centre=(float(site[0]), float(site[1]), float(site[2])),
                          object_to_detector=float(random.uniform(5, 230)))  # fmt: skip
        shot = shoot(limb, f"fracture_{name}", view, float(random.choice(DOSES)),
                     int(random.integers(9999)))  # fmt: skip
        spots = [site - reach * along, site + reach * along]
        found = lucent_line(shot.pic, *clicks(shot, spots, random, 0.3))
        trials.add(found, "width", gap, "width (mm)")

    return one


BODIES: dict[str, tuple[int, Callable[[Trials, np.random.Generator], None]]] = {
    "shaft axis, cat": (40, axis_of("cat")), "shaft axis, horse": (40, axis_of("horse")),
    "lucent line, cat": (40, line_of("cat")), "lucent line, horse": (40, line_of("horse")),
}  # fmt: skip
