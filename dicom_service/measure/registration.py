"""Two images of a limb laid over each other along its axis: how far shifted, at what scale.

Compared is how bright the bones are along the axis (joints dark, shafts even), which a swelling
does not change and which is the same on the other limb. A match is certain only when it is good
and no other place is nearly as good.
"""

from dataclasses import dataclass

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.model import NotMeasurable
from dicom_service.measure.outline import ROW, Outlines
from dicom_service.measure.raster import Array, Mask, Picture
from dicom_service.measure.said import say

SCALES = np.arange(0.88, 1.1201, 0.01)
STEP = 0.3
"""mm between shifts that are tried."""
SHORTEST = 35.0
"""mm that must be seen in both images."""
CERTAIN, MARGIN = 0.75, 0.25
"""Least correlation of a match, and how much better than any other place it must be. Chosen on
phantoms: the same part, turned, moved, magnified or swollen, 0.90 and more; other parts and views
0.56 and less."""
SIDED = 0.4
"""Correlation of the difference of the halves that tells whether the sides are exchanged."""
ELSEWHERE = 5.0
"""mm from the match at which another place begins."""
BAND = 0.35
"""Of the width over the bones, on both sides of the middle: where brightness is averaged."""
DARKER = 60
"""Percentile of a row below which tissue is not of the brightest."""
COARSE = 6.0
"""mm: changes of brightness over more than this are exposure and thickness, and count nothing."""


@dataclass(frozen=True)
class Match:
    """`along` in the image = `shift` + `scale` × along in the control, mm."""

    shift: float
    scale: float
    agreement: float
    mirrored: bool | None = None
    """Whether first and second side are exchanged; None where that cannot be told."""


def brightness(pic: Picture, lines: Outlines) -> tuple[Array, Array, Array]:
    """Fine changes of brightness along a limb, row by row: of the middle between the skins, of its
    first half less its second, and of the brightest tissue; each in its standard deviations.
    """
    middle = lines.skin.mean(axis=1)
    middle = np.where(np.isfinite(middle), middle, np.nanmedian(middle))
    middle = ndimage.median_filter(middle, round(9 / ROW) | 1)
    return (*_band(pic, lines, middle), _band(pic, lines, _heaviest(pic, lines))[0])


def _heaviest(pic: Picture, lines: Outlines) -> Array:
    """The middle of the brightest tissue on each row, smooth along the limb: the bones.

    A swelling moves the middle between the skins, but not the bones.
    """
    rows = np.arange(len(lines.skin), dtype=float)
    skin = np.stack([_between(rows, lines.skin[:, side]) for side in (0, 1)], axis=1)
    place = skin[:, :1] + (skin[:, 1:] - skin[:, :1]) * np.linspace(0, 1, 80)
    values = pic.sample(lines.axis[:, None, :] + lines.normals[:, None, :] * place[..., None])
    low = np.nanmin(values) if np.isfinite(values).any() else 0.0
    values = np.where(np.isfinite(values), values, low)
    weight = np.clip(values - np.percentile(values, DARKER, axis=1, keepdims=True), 0, None)
    middle = (weight * place).sum(axis=1) / (weight.sum(axis=1) + 1e-9)
    size = round(9 / ROW) | 1
    smooth = ndimage.gaussian_filter1d(ndimage.median_filter(middle, size), 3 / ROW)
    return np.asarray(smooth, float)


def _between(rows: Array, values: Array) -> Array:
    known = np.isfinite(values)
    return np.interp(rows, rows[known], values[known]) if known.any() else np.zeros(len(rows))


def _band(pic: Picture, lines: Outlines, middle: Array) -> tuple[Array, Array]:
    """Fine changes of brightness in a band along a line: both halves, and their difference."""
    width = lines.bone[:, 1] - lines.bone[:, 0]
    half = BAND * float(np.nanmedian(width)) if np.isfinite(width).any() else 4.0
    place = middle[:, None] + np.linspace(-half, half, 25)[None, :]
    values = pic.sample(lines.axis[:, None, :] + lines.normals[:, None, :] * place[..., None])
    known: Mask = np.asarray(np.isfinite(values).mean(axis=1) > 0.8)
    if known.sum() * ROW < SHORTEST:
        nothing = np.full(len(middle), np.nan)
        return nothing, nothing
    half_count = values.shape[1] // 2
    first, second = (np.nanmean(v, axis=1) for v in (values[known, :half_count],
                                                      values[known, -half_count:]))  # fmt: skip
    return _fine(known, first + second), _fine(known, first - second)


def _fine(known: Mask, values: Array) -> Array:
    rows = np.flatnonzero(known)
    whole = np.interp(np.arange(len(known)), rows, values)
    fine = ndimage.gaussian_filter1d(whole, 0.3 / ROW)
    fine -= ndimage.gaussian_filter1d(fine, COARSE / ROW, mode="nearest")
    return np.where(known, fine / max(float(fine[rows].std()), 1e-9), np.nan)


def register(
    along: Array,
    bright: tuple[Array, Array],
    control_along: Array,
    control_bright: tuple[Array, Array],
    reach: float,
) -> Match:
    """Where the control lies on the image, shifted by at most `reach` mm.

    Raises
    ------
    NotMeasurable
        No match that is certain.
    """
    # Scaled about its middle, the control stays where it is: scale and shift are told apart.
    if not np.isfinite(control_bright[0]).any():
        raise NotMeasurable(say("control.little_limb"))
    middle = float(control_along[np.isfinite(control_bright[0])].mean())
    control_along = control_along - middle
    along = along - middle
    shifts = np.arange(-reach, reach + STEP / 2, STEP)
    tried = [
        _agreement(along, bright[0], control_along, control_bright[0], float(scale), shifts)
        for scale in SCALES
    ]
    found, shared = (np.array(part) for part in zip(*tried, strict=True))
    if not np.isfinite(found).any():
        raise NotMeasurable(say("control.little_shared", least=SHORTEST))
    # A short overlap agrees by chance more easily than a long one.
    length = np.sqrt(shared / shared.max())
    filled = np.where(np.isfinite(found), found, -1.0) * length
    scale, shift = np.unravel_index(int(filled.argmax()), filled.shape)
    best = float(found[scale, shift])
    away = np.abs(shifts - shifts[shift]) > ELSEWHERE
    others = (filled / length[scale, shift])[:, away]
    rival = float(others.max()) if away.any() else -1.0
    at_end = scale in (0, len(SCALES) - 1) or shift in (0, len(shifts) - 1)
    if best < CERTAIN or best - rival < MARGIN or at_end:
        raise NotMeasurable(say("control.no_match", best=best, rival=rival))
    at = shifts[shift : shift + 1]
    k = float(SCALES[scale])
    sided, _ = _agreement(along, bright[1], control_along, control_bright[1], k, at)
    sign = float(np.nan_to_num(sided[0]))
    mirrored = None if abs(sign) < SIDED else sign < 0
    return Match(float(at[0]) + middle * (1 - k), k, best, mirrored)


def _agreement(
    along: Array, bright: Array, control_along: Array, control_bright: Array, scale: float,
    shifts: Array,
) -> tuple[Array, Array]:  # fmt: skip
    """Correlation of image and control at each shift, NaN where they share too little; and how
    many rows they share."""
    place = (along[None, :] - shifts[:, None]) / scale
    known = np.isfinite(control_bright)
    if known.sum() < 2:
        return np.full(len(shifts), np.nan), np.zeros(len(shifts))
    there = np.interp(place, control_along[known], control_bright[known], left=np.nan, right=np.nan)
    both = np.isfinite(there) & np.isfinite(bright)[None, :]
    count = np.maximum(both.sum(axis=1, keepdims=True), 1)
    one = np.where(both, np.broadcast_to(bright, there.shape), 0.0)
    other = np.where(both, there, 0.0)
    one = np.where(both, one - one.sum(axis=1, keepdims=True) / count, 0.0)
    other = np.where(both, other - other.sum(axis=1, keepdims=True) / count, 0.0)
    norm = np.sqrt((one**2).sum(axis=1) * (other**2).sum(axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        found = (one * other).sum(axis=1) / norm
    rows = both.sum(axis=1)
    return np.where((rows * ROW >= SHORTEST) & (norm > 0), found, np.nan), rows.astype(float)
