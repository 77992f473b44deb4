"""The axis of the limb in an image, from one end of what is seen of it to the other."""

import numpy as np

from dicom_service.measure.limb import Limb, find_limb
from dicom_service.measure.model import Drawn, Measured, Number
from dicom_service.measure.raster import Picture
from dicom_service.measure.said import say

METHOD, VERSION = "sesamoid.limb_axis", "2"
STATIONS = 24
ROWS = 80
"""Places along the limb at which its two sides are given."""


def limb_axis(pic: Picture) -> Measured:
    """Where the limb lies, no measurement of it: the line midway between the skins, and its sides.

    A side has no point where it leaves the field.

    Raises
    ------
    NotMeasurable
        No limb, two limbs, a limb that fills the field, or one whose sides are both cut.
    """
    limb = find_limb(pic)
    axis = limb.axis
    length = float(np.hypot(*np.diff(axis, axis=0).T).sum()) * pic.per_mm
    chosen = axis[np.linspace(0, len(axis) - 1, STATIONS).round().astype(int)]
    return Measured(
        kind="limb_axis", method=METHOD, version=VERSION, calibration=pic.calibration,
        numbers=(Number(id="length", name=say("limb_axis.length"), value=length, unit=pic.unit),),
        drawn=(Drawn(kind="line", name="limb axis", points=pic.points(chosen)), *_sides(pic, limb)),
        doubts=pic.doubts,
    )  # fmt: skip


def _sides(pic: Picture, limb: Limb) -> tuple[Drawn, ...]:
    rows = np.unique(np.linspace(0, len(limb.axis) - 1, ROWS).round().astype(int))
    drawn = []
    for side, name in enumerate(("first side", "second side")):
        known = rows[np.isfinite(limb.outmost[rows, side])]
        points = limb.axis[known] + limb.normals[known] * limb.outmost[known, side][:, None]
        drawn.append(Drawn(kind="points", name=name, points=pic.points(points)))
    return tuple(drawn)
