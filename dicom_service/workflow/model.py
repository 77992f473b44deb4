"""What the desk hands to a reader's panel."""

from pydantic import AwareDatetime

from dicom_service.base import Frozen
from dicom_service.codes import Code
from dicom_service.intake.model import StudyFacts
from dicom_service.review.model import Coverage, Gap, Reading, Template


class DescriptorChoice(Frozen):
    """A descriptor that can be put on a finding."""

    id: str
    label: str
    code: Code


class DocumentState(Frozen):
    """A stored document and how far its delivery has come."""

    kind: str
    role: str
    sop_instance_uid: str
    series_uid: str
    signed_by: str = ""
    signed_at: AwareDatetime | None = None
    delivery: str = ""
    delivery_detail: str = ""


class Saved(Frozen):
    """The answer to a save: the new version and what is still open."""

    version: int
    reading: Reading
    coverage: Coverage
    gaps: tuple[Gap, ...]
    saved_at: AwareDatetime


class Preview(Frozen):
    """The report as the referring veterinarian will read it."""

    findings_text: str
    text: str


class OpenReading(Frozen):
    """All that a panel needs to show a study and go on reading it."""

    version: int
    state: str
    reader: str
    facts: StudyFacts
    template: Template
    reading: Reading
    coverage: Coverage
    gaps: tuple[Gap, ...]
    documents: tuple[DocumentState, ...]
    descriptors: dict[str, tuple[DescriptorChoice, ...]]
