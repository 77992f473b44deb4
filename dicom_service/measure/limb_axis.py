"""The axis of the limb in an image, from one end of what is seen of it to the other."""

import numpy as np

from dicom_service.measure.limb import find_limb
from dicom_service.measure.model import Drawn, Measured, Number
from dicom_service.measure.raster import Picture
from dicom_service.measure.said import say

METHOD, VERSION = "sesamoid.limb_axis", "1"
STATIONS = 24


def limb_axis(pic: Picture) -> Measured:
    """The middle line between the skins: a proposal of where the limb lies, no measurement of it.

    Raises
    ------
    NotMeasurable
        No limb, two limbs, a limb that fills the field, or one whose sides are both cut.
    """
    axis = find_limb(pic).axis
    length = float(np.hypot(*np.diff(axis, axis=0).T).sum()) * pic.per_mm
    chosen = axis[np.linspace(0, len(axis) - 1, STATIONS).round().astype(int)]
    return Measured(
        kind="limb_axis", method=METHOD, version=VERSION, calibration=pic.calibration,
        numbers=(Number(id="length", name=say("limb_axis.length"), value=length, unit=pic.unit),),
        drawn=(Drawn(kind="line", name="limb axis", points=pic.points(chosen)),),
        doubts=pic.doubts,
    )  # fmt: skip
