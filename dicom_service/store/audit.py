"""The audit trail: who saw and did what to which study, and what the node found odd."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, insert, or_, select

from dicom_service.store.chain import START, digest_of, seal
from dicom_service.store.index import hold, retried
from dicom_service.store.model import AuditCheck, AuditRow
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import audit, audit_exports, audit_seals, studies
from dicom_service.store.schema_accounts import user_sites, users
from dicom_service.store.sites import among
from dicom_service.store.times import from_us, to_us

_PIECE = 1000


def note(
    connection: Connection,
    event: str,
    *,
    at_us: int,
    user: str = "",
    study_uid: str = "",
    detail: str = "",
    site: str | None = None,
) -> None:
    """Write an event, sealed, in the transaction of what it is about.

    Parameters
    ----------
    site
        Whose event it is; None: that of the study, else the only one of the user.
    """
    values = {"at": at_us, "event": event, "user": user, "study_uid": study_uid, "detail": detail}
    values["site"] = _site(connection, user, study_uid) if site is None else site
    note_many(connection, [values])


def note_many(connection: Connection, events: Sequence[dict[str, Any]]) -> None:
    """Write events of which all columns are known, each sealed."""
    hold(connection, "audit trail")  # events are numbered and sealed one after the other
    made = connection.execute(insert(audit).returning(audit), list(events))
    seal(connection, sorted(made, key=lambda row: row.id))


class Audit(Shelf):
    """Writing, reading and checking the audit trail."""

    @retried
    def audit(
        self,
        event: str,
        *,
        user: str = "",
        study_uid: str = "",
        detail: str = "",
        at: datetime,
        site: str | None = None,
    ) -> None:
        """Write one event; see `note`."""
        with self._index.write() as connection:
            note(
                connection,
                event,
                at_us=to_us(at),
                user=user,
                study_uid=study_uid,
                detail=detail,
                site=site,
            )

    def audit_rows(
        self,
        *,
        study_uid: str = "",
        user: str = "",
        text: str = "",
        events: Sequence[str] = (),
        since: datetime | None = None,
        until: datetime | None = None,
        sites: Sequence[str] | None = None,
        limit: int = 200,
        offset: int = 0,
    ) -> list[AuditRow]:
        """The newest events first.

        Parameters
        ----------
        text
            A part of the event's name or of its detail.
        events
            Names of events that count as having `text` in them.
        since, until
            Not before, and before.
        sites
            Of these only.
        """
        query = (
            _sealed()
            .where(*among(audit.c.site, sites))
            .order_by(audit.c.id.desc())
            .limit(limit)
            .offset(offset)
        )
        if study_uid:
            query = query.where(audit.c.study_uid == study_uid)
        if user:
            query = query.where(audit.c.user == user)
        if text:
            found = [column.icontains(text, autoescape=True) for column in _SEARCHED]
            query = query.where(or_(*found, audit.c.event.in_(events)))
        if since is not None:
            query = query.where(audit.c.at >= to_us(since))
        if until is not None:
            query = query.where(audit.c.at < to_us(until))
        with self._index.read() as connection:
            return [_row(row) for row in connection.execute(query)]

    def audit_after(self, last_id: int, limit: int = _PIECE) -> list[AuditRow]:
        """The events after one of them, oldest first."""
        query = _sealed().where(audit.c.id > last_id).order_by(audit.c.id).limit(limit)
        with self._index.read() as connection:
            return [_row(row) for row in connection.execute(query)]

    def audit_verify(self, expected: str = "") -> AuditCheck:
        """Whether every event is as it was written.

        Parameters
        ----------
        expected
            A digest that was kept elsewhere; it must be one of the trail's.
        """
        before, count, found = START, 0, not expected
        for row in self._trail():
            count += 1
            if row.digest is None:
                return AuditCheck(count=count, head=before, broken_at=row.id, why="has no seal")
            if row.digest != digest_of(before, row):
                why = "is not what was sealed, or an event before it is missing"
                return AuditCheck(count=count, head=before, broken_at=row.id, why=why)
            before = row.digest
            found = found or before == expected
        why = "" if found else f"no event has the digest {expected}: the end was cut or rewritten"
        return AuditCheck(count=count, head=before, why=why)

    def audit_exported(self, destination: str) -> int:
        """The number of the last event that this destination was sent."""
        query = select(audit_exports.c.last_id).where(audit_exports.c.destination == destination)
        with self._index.read() as connection:
            return int(connection.execute(query).scalar() or 0)

    @retried
    def set_audit_exported(self, destination: str, last_id: int) -> None:
        """Remember that this destination was sent everything up to this event, or a later one."""
        with self._index.write(f"export {destination}") as connection:
            key = audit_exports.c.destination == destination
            known = connection.execute(select(audit_exports).where(key)).first()
            if known and known.last_id >= last_id:
                return  # one who lost its lease comes late
            change = audit_exports.update().where(key) if known else insert(audit_exports)
            connection.execute(change.values(destination=destination, last_id=last_id))

    def _trail(self) -> Iterator[Any]:
        """Events and seals side by side, in pieces."""
        last = 0
        while True:
            query = _sealed().where(audit.c.id > last).order_by(audit.c.id).limit(_PIECE)
            with self._index.read() as connection:
                rows = connection.execute(query).all()
            yield from rows
            if len(rows) < _PIECE:
                return
            last = rows[-1].id


def _site(connection: Connection, user: str, study_uid: str) -> str:
    if study_uid:
        query = select(studies.c.site).where(studies.c.study_uid == study_uid)
        return str(connection.execute(query).scalar() or "")
    if not user:
        return ""
    at_sites = select(user_sites.c.site).where(user_sites.c.user == user).limit(2)
    sites = connection.execute(at_sites).scalars().all()
    if len(sites) != 1:
        return ""
    everywhere = connection.execute(select(users.c.roles).where(users.c.name == user)).scalar()
    return str(sites[0]) if everywhere == "[]" else ""


_SEARCHED = (audit.c.event, audit.c.detail)


def _sealed() -> Select[Any]:
    return select(audit, audit_seals.c.digest).outerjoin(
        audit_seals, audit_seals.c.audit_id == audit.c.id
    )


def _row(row: Any) -> AuditRow:
    return AuditRow(
        id=row.id,
        at=from_us(row.at),
        event=row.event,
        user=row.user,
        study_uid=row.study_uid,
        detail=row.detail,
        site=row.site,
        digest=row.digest or "",
    )
