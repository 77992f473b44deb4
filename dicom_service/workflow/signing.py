"""Documents: the template at intake, the signed report, the addendum."""

import tempfile
from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from itertools import repeat
from pathlib import Path
from typing import TYPE_CHECKING

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from dicom_service import report, review, validators
from dicom_service.errors import NotReady, VersionConflict
from dicom_service.report.companions import Place
from dicom_service.report.model import Addendum, Device, Identity, Person, ReportContent
from dicom_service.store import NewDocument
from dicom_service.store.events import CLOSED
from dicom_service.workflow import companions
from dicom_service.workflow.headers import read_header
from dicom_service.workflow.model import OpenReading
from dicom_service.workflow.versions import (
    FIRST_SERIES,
    corrected_content,
    earlier,
    moment,
    next_series,
    signed_reports,
)

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk


def template_document(
    content: ReportContent, device: Device, evidence: Sequence[Dataset], at: datetime
) -> NewDocument:
    """The structured-report template of a study, ready to be stored."""
    built = report.build(content, identity(at, FIRST_SERIES, False), device, evidence)
    return new_document("template", "report", built.report)


def sign(desk: "Desk", study_uid: str, version: int, user: str) -> None:
    """Build, check and store the report of a reading; see `Desk.sign`."""
    opened = desk.open(study_uid)
    if opened.state in CLOSED:
        if _signed_this(desk, study_uid, version, user):
            return
        raise NotReady(CLOSED[opened.state])
    if version != opened.version:
        raise VersionConflict(
            "The reading was changed since you last saw it; look at it again, then sign.",
            opened.version,
        )
    blocking = [gap.text for gap in opened.gaps if gap.blocking]
    if blocking:
        more = f" (and {len(blocking) - 5} more)" if len(blocking) > 5 else ""
        raise NotReady("Not signed: " + " ".join(blocking[:5]) + more)
    content = final_content(desk, opened, user)
    if opened.correcting is not None:
        content = corrected_content(desk, study_uid, content, opened.correcting.reason)
    try:
        store_signed(desk, study_uid, content, version, user)
    except NotReady:
        # The same click came twice, and the other one was first.
        if not _signed_this(desk, study_uid, version, user):
            raise


def final_content(desk: "Desk", opened: OpenReading, user: str) -> ReportContent:
    """What is signed of a reading for the first time."""
    own_words = opened.reading.findings_text
    written = review.findings_text(opened.facts, opened.template, opened.reading)
    continued = earlier(desk, opened.facts.study_uid, "final")
    return ReportContent(
        kind="final",
        facts=opened.facts,
        template=opened.template,
        reading=opened.reading,
        signer=person(desk, user),
        signed_at=moment(desk, opened.facts.study_uid),
        findings_text=written if own_words is None else own_words,
        predecessors=continued.reports,
    )


def add_addendum(desk: "Desk", study_uid: str, text: str, user: str) -> None:
    """Build, check and store a continuation of the newest signed report."""
    if not text.strip():
        raise NotReady("The addendum is empty. Write what is to be added.")
    rows = signed_reports(desk, study_uid)
    if not rows:
        raise NotReady("There is no signed report yet that an addendum could be added to.")
    before = desk.store.content(rows[-1].sop_instance_uid)
    remark = Addendum(text=text.strip(), author=person(desk, user), at=moment(desk, study_uid))
    row = desk.store.study(study_uid)
    if row is not None and row.state == "signed" and _is_newest(remark, before):
        return  # it was kept, and who wrote it did not hear of it
    continued = earlier(desk, study_uid, "addendum")
    content = before.model_copy(
        update={
            "kind": "addendum",
            "addenda": (*before.addenda, remark),
            "predecessors": continued.reports,
            "measured_before": continued.measurements,
        }
    )
    version, _ = desk.store.reading(study_uid)
    store_signed(desk, study_uid, content, version, user)


def _is_newest(remark: Addendum, before: ReportContent) -> bool:
    """Whether the newest version is just this addendum: nobody adds the same twice in a row."""
    if before.kind != "addendum":
        return False
    newest = before.addenda[-1]
    return (newest.text, newest.author.login) == (remark.text, remark.author.login)


def _signed_this(desk: "Desk", study_uid: str, version: int, user: str) -> bool:
    """Whether just this version of the reading was signed by just this reader."""
    current, _ = desk.store.reading(study_uid)
    row = desk.store.study(study_uid)
    rows = [r for r in signed_reports(desk, study_uid) if r.kind != "addendum"]
    signed = row is not None and row.state == "signed" and bool(rows)
    return signed and version == current and rows[-1].signed_by == user


def store_signed(
    desk: "Desk", study_uid: str, content: ReportContent, version: int, user: str
) -> None:
    """Build the documents of `content` and what goes with it, check them, and keep them."""
    at = content.addenda[-1].at if content.kind == "addendum" else content.signed_at
    if at is None:
        raise NotReady("What is not signed cannot be stored as a report.")
    evidence = _evidence(desk, study_uid, content.kind)
    number = next_series(desk, study_uid)
    names = identity(at, number, bool(content.reading.measurements))
    beside = companions.beside_images(desk, content, evidence, number, at)
    evidence += [companion.dataset for companion in beside]
    place = None
    if desk.settings.send_pdf:
        fresh = identity(at, number + companions.PDF_OFFSET, False)
        place = Place(fresh.sop_instance_uid, fresh.series_uid, fresh.series_number, at)
        names = names.model_copy(update={"rendering_sop_uid": place.sop_instance_uid})
    built = report.build(content, names, desk.device, evidence)
    documents = [new_document(content.kind, "report", built.report)]
    if built.measurements is not None:
        documents.append(new_document(content.kind, "measurements", built.measurements))
    if place is not None:
        beside.append(companions.pdf_of(desk, content, built.report, evidence, place))
    documents += [new_document(content.kind, role, dataset) for role, dataset in beside]
    problems = list(report.problems(built.report, built.measurements, evidence))
    if report.read(built.report) != content:
        problems.append("The document does not read back as what was signed.")
    refuse_invalid(problems, documents, uids_of(evidence))
    desk.store.sign(
        study_uid,
        expected=version,
        content=content,
        documents=documents,
        destinations=[desk.roster.archive],
        user=user,
        at=at,
    )


def refuse_invalid(
    problems: list[str], documents: Sequence[NewDocument], given: Collection[str] = ()
) -> None:
    """Nothing invalid leaves: our own rules and reading-back, then the outside validators.

    `given` are UIDs that came with the images and cannot be put right.
    """
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor() as at_once:
        files = [Path(folder, f"{number}.dcm") for number in range(len(documents))]
        for file, document in zip(files, documents, strict=True):
            file.write_bytes(document.data)
        # Each waits for programs of its own: someone is waiting for all of them.
        for found in at_once.map(validators.outside_problems, files, repeat(given)):
            problems = problems + found
    if problems:
        raise NotReady(
            "Not signed, the draft is kept: the report would break a rule of the standard. "
            "Please send this to the makers: " + " ".join(problems[:5])
        )


def _evidence(desk: "Desk", study_uid: str, kind: str) -> list[Dataset]:
    """What a report rests on: for an addendum also what shows the images of the report it is to.

    A correction makes key images and presentation states anew and does not rest on the old ones.
    """
    found = images_of(desk, study_uid)
    if kind == "addendum":
        own = desk.store.documents(study_uid)
        shown = [row for row in own if row.role in ("key_images", "presentation")]
        found += [read_header(r.path) for r in shown if r.signed_at == shown[-1].signed_at]
    return found


def uids_of(headers: Sequence[Dataset]) -> frozenset[str]:
    """The UIDs by which documents name a study, its series and its objects."""
    keywords = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
    return frozenset(str(header.get(keyword, "")) for header in headers for keyword in keywords)


def images_of(desk: "Desk", study_uid: str) -> list[Dataset]:
    """Headers of everything in a study that we did not make."""
    own = {row.sop_instance_uid for row in desk.store.documents(study_uid)}
    return [
        read_header(instance.path)
        for instance in desk.store.instances(study_uid)
        if instance.sop_instance_uid not in own
    ]


def person(desk: "Desk", user: str) -> Person:
    """A user as they stand in a report."""
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


def new_document(kind: str, role: str, dataset: Dataset) -> NewDocument:
    """A built document as a file, ready to be stored."""
    return NewDocument(
        kind=kind,
        role=role,
        sop_instance_uid=dataset.SOPInstanceUID,
        sop_class_uid=dataset.SOPClassUID,
        series_uid=dataset.SeriesInstanceUID,
        data=report.file_of(dataset),
    )
