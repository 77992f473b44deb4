"""Lengths, angles, joint spaces and profiles as evidence, with how far they can be trusted."""

from dicom_service.measure.lengths import CALIBRATION, complete
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Profile
from dicom_service.measure.raster import Picture, picture
from dicom_service.measure.request import MeasureRequest, measure, refused
from dicom_service.measure.said import Said, say

__all__ = [
    "CALIBRATION",
    "Drawn",
    "MeasureRequest",
    "Measured",
    "NotMeasurable",
    "Number",
    "Picture",
    "Profile",
    "Said",
    "complete",
    "measure",
    "picture",
    "refused",
    "say",
]
