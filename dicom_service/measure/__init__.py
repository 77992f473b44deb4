"""Lengths, angles, joint spaces and profiles as evidence, with how far they can be trusted."""

from dicom_service.measure.lengths import CALIBRATION, complete
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Profile
from dicom_service.measure.raster import Picture, picture
from dicom_service.measure.request import MeasureRequest, measure, refused

__all__ = [
    "CALIBRATION",
    "Drawn",
    "MeasureRequest",
    "Measured",
    "NotMeasurable",
    "Number",
    "Picture",
    "Profile",
    "complete",
    "measure",
    "picture",
    "refused",
]
