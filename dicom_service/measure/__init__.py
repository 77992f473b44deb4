"""Lengths and angles as evidence, with how far their millimetres can be trusted."""

from dicom_service.measure.lengths import CALIBRATION, complete

__all__ = ["CALIBRATION", "complete"]
