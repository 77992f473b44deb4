"""Documents: the template at intake, the signed report, the addendum."""

import io
import tempfile
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from dicom_service import report, review, validators
from dicom_service.errors import NotReady, VersionConflict
from dicom_service.report.companions import Place
from dicom_service.report.model import (
    Addendum,
    Device,
    Identity,
    Person,
    Reference,
    ReportContent,
)
from dicom_service.store import NewDocument
from dicom_service.workflow import companions
from dicom_service.workflow.headers import read_header

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk

FIRST_SERIES = 9001
"""Series Number of our first document of a study; each version has a series of its own."""


def template_document(
    content: ReportContent, device: Device, evidence: Sequence[Dataset], at: datetime
) -> NewDocument:
    """The structured-report template of a study, ready to be stored."""
    built = report.build(content, identity(at, FIRST_SERIES, False), device, evidence)
    return _new_document("template", "report", built.report)


def sign(desk: "Desk", study_uid: str, version: int, user: str) -> None:
    """Build, check and store the final report of a reading; see `Desk.sign`."""
    opened = desk.open(study_uid)
    if opened.state == "signed":
        raise NotReady("This report is signed already. Write an addendum instead.")
    if version != opened.version:
        raise VersionConflict(
            "The reading was changed since you last saw it; look at it again, then sign.",
            opened.version,
        )
    blocking = [gap.text for gap in opened.gaps if gap.blocking]
    if blocking:
        more = f" (and {len(blocking) - 5} more)" if len(blocking) > 5 else ""
        raise NotReady("Not signed: " + " ".join(blocking[:5]) + more)
    own_words = opened.reading.findings_text
    written = review.findings_text(opened.facts, opened.template, opened.reading)
    now = desk.clock()
    content = ReportContent(
        kind="final",
        facts=opened.facts,
        template=opened.template,
        reading=opened.reading,
        signer=_person(desk, user),
        signed_at=now,
        findings_text=written if own_words is None else own_words,
    )
    _store(desk, study_uid, content, version, user, now)


def add_addendum(desk: "Desk", study_uid: str, text: str, user: str) -> None:
    """Build, check and store a continuation of the newest signed report."""
    if not text.strip():
        raise NotReady("The addendum is empty. Write what is to be added.")
    reports = [
        row
        for row in desk.store.documents(study_uid)
        if row.role == "report" and row.kind != "template"
    ]
    if not reports:
        raise NotReady("There is no signed report yet that an addendum could be added to.")
    last = reports[-1]
    before = desk.store.content(last.sop_instance_uid)
    now = desk.clock()
    remark = Addendum(text=text.strip(), author=_person(desk, user), at=now)
    content = before.model_copy(
        update={
            "kind": "addendum",
            "addenda": (*before.addenda, remark),
            "predecessors": (
                Reference(
                    sop_instance_uid=last.sop_instance_uid,
                    sop_class_uid=last.sop_class_uid,
                    series_uid=last.series_uid,
                    kind=before.kind,
                ),
            ),
        }
    )
    version, _ = desk.store.reading(study_uid)
    _store(desk, study_uid, content, version, user, now)


def _store(
    desk: "Desk", study_uid: str, content: ReportContent, version: int, user: str, at: datetime
) -> None:
    evidence = _evidence(desk, study_uid)
    number = FIRST_SERIES + 10 * len(desk.store.documents(study_uid))
    names = identity(at, number, bool(content.reading.measurements))
    beside = companions.beside_images(desk, content, evidence, number, at)
    evidence += [companion.dataset for companion in beside]
    place = None
    if desk.settings.send_pdf:
        fresh = identity(at, number + companions.PDF_OFFSET, False)
        place = Place(fresh.sop_instance_uid, fresh.series_uid, fresh.series_number, at)
        names = names.model_copy(update={"rendering_sop_uid": place.sop_instance_uid})
    built = report.build(content, names, desk.device, evidence)
    documents = [_new_document(content.kind, "report", built.report)]
    if built.measurements is not None:
        documents.append(_new_document(content.kind, "measurements", built.measurements))
    if place is not None:
        beside.append(companions.pdf_of(desk, content, built.report, evidence, place))
    documents += [_new_document(content.kind, role, dataset) for role, dataset in beside]
    _refuse_invalid(built, content, evidence, documents)
    destination = desk.settings.archive
    desk.store.sign(
        study_uid,
        expected=version,
        content=content,
        documents=documents,
        destinations=[destination],
        user=user,
        at=at,
    )


def _refuse_invalid(
    built: report.Documents,
    content: ReportContent,
    evidence: Sequence[Dataset],
    documents: Sequence[NewDocument],
) -> None:
    """Nothing invalid leaves: our own rules, the reading-back, then outside validators."""
    problems = list(report.problems(built.report, built.measurements, evidence))
    if report.read(built.report) != content:
        problems.append("The document does not read back as what was signed.")
    with tempfile.TemporaryDirectory() as folder:
        for number, document in enumerate(documents):
            file = Path(folder, f"{number}.dcm")
            file.write_bytes(document.data)
            problems += validators.outside_problems(file)
    if problems:
        raise NotReady(
            "Not signed, the draft is kept: the report would break a rule of the standard. "
            "Please send this to the makers: " + " ".join(problems[:5])
        )


def _evidence(desk: "Desk", study_uid: str) -> list[Dataset]:
    """Headers of the study's objects; of ours those that show images to people."""
    own = {
        row.sop_instance_uid
        for row in desk.store.documents(study_uid)
        if row.role not in ("key_images", "presentation")
    }
    return [
        read_header(instance.path)
        for instance in desk.store.instances(study_uid)
        if instance.sop_instance_uid not in own
    ]


def _person(desk: "Desk", user: str) -> Person:
    row = desk.store.user(user)
    return Person(
        login=user,
        name=row.display if row else user,
        organization=desk.settings.institution or "Not stated",
    )


def identity(at: datetime, series_number: int, with_measurements: bool) -> Identity:
    """Fresh UIDs for a document made `at` this moment, and for its measurements."""
    fresh = [generate_uid(prefix=None) for _ in range(4)]
    return Identity(
        sop_instance_uid=fresh[0],
        series_uid=fresh[1],
        series_number=series_number,
        at=at,
        measurements_sop_uid=fresh[2] if with_measurements else "",
        measurements_series_uid=fresh[3] if with_measurements else "",
    )


def _new_document(kind: str, role: str, dataset: Dataset) -> NewDocument:
    buffer = io.BytesIO()
    dataset.save_as(buffer, enforce_file_format=True)
    return NewDocument(
        kind=kind,
        role=role,
        sop_instance_uid=dataset.SOPInstanceUID,
        sop_class_uid=dataset.SOPClassUID,
        series_uid=dataset.SeriesInstanceUID,
        data=buffer.getvalue(),
    )
