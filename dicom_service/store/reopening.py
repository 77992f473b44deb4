"""Opening a signed report again to correct it, and giving that up."""

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from dicom_service.errors import NotFound, NotReady
from dicom_service.report.model import ReportContent
from dicom_service.store import audit, events
from dicom_service.store.index import SETTLE, retried, tell
from dicom_service.store.model import Reopening
from dicom_service.store.opening import Shelf
from dicom_service.store.papers import prepared_columns
from dicom_service.store.schema import corrections, documents, reopenings, studies
from dicom_service.store.times import from_us, to_us


class Reopenings(Shelf):
    """Signed reports that are being corrected."""

    def reopening(self, study_uid: str) -> Reopening | None:
        """Who opened the signed report of a study again and why; None: nobody has."""
        with self._index.read() as connection:
            row = opened_again(connection, study_uid)
        if row is None:
            return None
        return Reopening(of_uid=row.of_uid, reason=row.reason, user=row.user, at=from_us(row.at))

    @retried
    def reopen(self, study_uid: str, *, reason: str, user: str, at: datetime) -> None:
        """Make the signed report a draft again; its documents stay as they are.

        The reading gets a new version, so that no other tab can sign what it saw before. With
        late images the study then needs a new template.

        Raises
        ------
        NotFound
            No such study.
        NotReady
            It has no signed report, or somebody has opened it already.
        """
        with self._index.write(study_uid) as connection:
            row = _required(connection, study_uid)
            newest = newest_report(connection, study_uid)
            if row.state not in events.CLOSED or newest is None:
                known = opened_again(connection, study_uid)
                raise NotReady(
                    f"{known.user} has opened this report for correction already."
                    if known
                    else "There is no signed report here that could be corrected."
                )
            connection.execute(
                insert(reopenings).values(
                    study_uid=study_uid,
                    of_uid=newest,
                    was=row.state,
                    reason=reason,
                    user=user,
                    at=to_us(at),
                    images=row.images,
                    late_objects=row.late_objects,
                )
            )
            events.set_values(
                connection,
                study_uid,
                state="reading",
                stale=row.late_objects > 0,
                late_objects=0,
                version=row.version + 1,
                reader=user,
            )
            if row.late_objects:
                tell(connection, SETTLE)
            _note(connection, "report reopened", study_uid, user, at, reason)

    @retried
    def give_up(self, study_uid: str, *, user: str, at: datetime) -> None:
        """Drop a correction that was not signed: the signed report is as it was.

        Raises
        ------
        NotFound
            No such study.
        NotReady
            Its report is not being corrected.
        """
        with self._index.write(study_uid) as connection:
            row = _required(connection, study_uid)
            known = opened_again(connection, study_uid)
            if known is None:
                raise NotReady("This report is not being corrected.")
            content = _content(connection, known.of_uid)
            events.set_values(
                connection,
                study_uid,
                **prepared_columns(content.facts, content.template),
                state=known.was,
                late_objects=known.late_objects + row.images - known.images,
                version=row.version + 1,
                reading=content.reading.model_dump_json(),
            )
            since = (corrections.c.study_uid == study_uid, corrections.c.at >= known.at)
            connection.execute(delete(corrections).where(*since))
            connection.execute(delete(reopenings).where(reopenings.c.study_uid == study_uid))
            _note(connection, "correction given up", study_uid, user, at, "")


def opened_again(connection: Connection, study_uid: str) -> Any:
    """The row of a reopening; None when there is none."""
    query = select(reopenings).where(reopenings.c.study_uid == study_uid)
    return connection.execute(query).first()


def newest_report(connection: Connection, study_uid: str) -> str | None:
    """SOP Instance UID of the last signed version of a study's report."""
    query = select(documents.c.sop_instance_uid).where(
        documents.c.study_uid == study_uid,
        documents.c.role == "report",
        documents.c.content != "",
    )
    return connection.execute(query.order_by(documents.c.id.desc()).limit(1)).scalar()


def _required(connection: Connection, study_uid: str) -> Any:
    row = connection.execute(select(studies).where(studies.c.study_uid == study_uid)).first()
    if row is None:
        raise NotFound(f"No study {study_uid} is on this node.")
    return row


def _content(connection: Connection, sop_instance_uid: str) -> ReportContent:
    query = select(documents.c.content).where(documents.c.sop_instance_uid == sop_instance_uid)
    return ReportContent.model_validate_json(connection.execute(query).scalar_one())


def _note(
    connection: Connection, event: str, study_uid: str, user: str, at: datetime, detail: str
) -> None:
    audit.note(connection, event, at_us=to_us(at), user=user, study_uid=study_uid, detail=detail)
