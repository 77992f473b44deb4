"""Signing: documents, state and outbox rows become durable together."""

import io
from collections.abc import Callable, Collection, Sequence
from datetime import datetime
from typing import Any

import pydicom
from sqlalchemy import Connection, delete, select

from dicom_service.errors import NotFound, NotReady, VersionConflict
from dicom_service.report.model import ReportContent
from dicom_service.store import audit, events
from dicom_service.store.deliveries import add_deliveries
from dicom_service.store.digests import digest_of_bytes
from dicom_service.store.faults import reach
from dicom_service.store.index import Unsure, retried
from dicom_service.store.indexing import insert_instance
from dicom_service.store.model import DocumentRow, InstanceHeader, NewDocument
from dicom_service.store.opening import Shelf
from dicom_service.store.papers import document_row, insert_document
from dicom_service.store.reopening import newest_report, opened_again
from dicom_service.store.schema import documents, reopenings, studies
from dicom_service.store.times import to_us


class Documents(Shelf):
    """Documents that this node made."""

    @retried
    def sign(
        self,
        study_uid: str,
        *,
        expected: int,
        content: ReportContent,
        documents: Sequence[NewDocument],
        destinations: Sequence[str],
        user: str,
        at: datetime,
    ) -> None:
        """Keep signed documents and owe them to the destinations.

        A correction ends the reopening that it comes from.

        Parameters
        ----------
        expected
            The version of the reading that was signed.
        content
            What was signed; kept with the report document.
        documents
            Complete DICOM files.
        destinations
            Names of peers; "" for an archive yet to be set.

        Raises
        ------
        NotFound
            No such study.
        VersionConflict
            The reading was saved since, or another version came first.
        NotReady
            The study is signed already, or (addendum) not yet, or (correction) not opened again,
            or new images just arrived.
        StorageFull
            There is no room; nothing was signed.
        """

        def write(connection: Connection, blobs: Sequence[str]) -> None:
            row = connection.execute(
                select(studies).where(studies.c.study_uid == study_uid)
            ).first()
            _check(connection, study_uid, row, expected, content)
            written = content.model_dump_json()
            self._write(connection, row, documents, blobs, user, to_us(at), written)
            connection.execute(delete(reopenings).where(reopenings.c.study_uid == study_uid))
            _close(connection, row, "signed", f"{content.kind} signed", documents, user, to_us(at))
            add_deliveries(connection, study_uid, documents, destinations)

        self._with_blobs(study_uid, documents, write)

    @retried
    def withdraw(
        self,
        study_uid: str,
        *,
        document: NewDocument,
        named: Collection[str],
        destinations: Sequence[str],
        user: str,
        at: datetime,
    ) -> None:
        """Keep a withdrawal and owe it to the destinations.

        Parameters
        ----------
        named
            SOP Instance UIDs of the documents that it withdraws: all that were signed.

        Raises
        ------
        NotFound
            No such study.
        NotReady
            There is no signed report, or it is being corrected, or withdrawn already.
        VersionConflict
            Another version was signed meanwhile.
        """

        def write(connection: Connection, blobs: Sequence[str]) -> None:
            row = connection.execute(
                select(studies).where(studies.c.study_uid == study_uid)
            ).first()
            if row is None:
                raise NotFound(f"No study {study_uid} is on this node.")
            if row.state != "signed":
                raise NotReady(_NOT_WITHDRAWN.get(row.state, "There is no signed report here."))
            if not _signed_uids(connection, study_uid) <= set(named):
                raise VersionConflict("Another version was signed first; read it.", row.version)
            self._write(connection, row, [document], blobs, user, to_us(at), "")
            _close(connection, row, "withdrawn", "report withdrawn", [document], user, to_us(at))
            add_deliveries(connection, study_uid, [document], destinations)

        self._with_blobs(study_uid, [document], write)

    def _with_blobs(
        self,
        study_uid: str,
        papers: Sequence[NewDocument],
        write: Callable[[Connection, Sequence[str]], None],
    ) -> None:
        """Bytes first, then all rows in one transaction; the bytes go when that fails."""
        blobs: list[str] = []
        kept = False
        try:
            blobs.extend(self._blobs.create(paper.data) for paper in papers)
            reach("sign.blobs")
            with self._index.write(study_uid) as connection:
                write(connection, blobs)
            kept = True
        except Unsure:
            kept = True
            raise
        finally:
            if not kept:
                for blob in blobs:
                    self._blobs.remove(blob)
        reach("sign.committed")

    def documents(self, study_uid: str) -> list[DocumentRow]:
        """The documents of a study, newest last."""
        query = select(documents).where(documents.c.study_uid == study_uid)
        with self._index.read() as connection:
            rows = connection.execute(query.order_by(documents.c.id))
            return [document_row(row, self._blobs) for row in rows]

    def content(self, sop_instance_uid: str) -> ReportContent:
        """What was signed as this report.

        Raises
        ------
        NotFound
            No such signed report.
        """
        query = select(documents.c.content).where(documents.c.sop_instance_uid == sop_instance_uid)
        with self._index.read() as connection:
            written = connection.execute(query).scalar()
        if not written:
            raise NotFound(f"{sop_instance_uid} is not a report signed on this node.")
        return ReportContent.model_validate_json(written)

    def _write(
        self,
        connection: Connection,
        row: Any,
        papers: Sequence[NewDocument],
        blobs: Sequence[str],
        user: str,
        at_us: int,
        content: str,
    ) -> None:
        received_at = max(at_us, row.latest_at + 1)
        for paper, blob in zip(papers, blobs, strict=True):
            insert_document(
                connection,
                row.study_uid,
                paper,
                blob,
                at_us=at_us,
                content=content if paper.role == "report" else "",
                signed_by=user,
                signed_at=at_us,
            )
            insert_instance(
                connection,
                _header(row, paper),
                blob=blob,
                digest=digest_of_bytes(paper.data),
                size=len(paper.data),
                source="this node",
                at_us=received_at,
                own=True,
            )


def _close(
    connection: Connection,
    row: Any,
    state: str,
    event: str,
    papers: Sequence[NewDocument],
    user: str,
    at_us: int,
) -> None:
    events.set_values(
        connection,
        row.study_uid,
        state=state,
        detail="",
        reader=user,
        latest_at=max(at_us, row.latest_at + 1),
    )
    audit.note(
        connection,
        event,
        at_us=at_us,
        user=user,
        study_uid=row.study_uid,
        detail=" ".join(paper.sop_instance_uid for paper in papers),
    )


_NOT_WITHDRAWN = {
    "reading": "The report is being read or corrected. Sign the correction or give it up first.",
    "withdrawn": "This report is withdrawn already.",
}


def _signed_uids(connection: Connection, study_uid: str) -> set[str]:
    query = select(documents.c.sop_instance_uid).where(
        documents.c.study_uid == study_uid,
        documents.c.role.in_(("report", "measurements")),
        documents.c.signed_at.is_not(None),
    )
    return set(connection.execute(query).scalars())


def _check(
    connection: Connection, study_uid: str, row: Any, expected: int, content: ReportContent
) -> None:
    if row is None:
        raise NotFound(f"No study {study_uid} is on this node.")
    addendum = content.kind == "addendum"
    if row.state in events.CLOSED and not (addendum and row.state == "signed"):
        raise NotReady(events.CLOSED[row.state])
    reopened = opened_again(connection, study_uid) is not None
    if row.state != "signed" and addendum:
        raise NotReady(
            "The report is being corrected. Sign the correction or give it up, then add."
            if reopened
            else "There is no signed report yet that an addendum could be added to."
        )
    if not addendum and reopened != (content.kind == "correction"):
        raise NotReady(
            "There is a signed report already; what is signed now must be its correction."
            if reopened
            else "This report was not opened again for correction."
        )
    if row.state in ("arriving", "kept", "prior", "failed") or (row.stale and not addendum):
        raise NotReady(
            "New images of this study are just arriving. "
            "Wait for the new template, look at them, then sign."
        )
    if row.version != expected:
        raise VersionConflict("The reading was changed since you last saw it.", row.version)
    if addendum or reopened:
        _check_newest(connection, study_uid, row, content)


def _check_newest(connection: Connection, study_uid: str, row: Any, content: ReportContent) -> None:
    """Two versions must follow each other, never both the same report."""
    if newest_report(connection, study_uid) not in {
        reference.sop_instance_uid for reference in content.predecessors
    }:
        raise VersionConflict("Another version was signed first; read it, then add.", row.version)


def _header(row: Any, paper: NewDocument) -> InstanceHeader:
    written = pydicom.dcmread(io.BytesIO(paper.data))
    return InstanceHeader(
        sop_instance_uid=paper.sop_instance_uid,
        sop_class_uid=paper.sop_class_uid,
        study_uid=row.study_uid,
        series_uid=paper.series_uid,
        transfer_syntax=str(written.file_meta.TransferSyntaxUID),
        modality=str(written.get("Modality", "")),
        patient_id=row.patient_id,
        patient_name=row.patient_name,
        series_number=int(written.get("SeriesNumber") or 0),
        instance_number=int(written.get("InstanceNumber") or 0),
        series_description=str(written.get("SeriesDescription", "")),
        study_date=row.study_date,
        study_time=row.study_time,
        accession_number=row.accession_number,
        study_description=row.description,
    )
