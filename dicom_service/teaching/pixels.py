"""Writing burned into a radiograph, outside of the limb, painted over; side markers stay.

What counts as writing: bright or dark strokes outside of the limb, small against the image, of
which several stand in a row. A side marker is one or two large letters and stands alone. Writing
over the limb itself is not found: the case says that a person must look.
"""

import numpy as np
from numpy.typing import NDArray

from dicom_service.measure._scipy import ndimage

Grey = NDArray[np.generic]
Box = tuple[slice, slice]
_WIDEST_STROKE, _WIDEST_STROKE_PX = 0.012, 7
"""Of a letter: as a share of the height of the image, and at least so many pixels."""
_CONTRAST = 0.15
"""Of a stroke against what is around it, as a share of the whole range."""
_LARGEST_LETTER = 0.06
"""Height of writing as a share of the image at most; a side marker is as large or alone."""
_LEAST_IN_ROW = 4
"""Letters in one line that make it writing, as a name or a number has."""


def paint_over_writing(pixels: Grey, *, limb: NDArray[np.bool_] | None = None) -> tuple[Grey, int]:
    """`pixels` without lines of writing, and how many letters were painted over.

    Parameters
    ----------
    pixels
        Rows by columns, stored values.
    limb
        Where the limb lies; None: it is found.
    """
    values = np.asarray(pixels)
    flat = values.astype(np.float32)
    inside = find_limb(flat) if limb is None else limb
    width = max(_WIDEST_STROKE_PX, round(_WIDEST_STROKE * flat.shape[0]))
    dark = ndimage.grey_closing(flat, size=(width, width)) - flat
    bright = flat - ndimage.grey_opening(flat, size=(width, width))
    strokes = (np.maximum(dark, bright) > _CONTRAST * float(np.ptp(flat))) & ~inside
    letters = _letters(strokes)
    found = [box for box in letters if _in_row(box, letters)]
    if not found:
        return values, 0
    cleaned = values.copy()
    for rows, columns in found:
        margin = max(2, (rows.stop - rows.start) // 4)
        area = (
            slice(max(rows.start - margin, 0), rows.stop + margin),
            slice(max(columns.start - margin, 0), columns.stop + margin),
        )
        patch = cleaned[area]
        patch[~inside[area]] = _without_strokes(flat, area, width)[~inside[area]]
    return cleaned, sum(_count(box) for box in found)


def _without_strokes(flat: NDArray[np.float32], area: Box, width: int) -> NDArray[np.float32]:
    """An area as it looks without anything as narrow as a stroke, bright or dark."""
    near = tuple(slice(max(side.start - width, 0), side.stop + width) for side in area)
    smooth = ndimage.grey_opening(flat[near], size=(width, width))
    smooth = ndimage.grey_closing(smooth, size=(width, width))
    own = tuple(
        slice(side.start - around.start, side.stop - around.start)
        for side, around in zip(area, near, strict=True)
    )
    result: NDArray[np.float32] = smooth[own]
    return result


def find_limb(flat: NDArray[np.float32]) -> NDArray[np.bool_]:
    """The largest thing in the exposed field that differs from its background, with its skin."""
    low, high = float(flat.min()), float(flat.max())
    exposed = (flat > low) & (flat < high)
    if not exposed.any():
        return np.zeros(flat.shape, bool)
    counts, edges = np.histogram(flat[exposed], bins=256)
    common = float(edges[int(np.argmax(counts))] + edges[int(np.argmax(counts)) + 1]) / 2
    near = np.abs(flat[exposed] - common)
    noise = 1.4826 * float(np.median(near[near < 0.05 * (high - low)]))
    smooth = ndimage.gaussian_filter(np.where(exposed, flat, common), 1.5)
    differs = np.abs(smooth - common) > max(4 * noise, 0.03 * (high - low))
    labels, count = ndimage.label(differs)
    if not count:
        return np.zeros(flat.shape, bool)
    sizes = ndimage.sum_labels(differs, labels, range(1, count + 1))
    grown: NDArray[np.bool_] = ndimage.binary_dilation(
        labels == int(np.argmax(sizes)) + 1, iterations=3
    )
    return grown


def _letters(strokes: NDArray[np.bool_]) -> list[Box]:
    labels, _ = ndimage.label(strokes, structure=np.ones((3, 3)))
    tallest = _LARGEST_LETTER * strokes.shape[0]
    return [
        box for box in ndimage.find_objects(labels) if 5 <= box[0].stop - box[0].start <= tallest
    ]


def _in_row(box: Box, letters: list[Box]) -> bool:
    height = box[0].stop - box[0].start
    middle = (box[0].stop + box[0].start) / 2
    same = [
        other
        for other in letters
        if abs((other[0].stop + other[0].start) / 2 - middle) <= height
        and 0.3 <= (other[0].stop - other[0].start) / height <= 3
        and abs(other[1].start - box[1].start) <= 25 * height
    ]
    return sum(_count(other) for other in same) >= _LEAST_IN_ROW


def _count(box: Box) -> int:
    """How many letters a box holds: touching ones are found as one."""
    height, width = (int(side.stop - side.start) for side in box)
    return max(1, round(width / height))
