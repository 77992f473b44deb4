"""Solids bounded by one quadric and any number of planes, and exact chords through them.

A solid is the set of points p with  p' Q p <= 0  and  n . p + d <= 0  for each plane, p being
homogeneous (x, y, z, 1). Affine maps of a solid are solids again, so bent, sheared and turned
bones stay exact. A ray meets a quadric in the roots of one quadratic; nothing is sampled.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_PARALLEL = 1e-14
"""Below this the quadratic term counts as zero (a ray along a ruling line)."""


@dataclass(frozen=True)
class Rays:
    """Rays from one point to a grid of detector points: source + t * direction, 0 <= t <= 1.

    direction(row, column) = corner + row * step_row + column * step_column, in mm, so quadratic
    forms of it are cheap. `rows` and `columns` are index vectors (whole or broken numbers).
    """

    source: Array
    corner: Array
    step_row: Array
    step_column: Array
    rows: Array
    columns: Array

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and of columns."""
        return self.rows.size, self.columns.size

    def window(self, rows: slice, columns: slice) -> "Rays":
        """The rays of a part of the grid."""
        return replace(self, rows=self.rows[rows], columns=self.columns[columns])

    def direction(self) -> Array:
        """All directions, shape (rows, columns, 3)."""
        return np.asarray(
            self.corner
            + self.rows[:, None, None] * self.step_row
            + self.columns[None, :, None] * self.step_column
        )

    def lengths(self) -> Array:
        """Length of each direction in mm: turns a difference of t into millimetres."""
        return np.sqrt(self.quadratic(np.eye(3)))

    def linear(self, vector: Array) -> Array:
        """vector . direction for every ray."""
        column = vector @ self.corner + self.rows * (vector @ self.step_row)
        row = self.columns * (vector @ self.step_column)
        return np.asarray(column[:, None] + row[None, :])

    def quadratic(self, form: Array) -> Array:
        """direction' form direction for every ray; `form` is symmetric, 3 by 3."""
        r, c = self.rows, self.columns
        corner, step_r, step_c = self.corner, self.step_row, self.step_column
        column = (
            corner @ form @ corner
            + 2 * r * (corner @ form @ step_r)
            + r * r * (step_r @ form @ step_r)
        )
        row = 2 * c * (corner @ form @ step_c) + c * c * (step_c @ form @ step_c)
        mixed = 2 * (step_r @ form @ step_c)
        return np.asarray(column[:, None] + row[None, :] + mixed * r[:, None] * c[None, :])


@dataclass(frozen=True)
class Solid:
    """One quadric cut by planes; `hull` are points whose convex hull contains the solid."""

    quadric: Array
    planes: Array
    hull: Array

    def moved(self, affine: Array) -> "Solid":
        """The solid after the affine map (4 by 4)."""
        back = np.linalg.inv(affine)
        return Solid(
            back.T @ self.quadric @ back,
            self.planes @ back,
            np.asarray(self.hull @ affine[:3, :3].T + affine[:3, 3]),
        )

    def clipped(self, *planes: Sequence[float]) -> "Solid":
        """The part with n . p + d <= 0 for each plane (nx, ny, nz, d)."""
        return replace(self, planes=np.vstack([self.planes, np.array(planes, float)]))

    def spans(self, rays: Rays) -> list[tuple[Array, Array]]:
        """Where the rays are inside, as one or two intervals of t; empty where enter >= leave."""
        form, half, rest = self.quadric[:3, :3], self.quadric[:3, 3], self.quadric[3, 3]
        source = rays.source
        a = rays.quadratic(form)
        b = rays.linear(form @ source + half)
        c = float(source @ form @ source + 2 * half @ source + rest)
        low, high = self._between_planes(rays)
        if float(a.min()) > _PARALLEL:
            root = np.sqrt(np.maximum(b * b - a * c, 0.0))
            return [(np.maximum((-b - root) / a, low), np.minimum((-b + root) / a, high))]
        return _open_spans(a, b, c, low, high)

    def _between_planes(self, rays: Rays) -> tuple[Array, Array]:
        low, high = np.zeros(rays.shape), np.ones(rays.shape)
        for plane in self.planes:
            normal, offset = plane[:3], float(plane[:3] @ rays.source + plane[3])
            slope = rays.linear(normal)
            with np.errstate(divide="ignore", invalid="ignore"):
                t = -offset / slope
            low = np.where(slope < 0, np.maximum(low, t), low)
            high = np.where(slope > 0, np.minimum(high, t), high)
            if offset > 0:
                high = np.where(slope == 0, -1.0, high)
        return low, high

    def contains(self, points: Array) -> NDArray[np.bool_]:
        """Whether each point (..., 3) lies inside."""
        full = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1)
        inside = np.einsum("...i,ij,...j->...", full, self.quadric, full) <= 0
        return np.asarray(inside & np.all(full @ self.planes.T <= 0, axis=-1))


def _open_spans(a: Array, b: Array, c: float, low: Array, high: Array) -> list[tuple[Array, Array]]:
    """Intervals where a t^2 + 2 b t + c <= 0 when `a` may be zero or negative (waisted solids)."""
    disc = b * b - a * c
    root = np.sqrt(np.maximum(disc, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        first, second = (-b - root) / a, (-b + root) / a
        straight = -c / (2 * b)
    flat = np.abs(a) <= _PARALLEL
    bowl, dome = (a > 0) & ~flat, (a < 0) & ~flat
    everywhere = (dome & (disc <= 0)) | (flat & (b == 0) & (c <= 0))
    never = (bowl & (disc <= 0)) | (flat & (b == 0) & (c > 0))
    # a dome (a < 0) is inside before its smaller root and after its larger one
    enter = np.where(bowl, first, np.where(flat & (b < 0), straight, -np.inf))
    leave = np.where(bowl | dome, second, np.where(flat & (b > 0), straight, np.inf))
    leave = np.where(everywhere, np.inf, np.where(never, -np.inf, leave))
    again = np.where(dome & ~everywhere, first, np.inf)
    return [
        (np.maximum(enter, low), np.minimum(leave, high)),
        (np.maximum(again, low), high),
    ]


def union_length(spans: Sequence[tuple[Array, Array]]) -> Array:
    """Length of the union of intervals, ray by ray (in t)."""
    if len(spans) == 1:
        return np.maximum(spans[0][1] - spans[0][0], 0.0)
    shape = spans[0][0].shape
    enter = np.stack([span[0] for span in spans]).reshape(len(spans), -1)
    leave = np.stack([span[1] for span in spans]).reshape(len(spans), -1)
    hit = leave > enter
    total = np.where(hit, leave - enter, 0.0).sum(axis=0)
    several = np.flatnonzero(hit.sum(axis=0) > 1)
    if several.size:
        total[several] = _merged(enter[:, several], leave[:, several], hit[:, several])
    return np.asarray(total.reshape(shape))


def _merged(enter: Array, leave: Array, hit: NDArray[np.bool_]) -> Array:
    enter = np.where(hit, enter, np.inf)
    order = np.argsort(enter, axis=0)
    enter = np.take_along_axis(enter, order, axis=0)
    leave = np.take_along_axis(np.where(hit, leave, -np.inf), order, axis=0)
    total = np.zeros(enter.shape[1])
    reached = np.full(enter.shape[1], -np.inf)
    for start, end in zip(enter, leave, strict=True):
        total += np.maximum(end - np.maximum(start, reached), 0.0)
        reached = np.maximum(reached, end)
    return total


def without(
    spans: Sequence[tuple[Array, Array]], hole: tuple[Array, Array]
) -> list[tuple[Array, Array]]:
    """The intervals less one interval per ray."""
    empty = hole[1] <= hole[0]
    start = np.where(empty, np.inf, hole[0])
    end = np.where(empty, np.inf, hole[1])
    kept = []
    for enter, leave in spans:
        kept.append((enter, np.minimum(leave, start)))
        kept.append((np.maximum(enter, end), leave))
    return kept


def _box(low: Sequence[float], high: Sequence[float]) -> Array:
    return np.array(
        [(x, y, z) for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    )


def ellipsoid(semi: Sequence[float]) -> Solid:
    """An ellipsoid about the origin with these half axes in mm."""
    a, b, c = semi
    quadric = np.diag([1 / a**2, 1 / b**2, 1 / c**2, -1.0])
    return Solid(quadric, np.empty((0, 4)), _box((-a, -b, -c), (a, b, c)))


def block(half: Sequence[float], roundness: float) -> Solid:
    """A box with rounded edges: an ellipsoid `roundness` (1.0-1.7) times as large, cut by 6 planes.

    At 1.0 it is the ellipsoid itself; from the square root of 3 on it is a sharp box.
    """
    a, b, c = half
    round_body = ellipsoid([roundness * h for h in half])
    planes = [
        (1, 0, 0, -a), (-1, 0, 0, -a), (0, 1, 0, -b), (0, -1, 0, -b), (0, 0, 1, -c), (0, 0, -1, -c),
    ]  # fmt: skip
    return replace(round_body.clipped(*planes), hull=_box((-a, -b, -c), (a, b, c)))


def lathe_segment(
    radius_squared: tuple[float, float, float],
    ends: tuple[float, float],
    aspect: float,
    centre: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0)),
) -> Solid:
    """A slice z0 <= z <= z1 of a body of elliptic section with q(z) = k0 + k1 z + k2 z^2.

    The section is (x - cx)^2 + ((y - cy) / aspect)^2 <= q(z), with the centre a straight line:
    `centre` = ((cx, slope_x), (cy, slope_y)), cx + slope_x z. Cylinder, cone, paraboloid,
    ellipsoid and waisted hyperboloid are the cases of q.
    """
    k0, k1, k2 = radius_squared
    z0, z1 = ends
    quadric = np.zeros((4, 4))
    quadric[0, 0], quadric[1, 1], quadric[2, 2] = 1.0, 1 / aspect**2, -k2
    quadric[2, 3] = quadric[3, 2] = -k1 / 2
    quadric[3, 3] = -k0
    peak = [z0, z1]
    if k2 < 0 and z0 < -k1 / (2 * k2) < z1:
        peak.append(-k1 / (2 * k2))
    reach = float(np.sqrt(max(0.0, *(k0 + k1 * z + k2 * z * z for z in peak))))
    straight = Solid(
        quadric,
        np.array([(0, 0, -1, z0), (0, 0, 1, -z1)], float),
        _box((-reach, -reach * aspect, z0), (reach, reach * aspect, z1)),
    )
    (cx, slope_x), (cy, slope_y) = centre
    shear = np.eye(4)
    shear[0, 2:], shear[1, 2:] = (slope_x, cx), (slope_y, cy)
    return straight.moved(shear)
