"""What the headers of a study say, and what in them does not fit."""

from dicom_service.intake.corrected import corrected
from dicom_service.intake.describe import describe, for_reading, is_image
from dicom_service.intake.model import (
    Confidence,
    Exposure,
    ImageFacts,
    Remark,
    Side,
    Signalment,
    Spacing,
    SpacingKind,
    StudyFacts,
)
from dicom_service.intake.priority import request_priority
from dicom_service.intake.same_animal import contradictions, signalment_of

__all__ = [
    "Confidence",
    "Exposure",
    "ImageFacts",
    "Remark",
    "Side",
    "Signalment",
    "Spacing",
    "SpacingKind",
    "StudyFacts",
    "contradictions",
    "corrected",
    "describe",
    "for_reading",
    "is_image",
    "request_priority",
    "signalment_of",
]
