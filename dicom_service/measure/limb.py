"""Finds the exposed field, the limb in it and the limb's axis, on a coarse copy of the image."""

from dataclasses import dataclass

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.model import NotMeasurable
from dicom_service.measure.raster import Array, Mask, Picture, coarse
from dicom_service.measure.said import say

BLOCK = 0.6
LONGEST = 1500.0
"""mm of limb in one image; the longest, stitched of a horse's, show less."""
STEP = 1.2
"""Distance of the axis stations, mm."""
STIFF = 2e5
"""Of the axis: it follows bends over 25 mm and more, not a bulge of one side. Rows across a bulge
would otherwise turn, and a swollen limb be cut otherwise than its control."""


@dataclass(frozen=True)
class Limb:
    """A limb: stations of its axis (mm), unit normals, and where its silhouette ends.

    `sides` are the signed distances from the axis to the silhouette (negative side, positive
    side), NaN where a side leaves the field. `outmost` are those to the last toe of a side, where
    toes are apart. `burnt` says that the background is clipped, so that the skin may be invisible.
    """

    axis: Array
    normals: Array
    sides: Array
    outmost: Array
    noise: float
    burnt: bool
    field_sides: int


def find_limb(pic: Picture) -> Limb:
    """The one limb of a picture.

    Raises
    ------
    NotMeasurable
        No limb, two limbs, a limb that fills the field, or one whose sides are both cut.
    """
    small = coarse(pic, BLOCK)
    field, field_sides = exposed_field(small.values.astype(float))
    if field.sum() < 400:
        raise NotMeasurable(say("limb.no_field"))
    excess, noise, background = _background(small.values.astype(float), field)
    full_range = float(np.percentile(excess[field], 99) - np.percentile(excess[field], 1))
    mask = (excess > max(4 * noise, 0.006 * full_range)) & field
    mask = _largest(ndimage.binary_opening(mask, iterations=2), field)
    share = float((background & field & ~mask).sum() / field.sum())
    if share < 0.08:
        raise NotMeasurable(say("limb.fills", share=share))
    axis, normals, sides, outmost = _axis(mask, field, small)
    return Limb(
        axis, normals, sides, outmost, noise, _burnt(pic, small, background & ~mask), field_sides
    )


def exposed_field(values: Array) -> tuple[Mask, int]:
    """The part of a coarse image inside the collimator, and how many of its edges were seen."""
    field = ~_constant(values)
    found = 0
    for turn in range(4):
        inside = _top_edge(np.rot90(values, turn), np.rot90(field, turn))
        if inside is not None:
            field = field & np.rot90(inside, -turn)
            found += 1
    margin = max(2, round(0.012 * max(values.shape)))
    # a collimator has a penumbra, the border of the image has none
    eroded = np.asarray(ndimage.binary_erosion(field, iterations=margin, border_value=1), bool)
    eroded[[0, -1]] = eroded[:, [0, -1]] = False
    return eroded, found


def _constant(values: Array) -> Mask:
    """Rows and columns at an edge that a shutter has painted with one value."""
    out: Mask = np.zeros(values.shape, bool)
    for extreme in (values.min(), values.max()):
        painted = values == extreme
        found = _painted(painted)
        # burnt-out air beside the limb has one value too, and goes on round the limb
        if np.mean(painted[~found]) < 0.01:
            out |= found
    return out


def _painted(painted: Mask) -> Mask:
    out: Mask = np.zeros(painted.shape, bool)
    for axis in (0, 1):
        lines = painted.mean(axis=1 - axis) >= 0.98
        if lines.all():
            continue
        view: Mask = np.moveaxis(out, axis, 0)
        view[: int(np.argmin(lines))] = True
        view[len(lines) - int(np.argmin(lines[::-1])) :] = True
    return out


def _top_edge(values: Array, field: Mask) -> Mask | None:
    """Inside of the collimator's edge at the top (dense above, exposed below), or None."""
    slope = np.clip(-ndimage.gaussian_filter(values, 1.5, order=(1, 0)), 0, None)
    slope[~ndimage.binary_erosion(field, iterations=2)] = 0
    rows, columns = values.shape
    slope[int(0.45 * rows) :] = 0
    strong = slope > 0.25 * np.percentile(slope[: int(0.45 * rows)], 99.8)
    r, c = np.nonzero(strong)
    if r.size < 0.3 * columns:
        return None
    weight = slope[r, c]
    best = (0.0, 0, 0.0)
    for angle in np.arange(-15, 15.1, 0.5):
        tan = np.tan(np.radians(angle))
        place = np.rint(r - (c - columns / 2) * tan).astype(int) + columns
        votes = np.bincount(place, weights=weight)
        top = int(votes.argmax())
        if votes[top] > best[0]:
            best = (float(votes[top]), top - columns, float(tan))
    line = best[1] + (np.arange(columns) - columns / 2) * best[2]
    near = np.abs(r - line[c]) <= 2
    coverage = np.unique(c[near]).size / columns
    below = np.arange(rows)[:, None] >= line[None, :]
    outside, inside = values[~below & field], values[below & field]
    if outside.size < columns or inside.size < outside.size or coverage < 0.35:
        return None
    spread = float(np.percentile(values, 99.5) - np.percentile(values, 0.5))
    if np.percentile(outside, 10) < np.percentile(inside, 10) + 0.35 * spread:
        return None
    return np.asarray(below)


def _background(values: Array, field: Mask) -> tuple[Array, float, Mask]:
    """Attenuation above a smooth background, its noise, and where the background is."""
    inside = values[field]
    low, high = np.percentile(inside, [0.2, 99.8])
    counts, edges = np.histogram(inside, 200, (low, high))
    smooth = ndimage.gaussian_filter1d(counts.astype(float), 2)
    peaks = np.flatnonzero(
        (smooth >= np.roll(smooth, 1)) & (smooth >= np.roll(smooth, -1)) & (smooth > 0)
    )
    tall = peaks[smooth[peaks] > 0.15 * smooth.max()]
    mode = float(edges[int(tall[0])])
    y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in values.shape), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    chosen = field & (np.abs(values - mode) < 0.06 * (high - low))
    excess, noise = values - mode, 0.0
    for _ in range(8):
        if chosen.sum() < 60:
            raise NotMeasurable(say("limb.no_air"))
        used = terms[chosen]
        weights = np.linalg.solve(used.T @ used + 1e-9 * np.eye(6), used.T @ values[chosen])
        excess = values - terms @ weights
        noise = float(1.4826 * np.median(np.abs(excess[chosen])))
        chosen = field & (np.abs(excess) < max(3 * noise, 1e-3 * (high - low)))
    return excess, noise, np.asarray(chosen)


def _largest(mask: Mask, field: Mask) -> Mask:
    labels, count = ndimage.label(mask)
    if count == 0:
        raise NotMeasurable(say("limb.none"))
    areas = np.bincount(labels.ravel())[1:]
    order = np.argsort(areas)[::-1]
    if areas[order[0]] < 0.03 * field.sum():
        raise NotMeasurable(say("limb.none"))
    if count > 1 and areas[order[1]] > 0.3 * areas[order[0]]:
        raise NotMeasurable(say("limb.two"))
    return np.asarray(ndimage.binary_fill_holes(labels == order[0] + 1))


def _burnt(pic: Picture, small: Picture, background: Mask) -> bool:
    down = round(small.size[1] / pic.size[1])
    across = round(small.size[0] / pic.size[0])
    rows, columns = background.shape
    single = pic.values[down // 2 :: down, across // 2 :: across][:rows, :columns]
    return bool(np.mean(single[background] <= pic.values.min()) > 0.5)


def _axis(mask: Mask, field: Mask, small: Picture) -> tuple[Array, Array, Array, Array]:
    r, c = np.nonzero(mask)
    cloud = (np.stack([c, r], axis=1) + 0.5) * np.array(small.size)
    middle = cloud.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((cloud - middle).T))
    direction = vectors[:, 1]
    if abs(direction[1]) > 0.5 and direction[1] < 0:
        direction = -direction
    along = (cloud - middle) @ direction
    if np.ptp(along) > LONGEST:
        raise NotMeasurable(say("limb.long", length=float(np.ptp(along))))
    # about the middle, so that a turned image has the same stations
    count = int(np.ptp(along) / STEP)
    stations = (along.min() + along.max()) / 2 + STEP * (np.arange(count + 1) - count / 2)
    axis = middle + stations[:, None] * direction
    reach = float(np.abs((cloud - middle) @ vectors[:, 0]).max()) + 8
    for _ in range(4):
        normals = _normals(axis)
        sides = _sides(*_across(mask, field, small, axis, normals, reach))
        good = np.isfinite(sides).all(axis=1)
        if good.sum() < 10:
            raise NotMeasurable(say("limb.leaves"))
        moved = axis + normals * np.where(good, sides.mean(axis=1), 0.0)[:, None]
        axis = _smooth(moved, good.astype(float))
    normals = _normals(axis)
    rows = _across(mask, field, small, axis, normals, reach)
    return axis, normals, _sides(*rows), _outmost(*rows)


def _sides(offsets: Array, inside: Mask, exposed: Mask) -> Array:
    """Both ends of the run of the mask through each station; NaN where it meets the field's rim."""
    sides = np.full((len(inside), 2), np.nan)
    centre = len(offsets) // 2
    for row in range(len(inside)):
        if not inside[row].any():
            continue
        hits = np.flatnonzero(inside[row])
        start = int(hits[np.argmin(np.abs(hits - centre))])
        gaps = np.flatnonzero(~inside[row])
        left, right = gaps[gaps < start], gaps[gaps > start]
        for side, ends in ((0, left[-1:]), (1, right[:1])):
            if (
                ends.size
                and exposed[row, max(0, min(len(offsets) - 1, ends[0] + 4 * (2 * side - 1)))]
            ):
                sides[row, side] = offsets[ends[0]] + 0.15 * (1 - 2 * side)
    return sides


def _across(
    mask: Mask, field: Mask, small: Picture, axis: Array, normals: Array, reach: float
) -> tuple[Array, Mask, Mask]:
    """Offsets across the axis, and where each station's row is in the mask and in the field."""
    offsets = np.arange(-reach, reach + 0.1, 0.3)
    where = axis[:, None, :] + normals[:, None, :] * offsets[None, :, None]
    index = [where[..., 1] / small.size[1] - 0.5, where[..., 0] / small.size[0] - 0.5]
    inside = ndimage.map_coordinates(mask.astype(np.float32), index, order=1) > 0.5
    exposed = ndimage.map_coordinates(field.astype(np.float32), index, order=1) > 0.5
    return offsets, inside, exposed


def _outmost(offsets: Array, inside: Mask, exposed: Mask) -> Array:
    """The mask's first and last place on each row; NaN where that lies at the field's rim."""
    first, last = inside.argmax(axis=1), inside.shape[1] - 1 - inside[:, ::-1].argmax(axis=1)
    rows, top = np.arange(len(inside)), len(offsets) - 1
    found = np.full((len(inside), 2), np.nan)
    for side, (end, beyond) in enumerate(((first, first - 4), (last, last + 4))):
        seen = inside.any(axis=1) & exposed[rows, np.clip(beyond, 0, top)]
        found[seen, side] = offsets[end[seen]]
    return found


def _normals(axis: Array) -> Array:
    tangent = np.gradient(axis, axis=0)
    tangent = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
    return np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)


def _smooth(axis: Array, weight: Array, strength: float = STIFF) -> Array:
    """Whittaker smoothing: straight where there is no evidence."""
    second = np.diff(np.eye(len(axis)), 2, axis=0)
    system = np.diag(weight + 1e-9) + strength * second.T @ second
    return np.asarray(np.linalg.solve(system, weight[:, None] * axis))
