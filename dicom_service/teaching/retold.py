"""The content of a report with the identifying parts replaced; documents are then built anew."""

from datetime import UTC, datetime
from typing import Any

from dicom_service.report.model import Person, ReportContent
from dicom_service.teaching.attributes import IDENTIFIER, NAME
from dicom_service.teaching.secrets import Secrets

READER = Person(login="teaching", name="Teaching^Reader", organization="Not stated")
_WRITTEN = frozenset(
    {
        "note", "text", "why", "question", "description", "history", "technique", "impression",
        "recommendations", "findings_text", "findings_generated", "open_accepted",
    }
)  # fmt: skip
"""Fields that hold what people wrote; ids and names of structures are not touched."""


def retell(content: ReportContent, secret: Secrets) -> ReportContent:
    """The same report of an animal without a name, as one final version.

    Addenda become the last paragraphs of the impression, so that no earlier version is named.
    """
    plain = _walk(content.model_dump(mode="json"), "", secret)
    facts, reading = plain["facts"], plain["reading"]
    facts |= {
        "accession_number": "", "study_date": secret.day(content.facts.study_date),
        "study_time": "120000", "referring": "", "institution": "",
    }  # fmt: skip
    facts["signalment"] |= {
        "patient_name": NAME, "patient_id": IDENTIFIER, "birth_date": "", "responsible_person": "",
    }  # fmt: skip
    later = [f"Addendum: {one['text']}" for one in plain["addenda"]]
    reading["impression"] = "\n\n".join([reading["impression"], *later]).strip()
    plain |= {
        "kind": "final", "addenda": [], "corrections": [], "predecessors": [],
        "measured_before": [], "signer": READER.model_dump(),
        "signed_at": moved(content.signed_at, secret).isoformat(),
    }  # fmt: skip
    return ReportContent.model_validate(plain)


def moved(at: datetime | None, secret: Secrets) -> datetime:
    """A moment on the shifted day, at noon."""
    day = (at or datetime.now(UTC)) + secret.shift
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC)


def _walk(value: Any, field: str, secret: Secrets) -> Any:
    if isinstance(value, dict):
        return {secret.uids_in(key): _walk(one, key, secret) for key, one in value.items()}
    if isinstance(value, list):
        return [_walk(one, field, secret) for one in value]
    if not isinstance(value, str):
        return value
    return secret.text(value) if field in _WRITTEN else secret.uids_in(value)
