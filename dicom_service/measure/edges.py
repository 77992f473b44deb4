"""The outer edge of a bone along straight lines: where brightness falls most on the way out."""

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.raster import Array, Mask, Picture, peak_shift

FIRST = 0.6
"""Share of the steepest fall that the first one on the way out must have."""
CLEAR = 8.0
"""Least fall over the grain of the slope."""


def outer_edge(
    pic: Picture, starts: Array, outward: Array, reach: float, *, hidden: float = np.inf,
    least: float = 0.0,
) -> tuple[Array, Mask, float]:  # fmt: skip
    """Distance from each start (mm, (n, 2)) to the bone's edge along `outward`; NaN: none.

    Brighter than `hidden` is metal: where it comes first, its near side is taken, and the second
    answer says so. The third is how steep the edge is; one less steep than `least` is none.
    """
    fine = pic.fine / 2
    steps = np.arange(0.0, reach, fine)
    values = pic.sample(starts[:, None, :] + steps[None, :, None] * outward)
    known = np.isfinite(values)
    filled = np.where(known, values, np.nanmin(values) if known.any() else 0.0)
    fall = -np.gradient(ndimage.gaussian_filter1d(filled, 0.25 / fine, axis=1), fine, axis=1)
    fall[~known] = 0
    metal = filled > hidden
    first_metal = np.where(metal.any(axis=1), metal.argmax(axis=1), values.shape[1])
    index = np.arange(values.shape[1])[None, :]
    fall[index >= (first_metal - round(0.6 / fine))[:, None]] = 0
    fall = np.clip(fall, 0, None)
    top = float(np.median(fall.max(axis=1)))
    grain = 1.4826 * float(np.median(np.abs(fall[:, 4:] - fall[:, :-4]))) + 1e-9
    if top < max(CLEAR * grain, least):
        place = np.full(len(starts), np.nan)
    else:
        strong = fall > FIRST * top
        at = strong.argmax(axis=1)
        rows, ahead = np.arange(len(starts)), round(0.6 / fine)
        near = np.stack([fall[r, a : a + ahead].argmax() for r, a in zip(rows, at, strict=True)])
        at = np.clip(at + near, 1, values.shape[1] - 2)
        shift = peak_shift(fall[rows, at - 1], fall[rows, at], fall[rows, at + 1])
        place = np.where(strong.any(axis=1), steps[at] + shift * fine, np.nan)
    covered = ~np.isfinite(place) & (first_metal < values.shape[1])
    place = np.where(covered, steps[np.minimum(first_metal, len(steps) - 1)], place)
    return place, np.asarray(covered), top


def straight(along: Array, values: Array) -> tuple[float, float, float]:
    """Height at zero, slope and rms of a robust line through what is known; NaN for too little."""
    known = np.isfinite(values)
    if known.sum() < 5:
        return float("nan"), float("nan"), float("nan")
    x, y = along[known], values[known]
    keep = np.ones(x.shape, bool)
    slope, start = 0.0, 0.0
    for _ in range(3):
        slope, start = np.polyfit(x[keep], y[keep], 1)
        away = np.abs(y - slope * x - start)
        keep = away <= max(0.15, 2.5 * float(np.median(away)))
    return float(start), float(slope), float(np.sqrt(np.mean((away[keep]) ** 2)))
