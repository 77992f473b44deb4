"""The search pattern of one study, and what its reading has answered, left open or contradicted."""

from dicom_service.review.carry import carry_over
from dicom_service.review.check import check_reading
from dicom_service.review.coverage import coverage
from dicom_service.review.gaps import gaps
from dicom_service.review.opening import opening_reading
from dicom_service.review.prose import findings_text
from dicom_service.review.template import build_template

__all__ = [
    "build_template",
    "carry_over",
    "check_reading",
    "coverage",
    "findings_text",
    "gaps",
    "opening_reading",
]
