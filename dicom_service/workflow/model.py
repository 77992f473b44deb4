"""What the desk hands to a reader's panel."""

from typing import Literal

from pydantic import AwareDatetime, Field, JsonValue

from dicom_service.base import Frozen
from dicom_service.codes import Code
from dicom_service.intake.model import Side, StudyFacts
from dicom_service.report import Version
from dicom_service.review import Graded, Proposal, Step
from dicom_service.review.model import Coverage, Gap, Reading, Template


class DescriptorChoice(Frozen):
    """A descriptor that can be put on a finding."""

    id: str
    label: str
    code: Code
    field: str = ""
    exclusive: bool = False
    under: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    species: tuple[str, ...] = ()
    note: str = ""


class Named(Frozen):
    """Something with an id and a name for people."""

    id: str
    name: str


class Choices(Frozen):
    """What an image can be corrected to."""

    views: tuple[str, ...]
    regions: tuple[Named, ...]
    sides: tuple[str, ...]
    species: tuple[Named, ...] = ()
    """Of the animal, the same for all images."""


class Correction(Frozen):
    """The reader's word on what an image shows; None leaves what was found in the header."""

    view: str | None = Field(default=None, max_length=64)
    side: Side | None = None
    regions: tuple[str, ...] | None = Field(default=None, max_length=12)


class MergedText(Frozen):
    """The reader's wording of the findings with what the observations say since."""

    text: str
    generated: str
    marks: tuple[dict[str, JsonValue], ...]


class Advice(Frozen):
    """What the rules make of a reading; the reader decides."""

    proposals: tuple[Proposal, ...]
    differentials: tuple[str, ...]
    next_steps: tuple[Step, ...]
    certainties: dict[str, dict[str, str]]
    aggressiveness: dict[str, Graded]
    merged: MergedText | None = None


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


WithdrawalReason = Literal["quality", "safety"]


class Prevailing(Frozen):
    """The version of a report to go by."""

    kind: str
    """final, addendum or correction."""
    number: int
    of: int
    sop_instance_uid: str
    signed_by: str
    signed_at: AwareDatetime
    withdrawn: bool = False
    """It was the last one, and is not to be used."""


class Correcting(Frozen):
    """A signed report that was opened again."""

    reason: str
    by: str
    at: AwareDatetime


class Saved(Frozen):
    """The answer to a save: the new version and what is still open."""

    version: int
    reading: Reading
    coverage: Coverage
    gaps: tuple[Gap, ...]
    saved_at: AwareDatetime
    advice: Advice


class Preview(Frozen):
    """The report as the referring veterinarian will read it."""

    findings_text: str
    text: str
    summary: str


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
    choices: Choices
    advice: Advice
    prevailing: Prevailing | None = None
    newer_in_archive: tuple[Version, ...] = ()
    """Signed versions of this report that came from elsewhere and follow ours."""
    correcting: Correcting | None = None
    late_objects: int = 0
    """Images that came after the signature: reason for a correction."""
    reader_name: str = ""
    """Who reads it, as a person name."""
