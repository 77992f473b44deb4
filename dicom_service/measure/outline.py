"""Skin and outermost bone along a limb, at sub-pixel accuracy, row by row across its axis."""

from dataclasses import dataclass

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.limb import STEP, Limb
from dicom_service.measure.model import NotMeasurable
from dicom_service.measure.raster import Array, Mask, Picture, cheapest, peak_shift
from dicom_service.measure.said import say

ROW = 0.3
"""Distance of the rows, mm."""
SETTINGS = ((0.5, 0.5), (0.35, 0.35), (0.35, 0.7), (0.65, 0.35), (0.65, 0.7))
"""Sharpness and outward pull of the five searches that must agree."""
AGREE = 0.5
FINEST = 0.1
"""mm: finer pixels are not sampled one by one; no edge is sharper than this."""
RIVAL = 0.2
"""An edge further out with this share of the chosen one's strength puts the row in doubt."""
VALLEY = 0.2
"""Fall of brightness outside the chosen edge, over that edge's height, that soft tissue has not."""
SHORTEST_RUN = 10.0
TIP = 1.2
"""mm of rows beside lost ones that give no thickness.

An edge is lost where the tip of another bone comes in, and the search follows the former edge
for a while, up to 12 mm off.
"""
BRANCH = 4.0
"""mm by which a side jumps from station to station where a toe begins."""
FEWEST = 10
"""Stations of an outline."""
WEB = 2
"""Stations left out at both ends."""
LONGEST_CUT, LONGEST_ONE_SIDED = 10, 40
"""Stations over which the limb may leave the field without ending the outline; the second, where
its other side is seen all along (palmar skin of a carpus leaves a field of 84 mm for 30 to 40 mm).
"""


@dataclass(frozen=True)
class Outlines:
    """Rows across a limb. Sides are (negative, positive) along the normal; NaN where unknown."""

    along: Array
    """mm along the axis."""
    axis: Array
    normals: Array
    skin: Array
    """Signed distance from the axis, (rows, 2)."""
    bone: Array
    tip: float = TIP
    """mm beside lost rows that give no thickness; none where only medians count (burnt out)."""

    def thickness(self) -> Array:
        """Soft tissue between skin and bone, mm, (rows, 2); NaN also just beside lost rows."""
        between = np.abs(self.skin - self.bone)
        known = np.isfinite(between)
        # up to two lost millimetres are noise
        whole = known | ndimage.binary_closing(known, np.ones((7, 1)))
        reach = np.ones((2 * round(self.tip / ROW) + 1, 1))
        return np.where(ndimage.binary_erosion(whole, reach, border_value=1), between, np.nan)

    def edge(self, distance: Array, side: int) -> Array:
        """Points in mm of one outline's known rows."""
        known = np.isfinite(distance[:, side])
        return np.asarray(self.axis[known] + self.normals[known] * distance[known, side][:, None])


def trace(pic: Picture, limb: Limb) -> Outlines:
    """The outlines of a limb over the longest stretch without a branch or a cut side."""
    first, last = _one_piece(limb)
    stations = np.arange(first, last) * STEP
    along = np.arange(stations[0], stations[-1], ROW)
    axis = np.stack([np.interp(along, stations, limb.axis[first:last, i]) for i in (0, 1)], axis=1)
    normals = np.stack(
        [np.interp(along, stations, limb.normals[first:last, i]) for i in (0, 1)], axis=1
    )
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    rough = np.stack(
        [np.interp(along, stations, limb.sides[first:last, i]) for i in (0, 1)], axis=1
    )
    skin = np.stack([_skin(pic, axis, normals, rough, side) for side in (0, 1)], axis=1)
    bone = _bones(pic, axis, normals, skin)
    return Outlines(along, axis, normals, skin, bone, 0.0 if limb.burnt else TIP)


def _one_piece(limb: Limb) -> tuple[int, int]:
    """First and last station of the longest stretch with both sides and no jump (toes).

    A side may be cut over a few stations, where a bulge leaves the field.
    """
    good = np.flatnonzero(np.isfinite(limb.sides).all(axis=1))
    sides, apart = limb.sides[good], np.diff(good)
    steps = np.abs(np.diff(sides, axis=0)).max(axis=1)
    # how many stations of both sides unseen lie before each: none between two where they are equal
    unseen = np.cumsum(~np.isfinite(limb.sides).any(axis=1))
    whole = np.diff(unseen[good]) == 0
    # a side that comes back elsewhere after so long is no branch, as long as the other goes on
    calm = np.abs(np.diff(sides, axis=0)).min(axis=1) < BRANCH
    long = (apart > LONGEST_CUT) & ~(whole & calm & (apart <= LONGEST_ONE_SIDED))
    branch = (steps >= BRANCH) & (apart <= LONGEST_CUT)
    ends = np.flatnonzero(long | branch) + 1
    pieces = np.split(good, ends)
    longest = max(pieces, key=lambda piece: piece[-1] - piece[0] if piece.size else 0)
    if longest.size < FEWEST:
        raise NotMeasurable(say("limb.leaves"))
    # the stations next to a branch belong to its web
    return int(longest[0]) + WEB, int(longest[-1]) + 1 - WEB


def _step(pic: Picture) -> float:
    return max(pic.fine, FINEST)


def _rows(pic: Picture, axis: Array, normals: Array, start: Array, inward: float,
          depths: Array) -> Array:  # fmt: skip
    """Samples from `start` (signed distance from the axis) inwards by `depths`, (rows, depths)."""
    place = start[:, None] + inward * depths[None, :]
    return pic.sample(axis[:, None, :] + normals[:, None, :] * place[..., None])


def _skin(pic: Picture, axis: Array, normals: Array, rough: Array, side: int) -> Array:
    """Foot of the square-root rise with which tissue begins at a rounded edge."""
    outward = -1.0 if side == 0 else 1.0
    step = 0.5 * _step(pic)
    depths = np.arange(-1.8, 2.5, _step(pic))
    start = _filled(rough[:, side])
    values = _rows(pic, axis, normals, start, -outward, depths)
    values = ndimage.uniform_filter1d(values, 3, axis=0)
    starts = np.arange(-1.3, 1.3, step)
    whole = _foot(np.asarray(values), depths, starts, linear=True)
    short: Mask = np.asarray(depths <= 1.0)
    brief = _foot(values[:, short], depths[short], starts, linear=False)
    weak = (whole[1] <= 0) | (whole[2] < 1) | ~np.isfinite(whole[0])
    foot, strength = np.where(weak, brief[0], whole[0]), np.where(weak, brief[1], whole[1])
    found = rough[:, side] - outward * foot
    smooth = ndimage.median_filter(_filled(found), 9)
    bad: Mask = ~np.isfinite(found) | (strength <= 0) | (np.abs(found - smooth) > 0.8)
    return np.where(bad, np.nan, found)


def _foot(values: Array, depths: Array, starts: Array, *, linear: bool) -> tuple[Array, ...]:
    """Best start, amplitude and amplitude over residual of b + A sqrt(x-x0) (+ c (x-x0))."""
    known: Mask = np.asarray(np.isfinite(values).all(axis=1))
    data = np.where(known[:, None], values, 0.0)
    beyond = np.clip(depths[None, :] - starts[:, None], 0, None)
    root = np.sqrt(beyond)
    # the root comes last: its coefficient is then what is left of it beside the other terms
    columns = [np.ones_like(beyond), beyond, root] if linear else [np.ones_like(beyond), root]
    basis, upper = np.linalg.qr(np.stack(columns, axis=2))
    count = basis.shape[2]
    flat = basis.transpose(1, 0, 2).reshape(len(depths), -1)
    shares = (data @ flat).reshape(len(data), len(starts), count)
    error = ((data**2).sum(axis=1)[:, None] - (shares**2).sum(axis=2)).T
    lead = upper[:, -1, -1]
    height = (shares[:, :, -1] / np.where(np.abs(lead) < 1e-9, np.inf, lead)).T
    best = error.argmin(axis=0)
    inner = np.clip(best, 1, len(starts) - 2)
    cols = np.arange(len(data))
    shift = peak_shift(-error[inner - 1, cols], -error[inner, cols], -error[inner + 1, cols])
    spread = np.sqrt(np.maximum(error[best, cols], 0) / max(1, len(depths) - 3)) + 1e-9
    place = starts[inner] + shift * (starts[1] - starts[0])
    place = np.where(known & (best == inner), place, np.nan)
    return place, height[best, cols], height[best, cols] / spread


def _bones(pic: Picture, axis: Array, normals: Array, skin: Array) -> Array:
    """The outermost cortex on both sides; only where all but one of the searches agree."""
    width = float(np.nanmedian(skin[:, 1] - skin[:, 0]))
    depths = np.arange(0.0, 0.62 * width, _step(pic))
    slopes, scores, grain = [], [], []
    for side, inward in ((0, 1.0), (1, -1.0)):
        start = _filled(skin[:, side])
        slope, score = _prominence(_rows(pic, axis, normals, start, inward, depths), _step(pic))
        half = 0.5 * (_filled(skin[:, 1]) - _filled(skin[:, 0]))
        score[depths[None, :] > (half * 1.15)[:, None]] = 0
        slopes.append(slope)
        scores.append(score)
        grain.append(_grain(slope))
    score = np.stack(scores)
    typical = np.median(score.max(axis=2), axis=1)
    costs = np.stack(
        [
            1
            - np.clip((score - 0.1 * typical[:, None, None]) / (k * typical[:, None, None]), 0, 1)
            + w * depths / depths[-1]
            for k, w in SETTINGS
        ],
        axis=1,
    )
    paths = cheapest(costs, 2, 0.02)
    bone = np.full(skin.shape, np.nan)
    for side, sign in ((0, 1.0), (1, -1.0)):
        depth = _agreed(
            paths[side],
            slopes[side],
            score[side],
            float(typical[side]),
            grain[side],
            _step(pic),
        )
        bone[:, side] = skin[:, side] + sign * depth
    return bone


def _grain(slope: Array) -> float:
    """Noise of the slope: what changes between rows 1.5 mm apart."""
    lag = round(1.5 / ROW)
    change = slope[lag:] - slope[:-lag]
    return float(1.4826 * np.median(np.abs(change)) / np.sqrt(2)) + 1e-9


def _filled(values: Array) -> Array:
    known = np.flatnonzero(np.isfinite(values))
    if known.size == 0:
        return np.zeros_like(values)
    return np.interp(np.arange(values.size), known, values[known])


def _prominence(values: Array, fine: float) -> tuple[Array, Array]:
    """Inward slope per mm, and how far its peaks stand out on both sides."""
    filled = np.where(np.isfinite(values), values, np.nanmin(values))
    smooth = ndimage.gaussian_filter(filled, (0.8 / ROW, 0.22 / fine))
    slope = np.gradient(smooth, fine, axis=1)
    reach = max(2, round(2.5 / fine))
    before = ndimage.minimum_filter1d(slope, reach, axis=1, origin=(reach - 1) // 2)
    after = ndimage.minimum_filter1d(slope, reach, axis=1, origin=-(reach // 2))
    score = np.minimum(slope - before, slope - after)
    # the skin's own rise ends at the first local minimum of the slope
    top = slope[:, : max(3, round(1.5 / fine))].argmax(axis=1)
    rising = np.diff(slope, axis=1) > 0
    index = np.arange(rising.shape[1])[None, :]
    first = np.where(rising & (index >= top[:, None]), index, rising.shape[1]).min(axis=1)
    score[np.arange(slope.shape[1])[None, :] <= first[:, None]] = 0
    score[~np.isfinite(values)] = 0
    return slope, np.clip(score, 0, None)


def _agreed(paths: Array, slope: Array, score: Array, typical: float, noise: float,
            fine: float) -> Array:  # fmt: skip
    rows = np.arange(slope.shape[0])
    column = np.median(paths, axis=0).astype(int)
    agree = (np.abs(paths - column) * fine <= AGREE).sum(axis=0) >= len(SETTINGS) - 1
    inner = np.clip(column, 1, slope.shape[1] - 2)
    shift = peak_shift(slope[rows, inner - 1], slope[rows, inner], slope[rows, inner + 1])
    depth = (inner + shift) * fine
    strong = score[rows, inner] > max(4 * noise, 0.4 * typical)
    step = np.abs(np.diff(depth, prepend=depth[:1]))
    alone = ~_rival(score, inner, noise, fine) & ~_valley(slope, inner, noise, fine)
    good = agree & strong & (inner == column) & alone
    return np.where(_long_runs(good, step >= 0.8), depth, np.nan)


def _rival(score: Array, column: Array, noise: float, fine: float) -> Mask:
    """Rows with another edge further out than the chosen one: a fainter bone may lie there."""
    outside = np.arange(score.shape[1])[None, :] < (column - round(0.6 / fine))[:, None]
    chosen = score[np.arange(len(score)), column]
    outer = np.where(outside, score, 0).max(axis=1)
    seen = outer > np.maximum(RIVAL * chosen, 6 * noise)
    # a rival is a line: it must go on over at least two millimetres
    return np.asarray(ndimage.binary_opening(seen, iterations=max(1, round(1.0 / ROW))))


def _valley(slope: Array, column: Array, noise: float, fine: float) -> Mask:
    """Rows where it grows darker again outside the chosen edge: a thin bone lies there.

    Soft tissue grows thicker, so brighter, from the skin to the bone; a small bone beside a large
    one has a dark gap behind it, though its own edge may be lost in that of the skin.
    """
    level = np.cumsum(slope, axis=1) * fine
    rows, reach = np.arange(len(level)), round(0.8 / fine)
    outside = np.arange(level.shape[1])[None, :] < (column - reach // 2)[:, None]
    fall = np.maximum.accumulate(level, axis=1) - level
    deepest = np.where(outside, fall, 0).max(axis=1)
    inner = np.minimum(column + reach, level.shape[1] - 1)
    height = level[rows, inner] - level[rows, np.maximum(column - reach, 0)]
    seen = deepest > np.maximum(VALLEY * height, 2 * noise * fine * reach)
    return np.asarray(ndimage.binary_opening(seen, iterations=max(1, round(1.0 / ROW))))


def _long_runs(good: Mask, jump: Mask) -> Mask:
    """Only runs of ten millimetres without a jump: short pieces are mostly wrong ones."""
    closed = ndimage.binary_closing(good, iterations=2) & ~jump
    labels, count = ndimage.label(closed)
    sizes = np.bincount(labels, minlength=count + 1)
    keep = sizes * ROW >= SHORTEST_RUN
    keep[0] = False
    return np.asarray(keep[labels] & good & ~np.roll(jump, -1))
