"""The picture that is measured: attenuation bright, with working millimetres.

Every algorithm thinks in millimetres. An image without spacing gets a working size for its pixels
that only sets the widths of windows and filters; its results are given in pixels.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dicom_service.intake.model import Spacing, SpacingKind
from dicom_service.measure._scipy import ndimage
from dicom_service.measure.lengths import CALIBRATION, usable_spacing
from dicom_service.measure.model import NotMeasurable, Point
from dicom_service.measure.said import Said, say

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WORKING_MM = 0.15
"""Pixel size that windows assume when the header states none; plates have 0.1 to 0.2 mm."""
MOST_PIXELS = 60_000_000


@dataclass(frozen=True)
class Picture:
    """Attenuation (bright = attenuating), and the working size of a pixel in mm (across, down)."""

    values: NDArray[np.float32]
    size: tuple[float, float]
    calibration: Said
    unit: str
    doubts: tuple[Said, ...] = ()
    rung: SpacingKind = "none"
    """Where the spacing comes from."""

    @property
    def per_mm(self) -> float:
        """Units of the result per working millimetre."""
        return 1.0 if self.unit == "mm" else 1.0 / WORKING_MM

    @property
    def fine(self) -> float:
        """Sampling step in working mm."""
        return min(self.size)

    def mm(self, points: object) -> Array:
        """Image points (column, row) in working mm."""
        return np.asarray(np.asarray(points, float) * np.array(self.size), float)

    def points(self, mm: Array) -> tuple[Point, ...]:
        """Working mm as image points, rounded to a hundredth of a pixel."""
        return tuple((round(float(x), 2), round(float(y), 2)) for x, y in mm / np.array(self.size))

    def sample(self, mm: Array) -> Array:
        """Values at points (..., 2) in working mm, linear between pixels; NaN off the image."""
        columns = mm[..., 0] / self.size[0] - 0.5
        rows = mm[..., 1] / self.size[1] - 0.5
        off = (columns < 0) | (rows < 0)
        off |= (columns > self.values.shape[1] - 1) | (rows > self.values.shape[0] - 1)
        found = ndimage.map_coordinates(self.values, [rows, columns], order=1, mode="nearest")
        return np.where(off, np.nan, found.astype(float))


def picture(pixels: NDArray[np.generic], spacing: Spacing, *, inverted: bool = False) -> Picture:
    """The picture of stored values; `inverted` for MONOCHROME1 (high values dark = little dose).

    Raises
    ------
    NotMeasurable
        Colour, not two-dimensional, tiny, huge, or without any contrast.
    """
    if pixels.ndim != 2:
        raise NotMeasurable(say("picture.colour", colours=f"{pixels.ndim} dimensions"))
    if min(pixels.shape) < 64:
        raise NotMeasurable(say("picture.small", columns=pixels.shape[1], rows=pixels.shape[0]))
    if pixels.size > MOST_PIXELS:
        raise NotMeasurable(say("picture.large", columns=pixels.shape[1], rows=pixels.shape[0]))
    values = np.asarray(pixels, np.float32)
    if not np.isfinite(values).all():
        raise NotMeasurable(say("picture.not_numbers"))
    if inverted:
        values = values.max() - values
    if float(np.ptp(values)) < 8:
        raise NotMeasurable(say("picture.flat"))
    return _scaled(values, usable_spacing(spacing))


def _scaled(values: NDArray[np.float32], usable: Spacing) -> Picture:
    doubts: tuple[Said, ...] = ()
    if usable.kind == "none":
        size, unit = (WORKING_MM, WORKING_MM), "px"
        doubts = (say("picture.no_spacing", assumed=WORKING_MM),)
    else:
        size, unit = (usable.column_mm, usable.row_mm), "mm"
        if not (all(0.02 <= s <= 1.0 for s in size) and max(size) <= 2 * min(size)):
            raise NotMeasurable(say("picture.implausible", row=size[1], column=size[0]))
        if usable.kind in ("detector", "unknown"):
            doubts = (say("picture.magnified"),)
        if not 0.8 <= size[0] / size[1] <= 1.25:
            doubts += (say("picture.not_square", row=size[1], column=size[0]),)
    return Picture(values, size, CALIBRATION[usable.kind], unit, doubts, usable.kind)


def coarse(pic: Picture, mm: float) -> Picture:
    """The picture in blocks of about `mm`, whole blocks only."""
    down, across = (max(1, round(mm / s)) for s in (pic.size[1], pic.size[0]))
    rows, columns = pic.values.shape[0] // down, pic.values.shape[1] // across
    whole = pic.values[: rows * down, : columns * across]
    mean = whole.reshape(rows, down, columns, across).mean(axis=(1, 3))
    return replace(pic, values=mean, size=(pic.size[0] * across, pic.size[1] * down))


def cheapest(cost: Array, reach: int, bend: float = 0.0) -> NDArray[np.intp]:
    """Per row the column of the cheapest path; `cost` is (..., rows, columns).

    The path moves at most `reach` columns from row to row; each column moved costs `bend`.
    """
    rows, columns = cost.shape[-2:]
    came = np.zeros(cost.shape, np.int8)
    steps = np.arange(-reach, reach + 1)
    lead = cost.shape[:-2]
    padded = np.full((*lead, columns + 2 * reach), np.inf)
    total = padded[..., reach : reach + columns]
    total[...] = cost[..., 0, :]
    # a view of the padded totals, one layer per move, so that one call compares all moves
    moved = np.moveaxis(np.lib.stride_tricks.sliding_window_view(padded, columns, axis=-1), -2, 0)
    toll = bend * np.abs(steps).reshape(-1, *([1] * (len(lead) + 1)))
    options = np.empty((len(steps), *lead, columns))
    for row in range(1, rows):
        np.add(moved, toll, out=options)
        came[..., row, :] = options.argmin(axis=0) - reach
        total[...] = options.min(axis=0) + cost[..., row, :]
    path = np.zeros(cost.shape[:-1], np.intp)
    path[..., -1] = total.argmin(axis=-1)
    for row in range(rows - 1, 0, -1):
        here = path[..., row]
        move = np.take_along_axis(came[..., row, :], here[..., None], -1)[..., 0]
        path[..., row - 1] = here + move
    return path


def peak_shift(before: Array, at: Array, after: Array) -> Array:
    """Where the parabola through three neighbouring values has its top, -0.5 to 0.5 steps."""
    bend = before - 2 * at + after
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = 0.5 * (before - after) / bend
    return np.clip(np.where(bend < 0, shift, 0.0), -0.5, 0.5)
