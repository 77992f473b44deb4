"""Rows of documents that this node made, and columns that are written with them."""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, insert, select

from dicom_service.intake.model import StudyFacts
from dicom_service.review.model import Template
from dicom_service.store.blobs import Blob, Blobs
from dicom_service.store.index import one_of
from dicom_service.store.model import DocumentRow, NewDocument
from dicom_service.store.schema import documents
from dicom_service.store.schema_accounts import users
from dicom_service.store.times import from_us


def insert_document(
    connection: Connection,
    study_uid: str,
    document: NewDocument,
    blob: str,
    *,
    at_us: int,
    content: str = "",
    signed_by: str = "",
    signed_at: int | None = None,
) -> None:
    """Write the row of a document whose bytes are stored already."""
    connection.execute(
        insert(documents).values(
            study_uid=study_uid,
            blob=blob,
            content=content,
            signed_by=signed_by,
            signed_at=signed_at,
            created_at=at_us,
            **document.model_dump(exclude={"data"}),
        )
    )


def document_row(row: Any, blobs: Blobs) -> DocumentRow:
    """The public form of a row."""
    return DocumentRow(
        kind=row.kind,
        role=row.role,
        sop_instance_uid=row.sop_instance_uid,
        sop_class_uid=row.sop_class_uid,
        series_uid=row.series_uid,
        study_uid=row.study_uid,
        blob=Blob(blobs, row.blob),
        signed_by=row.signed_by,
        signed_at=None if row.signed_at is None else from_us(row.signed_at),
        created_at=from_us(row.created_at),
    )


def signed_versions(connection: Connection, study_uids: Sequence[str]) -> dict[str, dict[str, Any]]:
    """For each study with a signed report: columns that tell the version to go by."""
    columns = (
        documents.c.study_uid,
        documents.c.role,
        documents.c.kind,
        documents.c.signed_by,
        documents.c.signed_at,
        users.c.display,
    )
    query = (
        select(*columns)
        .join(users, users.c.name == documents.c.signed_by, isouter=True)
        .where(
            one_of(connection, documents.c.study_uid, study_uids),
            documents.c.role.in_(("report", "withdrawal")),
            documents.c.signed_at.is_not(None),
        )
        .order_by(documents.c.id)
    )
    found: dict[str, dict[str, Any]] = {}
    for row in connection.execute(query):
        before = found.get(row.study_uid, {}).get("report_versions", 0)
        found[row.study_uid] = {
            "report_kind": row.kind,
            "report_versions": before + (row.role == "report"),
            "signed_by": row.display or row.signed_by,
            "signed_at": from_us(row.signed_at),
        }
    return found


def prepared_columns(facts: StudyFacts, template: Template) -> dict[str, Any]:
    """Columns of a study once its template was made."""
    animal = facts.signalment
    return {
        "patient_id": animal.patient_id,
        "patient_name": animal.patient_name,
        "species": animal.species or "",
        "study_date": facts.study_date,
        "study_time": facts.study_time,
        "accession_number": facts.accession_number,
        "description": facts.description,
        "regions": json.dumps(list(template.regions)),
        "remarks_count": len(facts.remarks),
        "facts": facts.model_dump_json(),
        "template": template.model_dump_json(),
        "template_revision": template.revision,
        "stale": False,
        "detail": "",
    }
