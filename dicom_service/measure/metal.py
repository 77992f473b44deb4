"""Whether something straight and bright is metal: its edges are steeper than those of any bone.

A bone is rounded, so that its shadow fades out; metal takes as much of the beam in its first
millimetre as a bone does in twenty. The image's own bones are the measure, since nobody knows what
a grey value means.
"""

from typing import NamedTuple

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.model import NotMeasurable
from dicom_service.measure.raster import Array, Picture, coarse
from dicom_service.measure.said import say

BLOCK, BLUR = 0.3, 0.21
"""mm of the blocks in which the image's other edges are taken, and their smoothing (sd)."""
STEEP = 3.0
"""Least steepness of both sides over that which 95 % of the limb's other places stay below: on the
phantom 1.7 at most on a limb without metal, 2.4 on a block of bone, 5 at least with metal."""
DENSE = 1.3
"""Least rise over that from the limb's middle tissue to its densest 5 %."""
LIMB = 0.15
"""Share of the image's range from which on a place is of the limb."""
FEW = 100
"""Places that are too few to stand for a limb."""
ASIDE, BRIGHTER = 2.0, 0.9
"""mm round the implant, and round all that is as bright, that are no measure for it: a plate or
other screws are no bone."""


class Contrast(NamedTuple):
    """How something clicked compares with the rest of the limb."""

    steep: float
    dense: float


def check_metal(pic: Picture, tips: Array, width: float) -> None:
    """Refuse what may be bone.

    Raises
    ------
    NotMeasurable
        Its edges or its density are such as bone has elsewhere on the image.
    """
    found = contrast(pic, tips, width)
    if found.steep < STEEP or found.dense < DENSE:
        raise NotMeasurable(say("metal.like_bone"))


def contrast(pic: Picture, tips: Array, width: float) -> Contrast:
    """The sides of a straight bright piece, and its rise, against the rest of the limb."""
    slope, rise, level = _own(pic, tips, width)
    steep, dense = _elsewhere(pic, tips, width, level)
    return Contrast(slope / max(steep, 1e-9), rise / max(dense, 1e-9))


def _own(pic: Picture, tips: Array, width: float) -> tuple[float, float, float]:
    """The fall on the less steep side (per mm), that from the middle to the denser side, and the
    brightness half way."""
    forward = (tips[1] - tips[0]) / np.hypot(*(tips[1] - tips[0]))
    across = np.array([-forward[1], forward[0]])
    middle = tips[0] + np.linspace(0.1, 0.9, 80)[:, None] * (tips[1] - tips[0])
    offsets = np.arange(-5.0 - width / 2, 5.0 + width / 2, pic.fine)
    values = np.nan_to_num(pic.sample(middle[:, None] + offsets[None, :, None] * across))
    smooth = ndimage.gaussian_filter1d(values, BLUR / pic.fine, axis=1)
    slope = np.gradient(smooth, pic.fine, axis=1)
    core = float(np.median(values[:, np.abs(offsets) < 0.3 * width]))
    falls, rises = [], []
    for sign in (-1.0, 1.0):
        away = sign * offsets - width / 2
        edge, beside = np.abs(away) < 1.0, (away > 1.2) & (away < 4.0)
        falls.append(float(np.median((-sign * slope[:, edge]).max(axis=1))))
        rises.append(core - float(np.median(values[:, beside])))
    return min(falls), min(rises), core - 0.5 * min(rises)


def _elsewhere(pic: Picture, tips: Array, width: float, level: float) -> tuple[float, float]:
    """The slope that 95 % of the rest of the limb stay below, and its rise to its densest 5 %."""
    rough = coarse(pic, BLOCK)
    values = rough.values.astype(float)
    smooth = ndimage.gaussian_filter(values, BLUR / np.array(rough.size[::-1]))
    slope = np.hypot(*np.gradient(smooth, *rough.size[::-1]))
    rows, columns = np.indices(values.shape) + 0.5
    places = np.stack([columns * rough.size[0], rows * rough.size[1]], axis=-1) - tips[0]
    length = float(np.hypot(*(tips[1] - tips[0])))
    forward = (tips[1] - tips[0]) / length
    along, beside = places @ forward, np.abs(places @ np.array([-forward[1], forward[0]]))
    own = (np.abs(along - length / 2) < length / 2 + ASIDE) & (beside < width / 2 + ASIDE)
    low, high = np.percentile(values, [1, 99.5])
    other = ndimage.binary_dilation(values > level, iterations=round(BRIGHTER / BLOCK))
    limb = (values > low + LIMB * (high - low)) & ~own & ~other
    if limb.sum() < FEW:
        limb = ~own  # nothing but even tissue beside the metal
    middle, dense = np.percentile(values[limb], [50, 95])
    return float(np.percentile(slope[limb], 95)), float(dense - middle)
