"""Rows of documents that this node made."""

from typing import Any

from sqlalchemy import Connection, insert

from dicom_service.store.blobs import Blobs
from dicom_service.store.model import DocumentRow, NewDocument
from dicom_service.store.schema import documents
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
        path=blobs.path(row.blob),
        signed_by=row.signed_by,
        signed_at=None if row.signed_at is None else from_us(row.signed_at),
        created_at=from_us(row.created_at),
    )
