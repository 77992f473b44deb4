"""Accuracy on whole bodies of a dog, a cat and a horse; trials of `measure_held_out`.

The truth of an axis is the middle of the bone's own shadow, as if it were alone; that of a line is
the width of the fracture cut into the bone.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dicom_service.measure.axis import shaft_axis
from dicom_service.measure.edges import straight
from dicom_service.measure.gap import lucent_line
from test_pacs.phantom import BodyPlan, Fracture, Limb, Projection, build, path_lengths
from test_pacs.phantom.parts import Piece
from tests.benchmarks.measure_trials import DOSES, Trial, Trials, clicks
from tests.measure.conftest import PIXEL, Shot, shoot, true_edge

SITES = {
    "cat": ("cat", ("mc3", "mc4"), 0.2, 0.75, False),
    "horse": ("horse", ("mc3",), 0.08, 0.48, False),
    "dog, metacarpals": ("dog", ("mc2", "mc3", "mc4", "mc5"), 0.25, 0.75, False),
    "dog, radius": ("dog", ("radius",), 0.1, 0.65, True),
    "cat, radius": ("cat", ("radius",), 0.1, 0.65, True),
}
"""Species, bones with a straight shaft, the shares of their length between which it runs, and
whether they are seen from the side, too."""
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


def axis_of(site: str) -> Trial:
    """Trials of the direction of a shaft."""
    species, names, low, high, sideways = SITES[site]

    def one(trials: Trials, random: np.random.Generator) -> None:
        name = names[random.integers(len(names))]
        limb = build(BodyPlan(species=species, size=float(random.uniform(0.9, 1.1))))
        piece = _piece(limb, name)
        places = np.array([[0, 0, share * piece.length, 1] for share in (low, high)])
        ends = (places @ piece.frame.T)[:, :3]
        view = replace(_view(random, ends.mean(axis=0)), columns=600 if species == "dog" else 420)
        if sideways:
            view = replace(view, azimuth=view.azimuth - 90 * float(random.integers(2)))
        shot = shoot(limb, next(iter(limb.landmarks)), view, float(random.choice(DOSES)),
                     int(random.integers(9999)))  # fmt: skip
        middle = _middle(shot, name, ends)
        across, down = middle[1] - middle[0]
        off = random.normal(scale=0.3 if species == "cat" else 1.0, size=(2, 2))
        found = shaft_axis(shot.pic, *shot.pic.points(middle + off))
        trials.add(found, "direction", float(-np.degrees(np.arctan2(across, down))),
                   "direction (deg)")  # fmt: skip

    return one


def _middle(shot: Shot, name: str, ends: np.ndarray) -> np.ndarray:
    """Two ends, mm, of the line along the middle of the shadow of one bone alone."""
    alone = shot._replace(limb=Limb((_piece(shot.limb, name),), {}))
    lengths = path_lengths(alone.limb, alone.view)
    first, last = shot.pic.mm(shot.view.shown(ends))
    for _ in range(3):
        length = float(np.hypot(*(last - first)))
        direction = (last - first) / length
        normal = np.array([direction[1], -direction[0]])
        along = np.linspace(-length / 2, length / 2, 80)
        axis = (first + last) / 2 + along[:, None] * direction
        sides = [
            true_edge(alone, axis, np.tile(normal, (80, 1)), side, bone=True, lengths=lengths)
            for side in (0, 1)
        ]
        height, slope, _ = straight(along, np.mean(sides, axis=0))
        first, last = ((first + last) / 2 + a * direction + (height + a * slope) * normal
                       for a in (-length / 2, length / 2))  # fmt: skip
    return np.stack([first, last])


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
    **{f"shaft axis, {site}": (40, axis_of(site)) for site in list(SITES)[2:]},
}  # fmt: skip
