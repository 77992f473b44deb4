"""Chords through the solids of the phantom are exact."""

from itertools import pairwise

import numpy as np
import pytest

from test_pacs.phantom.parts import lathe
from test_pacs.phantom.shapes import turned
from test_pacs.phantom.solids import (
    Rays,
    Solid,
    block,
    ellipsoid,
    lathe_segment,
    union_length,
    without,
)

PLACE = turned((31, -24, 57), (2.0, -1.0, 3.0))
WAIST = lathe_segment((4.0, 0.0, 0.25), (-6.0, 6.0), 0.7)
SOLIDS = {
    "ellipsoid": ellipsoid((5.0, 3.0, 8.0)).moved(PLACE),
    "ellipsoid cut by a plane": ellipsoid((5.0, 3.0, 8.0))
    .clipped((0.6, 0, 0.8, -2.0))
    .moved(PLACE),
    "block": block((4.0, 3.0, 5.0), 1.2).moved(PLACE),
    "cylinder": lathe_segment((9.0, 0.0, 0.0), (-5.0, 5.0), 0.6).moved(PLACE),
    "cone": lathe_segment((1.0, 0.5, 0.0625), (-3.0, 6.0), 0.8).moved(PLACE),
    "waisted, with a slanting axis": lathe_segment(
        (4.0, 0.0, 0.25), (-6.0, 6.0), 0.7, ((0.0, 0.2), (0.5, -0.1))
    ).moved(PLACE),
}


def rays(source=(30.0, 400.0, -20.0), target=(0.0, -50.0, 0.0), pixel=0.8, count=25) -> Rays:
    start, middle = np.array(source), np.array(target)
    right, down = np.array([-1.0, 0.05, 0]) * pixel, np.array([0, 0.02, 1.0]) * pixel
    corner = middle - start - right * count / 2 - down * count / 2
    steps = np.arange(count, dtype=float)
    return Rays(start, corner, down, right, steps, steps)


def along_z() -> Rays:
    """Rays nearly along the axis of the waisted solid: they leave its waist and come back."""
    start = np.array([1.0, 0.0, -500.0])
    across, up = np.array([0.4, 0, 0]), np.array([0, 0.4, 0])
    corner = np.array([-1.0, 0.0, 520.0]) - 12 * across - 12 * up
    steps = np.arange(25, dtype=float)
    return Rays(start, corner, up, across, steps, steps)


def chord(solid: Solid, beam: Rays) -> np.ndarray:
    return union_length(solid.spans(beam)) * beam.lengths()


def sampled(solid: Solid, beam: Rays, step: float = 0.01) -> np.ndarray:
    """Length inside by asking `contains` at points 0.01 mm apart: an independent integration."""
    direction = beam.direction()
    unit = direction / np.linalg.norm(direction, axis=-1, keepdims=True)
    nearest = -(beam.source * unit).sum(axis=-1)
    offsets = np.arange(-16.0, 16.0, step) + step / 2
    total = np.zeros(beam.shape)
    for offset in offsets:
        points = beam.source + (nearest + offset)[..., None] * unit
        total += solid.contains(points) * step
    return total


@pytest.mark.parametrize("name", SOLIDS)
def test_a_chord_agrees_with_sampling_along_the_ray(name: str) -> None:
    beam = rays()
    exact = chord(SOLIDS[name], beam)
    assert exact.max() > 3  # the solid is really hit
    assert np.abs(exact - sampled(SOLIDS[name], beam)).max() < 0.03


def test_a_ray_that_leaves_the_waist_and_enters_again_counts_both_stretches() -> None:
    beam = along_z()
    exact = chord(WAIST, beam)
    twice = sum((leave > enter).astype(int) for enter, leave in WAIST.spans(beam)) == 2
    assert twice.sum() > 5
    assert np.abs(exact - sampled(WAIST, beam)).max() < 0.05


def test_the_longest_chord_of_a_sphere_is_its_diameter() -> None:
    beam = rays(source=(0, 500, 0), target=(0, -50, 0), pixel=0.05)
    assert chord(ellipsoid((6, 6, 6)), beam).max() == pytest.approx(12.0, abs=2e-3)


def test_overlapping_intervals_are_counted_once_and_gaps_not_at_all() -> None:
    def at(a: float, b: float) -> tuple[np.ndarray, np.ndarray]:
        return np.array([[a]]), np.array([[b]])

    assert union_length([at(0, 2), at(1, 3), at(5, 6), at(9, 8)])[0, 0] == 4
    assert union_length([at(0, 4), at(1, 2)])[0, 0] == 4
    assert union_length(without([at(0, 4), at(1, 6)], at(2, 3)))[0, 0] == 5
    assert union_length(without([at(0, 4)], at(3, 1)))[0, 0] == 4


def test_a_lathe_body_has_no_steps_where_its_slices_meet() -> None:
    parts = lathe([(0, 4.0), (6, 4.5), (20, 2.5), (34, 3.8), (40, 3.0)], 0.8, [(0, 0.8), (40, 0.8)])
    for first, second in pairwise(parts):
        level = -second.outer.planes[0, 3] * -1  # the plane z >= z0 is (0, 0, -1, z0)
        for part in ("outer", "inner"):
            here, there = getattr(first, part), getattr(second, part)
            for offset in (0.0, 1e-4):
                radius = [
                    -(q[3, 3] + 2 * q[2, 3] * z + q[2, 2] * z * z)
                    for q, z in ((here.quadric, level - offset), (there.quadric, level + offset))
                ]
                assert radius[0] == pytest.approx(radius[1], abs=1e-3)


def test_the_inside_of_a_shell_lies_within_the_shell() -> None:
    parts = lathe([(0, 4.0), (6, 4.5), (20, 2.5), (34, 3.8), (40, 3.0)], 0.8, [(0, 0.8), (40, 0.8)])
    random = np.random.default_rng(1)
    points = random.uniform((-5, -5, -1), (5, 5, 41), (20000, 3))
    outer = np.any([part.outer.contains(points) for part in parts], axis=0)
    inner = np.any([part.inner.contains(points) for part in parts if part.inner], axis=0)
    assert inner.sum() > 1000
    assert not np.any(inner & ~outer)
