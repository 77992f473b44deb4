"""What goes into a signed report, and what identifies the document."""

from typing import Literal

from pydantic import AwareDatetime

from dicom_service.base import Frozen
from dicom_service.intake.model import StudyFacts
from dicom_service.review.model import Reading, Template

Kind = Literal["template", "draft", "final", "addendum", "correction"]
"""State of the document; the flags of each are in `report.states`."""


class Person(Frozen):
    """A named reader."""

    login: str
    name: str
    """Person name in DICOM form: family^given^middle^prefix^suffix."""
    organization: str = ""


class Reference(Frozen):
    """A stored document that this one continues."""

    sop_instance_uid: str
    sop_class_uid: str
    series_uid: str
    kind: Kind


class Addendum(Frozen):
    """A later remark on a signed report; of a correction: what it changed and why."""

    text: str
    author: Person
    at: AwareDatetime


class Identity(Frozen):
    """UIDs and times of one document; given from outside, so that building stays pure."""

    sop_instance_uid: str
    series_uid: str
    series_number: int
    instance_number: int = 1
    at: AwareDatetime
    measurements_sop_uid: str = ""
    measurements_series_uid: str = ""
    """Of the companion TID 1500 document; empty when there are no measurements."""
    rendering_sop_uid: str = ""
    """Of the Encapsulated PDF that shows the report as it is printed; empty: there is none."""


class Device(Frozen):
    """The node, as observer of templates and maker of documents."""

    uid: str
    station_name: str
    institution: str = ""


class ReportContent(Frozen):
    """Everything a reader of the report can learn from it; what `read` gives back."""

    kind: Kind
    facts: StudyFacts
    template: Template
    reading: Reading
    signer: Person | None = None
    signed_at: AwareDatetime | None = None
    findings_text: str = ""
    addenda: tuple[Addendum, ...] = ()
    corrections: tuple[Addendum, ...] = ()
    """One for each time that a signed report was replaced, oldest first."""
    predecessors: tuple[Reference, ...] = ()
    measured_before: tuple[Reference, ...] = ()
    """Measurement documents that go with the predecessors."""


class Withdrawn(Frozen):
    """A document that a withdrawal names."""

    sop_instance_uid: str
    sop_class_uid: str
    series_uid: str


class Withdrawal(Frozen):
    """A signed report is not to be used any more, in none of its versions."""

    reason: Literal["quality", "safety"]
    text: str
    author: Person
    at: AwareDatetime
    documents: tuple[Withdrawn, ...]
