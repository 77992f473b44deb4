"""The report in the forms of other systems: PDF, text, FHIR, HL7."""

import hashlib
import json
from typing import TYPE_CHECKING

from dicom_service import report, review
from dicom_service.errors import NotFound
from dicom_service.report.companions import fhir_bundle, oru_message
from dicom_service.report.model import ReportContent
from dicom_service.workflow import companions
from dicom_service.workflow.of_site import at_site_of
from dicom_service.workflow.priors import read_document

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk


def current_content(desk: "Desk", study_uid: str) -> ReportContent:
    """What the newest signed report says; before one is signed, the draft as it stands."""
    signed = [
        row
        for row in desk.store.documents(study_uid)
        if row.role == "report" and row.signed_at is not None
    ]
    if signed:
        return desk.store.content(signed[-1].sop_instance_uid)
    opened = desk.open(study_uid)
    return ReportContent(
        kind="draft",
        facts=opened.facts,
        template=opened.template,
        reading=opened.reading,
        findings_text=review.findings_text(opened.facts, opened.template, opened.reading),
    )


def content_of(desk: "Desk", study_uid: str, document_uid: str) -> ReportContent:
    """What the report says that was signed with a document; of an archive's, as it is read back.

    Raises
    ------
    NotFound
        The study has no such document, or it is none of ours.
    """
    signed = [row for row in desk.store.documents(study_uid) if row.signed_at is not None]
    for row in signed:
        if row.sop_instance_uid == document_uid:
            reports = [r for r in signed if r.role == "report" and r.signed_at == row.signed_at]
            if reports:
                return desk.store.content(reports[0].sop_instance_uid)
    for instance in desk.store.instances(study_uid, None, document_uid):
        found = read_document(instance.path)
        if isinstance(found, report.OwnReport):
            return found.content
    raise NotFound(f"{document_uid} is no report of this study that can be printed here.")


def pdf(desk: "Desk", study_uid: str, document_uid: str = "") -> bytes:
    """The report as it is printed: the newest, or the one that was signed with a document."""
    if document_uid:
        return companions.printed(desk, content_of(desk, study_uid, document_uid))
    return companions.printed(desk, current_content(desk, study_uid))


def plain_text(desk: "Desk", study_uid: str) -> str:
    """The report as plain text."""
    return report.plain_text(current_content(desk, study_uid))


def fhir(desk: "Desk", study_uid: str) -> str:
    """The report as a FHIR R4 bundle in JSON, the PDF in it."""
    content = current_content(desk, study_uid)
    bundle = fhir_bundle(content, companions.printed(desk, content))
    return json.dumps(bundle, ensure_ascii=False, indent=1)


def oru(desk: "Desk", study_uid: str) -> str:
    """The report as an HL7 v2 ORU^R01 message."""
    desk, content = at_site_of(desk, study_uid), current_content(desk, study_uid)
    at = content.signed_at or desk.clock()
    control = hashlib.sha256(f"{study_uid}/{content.kind}/{at}".encode()).hexdigest()[:20]
    return oru_message(
        content,
        at=desk.clock(),
        control_id=control,
        sender=desk.settings.ae_title,
        facility=desk.settings.institution,
    )
