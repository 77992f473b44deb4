"""The audit trail: who did what to which study, and what the node found odd."""

from datetime import datetime

from sqlalchemy import Connection, insert, select

from dicom_service.store.model import AuditRow
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import audit
from dicom_service.store.times import from_us, to_us


def note(
    connection: Connection,
    event: str,
    *,
    at_us: int,
    user: str = "",
    study_uid: str = "",
    detail: str = "",
) -> None:
    """Write an event in the transaction of what it is about."""
    connection.execute(
        insert(audit).values(at=at_us, event=event, user=user, study_uid=study_uid, detail=detail)
    )


class Audit(Shelf):
    """Writing and reading the audit trail."""

    def audit(
        self, event: str, *, user: str = "", study_uid: str = "", detail: str = "", at: datetime
    ) -> None:
        """Write one event."""
        with self._index.write() as connection:
            note(connection, event, at_us=to_us(at), user=user, study_uid=study_uid, detail=detail)

    def audit_rows(self, *, study_uid: str = "", limit: int = 200) -> list[AuditRow]:
        """The newest events first, of one study or of all."""
        query = select(audit).order_by(audit.c.id.desc()).limit(limit)
        if study_uid:
            query = query.where(audit.c.study_uid == study_uid)
        with self._index.read() as connection:
            return [
                AuditRow(
                    at=from_us(row.at),
                    event=row.event,
                    user=row.user,
                    study_uid=row.study_uid,
                    detail=row.detail,
                )
                for row in connection.execute(query)
            ]
