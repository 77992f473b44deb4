"""Pieces of a body: unions of solids with an outer shell and a filled inside."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Literal

import numpy as np

from test_pacs.phantom._scipy import interpolate, ndimage
from test_pacs.phantom.beam import Projection
from test_pacs.phantom.solids import Array, Rays, Solid, lathe_segment, union_length, without

Tissue = Literal["bone", "skin", "fat", "deep", "pad", "metal"]
"""What a piece is: bone; everything inside the skin; inside the fat layer; deep to the fat; fat
among the deep tissues; an implant of steel."""

STRIP = 40
"""Rows that are worked on together: short strips see few solids each."""


@dataclass(frozen=True)
class Part:
    """One solid of a piece and the inside of its shell (None: solid through and through)."""

    outer: Solid
    inner: Solid | None = None

    def moved(self, affine: Array) -> "Part":
        """The part after an affine map."""
        return Part(self.outer.moved(affine), self.inner and self.inner.moved(affine))

    def clipped(self, plane: Sequence[float], rim: float) -> "Part":
        """The part on the negative side of a plane, closed by a bone plate `rim` mm thick."""
        inset = (*plane[:3], plane[3] + rim)
        return Part(self.outer.clipped(plane), self.inner and self.inner.clipped(inset))


@dataclass(frozen=True)
class Filling:
    """The inside of a bone: trabecular bone volume along the axis, and its texture.

    `stations` are (s in mm, share of trabecular bone); `to_local` maps limb to bone coordinates.
    """

    to_local: Array
    stations: tuple[tuple[float, float], ...]
    texture: float
    grain: float = 0.34
    """Size of one texture cell in mm across; along the axis it is three times as long."""

    def share(self, points: Array) -> Array:
        """Trabecular share at limb points (n, 3)."""
        local = points @ self.to_local[:3, :3].T + self.to_local[:3, 3]
        s, share = np.array(self.stations).T
        even = np.interp(local[:, 2], s, share)
        if not self.texture:
            return np.asarray(even, float)
        volume = _texture_volume()
        cells = (local / (self.grain, self.grain, 3 * self.grain)).T + 977.0
        grain = ndimage.map_coordinates(volume, cells, order=1, mode="grid-wrap")
        return np.asarray(even * np.maximum(1 + self.texture * grain, 0.0))


@cache
def _texture_volume() -> Array:
    """A periodic random field of mean 0 and standard deviation 1, the same in every run."""
    noise = np.random.default_rng(20240229).normal(size=(64, 64, 64))
    smooth = ndimage.gaussian_filter(noise, 0.8, mode="wrap")
    coarse = ndimage.gaussian_filter(noise, 2.4, mode="wrap")
    volume = smooth / smooth.std() + 0.3 * coarse / coarse.std()
    return np.asarray((volume - volume.mean()) / volume.std())


@dataclass(frozen=True)
class Piece:
    """A named piece: the union of its parts less its hollows, in limb coordinates.

    A hollow is a pair (hole, hole grown by the thickness of the bone plate around it); holes are
    convex.
    """

    name: str
    tissue: Tissue
    parts: tuple[Part, ...]
    hollows: tuple[tuple[Solid, Solid], ...] = ()
    filling: Filling | None = None
    centre: tuple[float, float, float] = (0.0, 0.0, 0.0)
    frame: Array = field(default_factory=lambda: np.eye(4))
    length: float = 0.0

    def moved(self, affine: Array) -> "Piece":
        """The piece after a rigid motion."""
        filling = self.filling and replace(
            self.filling, to_local=self.filling.to_local @ np.linalg.inv(affine)
        )
        return replace(
            self,
            parts=tuple(part.moved(affine) for part in self.parts),
            hollows=tuple((a.moved(affine), b.moved(affine)) for a, b in self.hollows),
            filling=filling,
            frame=affine @ self.frame,
            centre=tuple((affine @ np.array([*self.centre, 1.0]))[:3].tolist()),
        )

    def clipped(self, plane: Sequence[float], rim: float = 0.0) -> "Piece":
        """The part of the piece with n . p + d <= 0."""
        return replace(self, parts=tuple(part.clipped(plane, rim) for part in self.parts))


@dataclass(frozen=True)
class Paths:
    """Path lengths (mm) through one piece in a window of the image."""

    rows: slice
    columns: slice
    outer: Array
    inner: Array
    trabecular: Array
    """Length of solid bone within the inside."""


@dataclass(frozen=True)
class _Boxed:
    solid: Solid
    box: tuple[int, int, int, int]

    @classmethod
    def of(cls, solid: Solid, view: Projection) -> "_Boxed":
        points = view.shown(solid.hull)
        low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 1, 0)
        high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 1, (view.columns, view.rows))
        return cls(solid, (int(low[1]), int(high[1]), int(low[0]), int(high[0])))


def trace(piece: Piece, view: Projection, rays: Rays) -> Iterator[Paths]:
    """Exact path lengths through a piece, strip by strip."""
    outer = [_Boxed.of(part.outer, view) for part in piece.parts]
    inner = [_Boxed.of(part.inner, view) if part.inner else None for part in piece.parts]
    hollows = [(_Boxed.of(a, view), _Boxed.of(b, view)) for a, b in piece.hollows]
    first = min(b.box[0] for b in outer)
    last = max(b.box[1] for b in outer)
    for top in range(first, last, STRIP):
        rows = slice(top, min(top + STRIP, last))
        here = [i for i, b in enumerate(outer) if b.box[0] < rows.stop and b.box[1] > rows.start]
        if not here:
            continue
        columns = slice(min(outer[i].box[2] for i in here), max(outer[i].box[3] for i in here))
        if columns.stop <= columns.start:
            continue
        window = rays.window(rows, columns)
        scale = window.lengths()
        spans = _spans([outer[i].solid for i in here], window)
        for hole, _ in hollows:
            if hole.box[0] < rows.stop and hole.box[1] > rows.start:
                spans = without(spans, hole.solid.spans(window)[0])
        length = union_length(spans) * scale
        inside, solid = np.zeros_like(length), np.zeros_like(length)
        insides = [b.solid for i in here if (b := inner[i])]
        if insides:
            spans = _spans(insides, window)
            for _, grown in hollows:
                if grown.box[0] < rows.stop and grown.box[1] > rows.start:
                    spans = without(spans, grown.solid.spans(window)[0])
            inside = union_length(spans) * scale
            if piece.filling:
                solid = inside * _mean_share(piece.filling, spans, inside, window)
        yield Paths(rows, columns, length, inside, solid)


def _spans(solids: Sequence[Solid], window: Rays) -> list[tuple[Array, Array]]:
    return [span for solid in solids for span in solid.spans(window)]


def _mean_share(
    filling: Filling, spans: list[tuple[Array, Array]], hit: Array, window: Rays
) -> Array:
    """Mean trabecular share along each ray's inside: Gauss points between entry and exit."""
    enter = np.full(window.shape, np.inf)
    leave = np.full(window.shape, -np.inf)
    for start, end in spans:
        real = end > start
        enter = np.where(real, np.minimum(enter, start), enter)
        leave = np.where(real, np.maximum(leave, end), leave)
    chosen = np.nonzero(hit > 0)
    direction = window.direction()[chosen]
    start, extent = enter[chosen], (leave - enter)[chosen]
    mean = np.zeros(start.size)
    nodes, weights = np.polynomial.legendre.leggauss(5)
    for node, weight in zip(nodes, weights, strict=True):
        t = start + extent * (node + 1) / 2
        mean += weight / 2 * filling.share(window.source + t[:, None] * direction)
    image = np.zeros(window.shape)
    image[chosen] = mean
    return image


def lathe(
    stations: Sequence[Sequence[float]], aspect: float, shell: Sequence[Sequence[float]] = (),
    open_ends: tuple[bool, bool] = (False, False), most: int = 14,
) -> list[Part]:  # fmt: skip
    """A smooth body of elliptic section along z from stations (z, radius, centre x, centre y).

    The squared radius is a uniform quadratic B-spline, so every slice is one quadric and the
    slope has no steps. `shell` gives the wall as (z, thickness); an open end has no end plate.
    At `most` slices are made: what is finer than they are long is smoothed away.
    """
    table = np.array([[*row, 0.0, 0.0][:4] for row in stations], float)
    z0, z1 = table[0, 0], table[-1, 0]
    count = max(3, min(most, round((z1 - z0) / 3.5)))
    knots = np.linspace(z0, z1, count + 1)
    smooth = interpolate.PchipInterpolator(table[:, 0], table[:, 1:])
    radius = smooth(knots)[:, 0]
    wall = np.interp(knots, *np.array(shell).T) if len(shell) else None
    slices = [(z0, z0 + (knots[1] - z0) / 2)]
    slices += [
        (float(k - 0.5 * (knots[1] - z0)), float(k + 0.5 * (knots[1] - z0))) for k in knots[1:-1]
    ]
    slices.append((slices[-1][1], z1))
    parts = []
    for index, ends in enumerate(slices):
        here, there = smooth(ends[0])[1:], smooth(ends[1])[1:]
        slope = (there - here) / (ends[1] - ends[0])
        start = here - slope * ends[0]
        centre = ((float(start[0]), float(slope[0])), (float(start[1]), float(slope[1])))
        outer = lathe_segment(_spline_piece(radius**2, knots, index), ends, aspect, centre)
        if wall is None:
            parts.append(Part(outer))
            continue
        hollow = np.maximum(radius - wall, 0.05) ** 2
        low = ends[0] + (wall[0] if index == 0 and not open_ends[0] else 0)
        high = ends[1] - (wall[-1] if index == len(slices) - 1 and not open_ends[1] else 0)
        if high <= low:
            parts.append(Part(outer))
            continue
        piece = _spline_piece(hollow, knots, index)
        parts.append(Part(outer, lathe_segment(piece, (low, high), aspect, centre)))
    return parts


def _spline_piece(control: Array, knots: Array, index: int) -> tuple[float, float, float]:
    """Coefficients of z^0, z^1, z^2 of one piece of the uniform quadratic B-spline."""
    step = knots[1] - knots[0]
    last = control.size - 1
    if index in (0, last):
        a, b = (0, 1) if index == 0 else (last - 1, last)
        slope = (control[b] - control[a]) / step
        return float(control[a] - slope * knots[a]), float(slope), 0.0
    before, at, after = control[index - 1 : index + 2]
    # with w = (z - knot) / step: (before + 6 at + after) / 8 + (after - before) / 2 w + curve w^2
    level = (before + 6 * at + after) / 8
    tilt = (after - before) / 2 / step
    curve = (before - 2 * at + after) / 2 / step**2
    z = knots[index]
    return float(level - tilt * z + curve * z * z), float(tilt - 2 * curve * z), float(curve)
