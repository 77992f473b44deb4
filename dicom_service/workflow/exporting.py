"""The report in the forms of other systems: PDF, text, FHIR, HL7."""

import hashlib
import json
from typing import TYPE_CHECKING

from dicom_service import report, review
from dicom_service.report.companions import fhir_bundle, oru_message
from dicom_service.report.model import ReportContent
from dicom_service.workflow import companions
from dicom_service.workflow.of_site import at_site_of

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


def pdf(desk: "Desk", study_uid: str) -> bytes:
    """The report as it is printed."""
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
