"""What one header says about an image, and how far it can be trusted."""

from typing import NamedTuple

from dicom_service.intake.model import Confidence

IMAGE_DESCRIPTIONS = (
    "SeriesDescription",
    "ProtocolName",
    "AcquisitionDeviceProcessingDescription",
    "ImageComments",
)
"""Free text about one image or series, the most telling first."""
STUDY_DESCRIPTIONS = (
    "PerformedProcedureStepDescription",
    "RequestedProcedureDescription",
    "StudyDescription",
)
"""Free text about the whole study; it may speak of several images."""


class Said(NamedTuple):
    """What one attribute says."""

    value: str
    where: str
    """Keyword of the attribute."""
    words: str
    """The value as it stands there, for sentences."""
    confidence: Confidence = "stated"

    @property
    def quoted(self) -> str:
        """The attribute with its value."""
        return f"{self.where} '{self.words}'"


class Found(NamedTuple):
    """A view or the regions of an image, and where they come from."""

    value: tuple[str, ...] = ()
    found_in: str = ""
    confidence: Confidence = ""


Problems = list[tuple[str, str]]
"""(key of the remark, sentence without the image's name)"""


def of_text(keyword: str) -> Confidence:
    """How far words in an attribute can be trusted."""
    if keyword in STUDY_DESCRIPTIONS:
        return "guessed"
    return "inferred" if keyword in IMAGE_DESCRIPTIONS else "stated"


def lowered(confidence: Confidence) -> Confidence:
    """One step less, for what another header contradicts."""
    return "inferred" if confidence == "stated" else "guessed"
