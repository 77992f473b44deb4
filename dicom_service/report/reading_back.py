"""Reading a report back: its private copy and its content tree, compared."""

from typing import Any, cast

from pydantic import ValidationError
from pydicom.dataset import Dataset

from dicom_service.errors import BadObject
from dicom_service.intake.model import StudyFacts
from dicom_service.report import computed, outlines
from dicom_service.report.build import PRIVATE_COPY, PRIVATE_CREATOR, PRIVATE_GROUP
from dicom_service.report.from_tree import TreeContent, read_tree
from dicom_service.report.items import as_single, name_parts, tidy
from dicom_service.report.model import Addendum, Person, ReportContent
from dicom_service.review.model import Measurement, Template


def read(document: Dataset) -> ReportContent:
    """The content of a report that `build` made.

    An archive may have removed our private copy; then the reading, the signatures and the texts
    come from the content tree, and facts and template are empty.

    Raises
    ------
    BadObject
        Not a report of ours, or the content tree and the private copy contradict each other.
    """
    told = read_tree(document)
    kept = private_copy(document)
    if kept is None:
        study = StudyFacts(study_uid=str(document.get("StudyInstanceUID", "")))
        bare = Template(study_uid=study.study_uid, regions=(), views=(), items=())
        return ReportContent(facts=study, template=bare, **dict(told))
    if as_told(kept) != told:
        raise BadObject(
            f"The report {document.get('SOPInstanceUID', '')} was changed by other software: "
            "its coded content is not what it was signed with. Compare it with the copy in the "
            "archive of origin."
        )
    return kept


def private_copy(document: Dataset) -> ReportContent | None:
    """The lossless copy inside the document, None when it was removed.

    Raises
    ------
    BadObject
        The copy is there and cannot be read.
    """
    try:
        value = document.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)[PRIVATE_COPY].value
    except KeyError:
        return None
    text = value.decode("ascii", "replace") if isinstance(value, bytes) else str(value)
    try:
        return ReportContent.model_validate_json(text.rstrip(" \0"))
    except ValidationError as error:
        raise BadObject("The report's own copy of its content is damaged.") from error


def as_told(content: ReportContent) -> TreeContent:
    """What the content tree of `content` must tell.

    Texts lose what DICOM text cannot carry, coordinates have single precision, and answers that
    are empty are the same as none.
    """
    reading = content.reading
    changes: dict[str, Any] = {
        "observations": {
            tidy(item): {view: _tidied(seen, "note") for view, seen in by_view.items()}
            for item, by_view in reading.observations.items()
            if by_view
        },
        # How the reader came to it is kept with the draft, not told in the report.
        "shown": (),
        "findings_generated": "",
        "landmarks": {},
        "prior_landmarks": {},
        "outlines": tuple(outlines.as_told(outline) for outline in reading.outlines),
        "findings": tuple(_tidied(finding, "note", "item") for finding in reading.findings),
        "measurements": tuple(_measurement_as_told(m) for m in reading.measurements),
        "rule_outs": tuple(
            _tidied(r, "note", "id").model_copy(
                update={"evidence": tuple(tidy(e) for e in r.evidence)}
            )
            for r in reading.rule_outs
        ),
        "differentials": tuple(d for text in reading.differentials if (d := _said(text))),
        "findings_text": _said(reading.findings_text or "") or None,
    }
    texts = ("history", "technique", "impression", "recommendations", "open_accepted")
    changes |= {name: _said(getattr(reading, name)) for name in texts}
    return TreeContent(
        kind=content.kind,
        reading=reading.model_copy(update=changes),
        signer=person_as_told(content.signer) if content.signer else None,
        signed_at=content.signed_at,
        findings_text=_said(content.findings_text),
        addenda=_remarks_as_told(content.addenda),
        corrections=_remarks_as_told(content.corrections),
    )


def _remarks_as_told(remarks: tuple[Addendum, ...]) -> tuple[Addendum, ...]:
    return tuple(
        Addendum(text=_said(a.text), author=person_as_told(a.author), at=a.at) for a in remarks
    )


def _said(text: str) -> str:
    kept = tidy(text)
    return kept if kept.strip() else ""


def _tidied(model: Any, *fields: str) -> Any:
    return model.model_copy(update={field: _said(getattr(model, field)) for field in fields})


def _measurement_as_told(measurement: Measurement) -> Measurement:
    told = cast("Measurement", _tidied(measurement, "note", "calibration", "finding", "item"))
    points = tuple((as_single(x), as_single(y)) for x, y in measurement.points)
    made = computed.told(told.computed) if told.computed else None
    return told.model_copy(update={"points": points, "computed": made})


def person_as_told(person: Person) -> Person:
    """A person as the content tree tells of them."""
    return Person(
        login=_said(person.login),
        name=name_parts(person.name),
        organization=_said(person.organization),
    )
