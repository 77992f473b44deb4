"""A signed report that is not to be used any more, and a draft that is not to be relied on yet."""

from typing import TYPE_CHECKING

from dicom_service import report, review
from dicom_service.errors import NotReady
from dicom_service.report.model import ReportContent, Withdrawal, Withdrawn
from dicom_service.store.events import CLOSED
from dicom_service.workflow.model import WithdrawalReason
from dicom_service.workflow.signing import (
    identity,
    images_of,
    new_document,
    person,
    refuse_invalid,
    uids_of,
)
from dicom_service.workflow.versions import earlier, moment, next_series, signed_reports

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk


def withdraw(desk: "Desk", study_uid: str, reason: WithdrawalReason, text: str, user: str) -> None:
    """Build, check and store the withdrawal of all signed versions; see `Desk.withdraw`."""
    if not text.strip():
        raise NotReady("Say in words why the report is withdrawn.")
    rows = signed_reports(desk, study_uid)
    if not rows:
        raise NotReady("There is no signed report here that could be withdrawn.")
    named = tuple(
        Withdrawn(
            sop_instance_uid=row.sop_instance_uid,
            sop_class_uid=row.sop_class_uid,
            series_uid=row.series_uid,
        )
        for row in desk.store.documents(study_uid)
        if row.signed_at is not None and row.role != "withdrawal"
    )
    at = moment(desk, study_uid)
    withdrawal = Withdrawal(
        reason=reason, text=text.strip(), author=person(desk, user), at=at, documents=named
    )
    content = desk.store.content(rows[-1].sop_instance_uid)
    names = identity(at, next_series(desk, study_uid), with_measurements=False)
    evidence = images_of(desk, study_uid)
    built = report.build_withdrawal(withdrawal, content, names, desk.device, evidence)
    document = new_document("withdrawal", "withdrawal", built)
    problems = list(report.withdrawal_problems(built, withdrawal))
    refuse_invalid(problems, [document], uids_of(evidence))
    desk.store.withdraw(
        study_uid,
        document=document,
        named=[entry.sop_instance_uid for entry in named],
        destinations=[desk.roster.archive],
        user=user,
        at=at,
    )


def draft_document(desk: "Desk", study_uid: str, user: str) -> bytes:
    """The draft as a DICOM file; see `Desk.draft_document`."""
    opened = desk.open(study_uid)
    if opened.state in CLOSED:
        raise NotReady("This report is signed, so there is no draft of it.")
    if opened.version == 0:
        raise NotReady("Nothing has been entered yet; there is only the template.")
    own_words = opened.reading.findings_text
    written = review.findings_text(opened.facts, opened.template, opened.reading)
    content = ReportContent(
        kind="draft",
        facts=opened.facts,
        template=opened.template,
        reading=opened.reading,
        signer=person(desk, opened.reader or user),
        findings_text=written if own_words is None else own_words,
        predecessors=earlier(desk, study_uid, "draft").reports,
    )
    names = identity(desk.clock(), next_series(desk, study_uid), with_measurements=False)
    built = report.build(content, names, desk.device, images_of(desk, study_uid))
    return report.file_of(built.report)
