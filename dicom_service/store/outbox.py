"""The outbox: documents owed to peers, until the peer has committed to keep them.

| event             | owed        | sent                             | committed | refused   |
|-------------------|-------------|----------------------------------|-----------|-----------|
| sent              | sent        | sent (asked again)               | –         | –         |
| retry             | owed, later | sent, later                      | –         | –         |
| refused           | refused     | refused                          | –         | –         |
| commitment ok     | committed   | committed                        | –         | committed |
| commitment failed | –           | owed; refused after MOST_RESENDS | –         | –         |

A claim leases a row, so that a sender that dies gives it back by itself. The end of the lease,
which is never that of the one before, is also whose it is: failures are recorded by whoever holds
the row as it was claimed. A sender that was thought dead and fails later changes nothing; that it
delivered counts whenever it comes, for then the archive has it.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    case,
    delete,
    func,
    insert,
    or_,
    select,
    update,
)

from dicom_service.store import audit
from dicom_service.store.blobs import Blob
from dicom_service.store.faults import reach
from dicom_service.store.index import SEND, retried, tell
from dicom_service.store.model import OutboxRow
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import documents, leases, outbox, outbox_asks, studies
from dicom_service.store.times import from_us, now_us, seconds_us, to_us

MOST_RESENDS = 5
FARTHEST_SECONDS = 7 * 86400
"""No wait or lease is longer; one that ends later tells that the clock was set back."""

_OPEN = ("owed", "sent")


class Outbox(Shelf):
    """What is owed to peers."""

    @retried
    def claim_outbox(self, now: datetime, lease_seconds: float, limit: int) -> list[OutboxRow]:
        """Take rows that are due: owed ones to send, sent ones to ask about.

        Nobody else gets them until the lease ends or their outcome is recorded. Rows without a
        destination wait for `address_outbox`.
        """
        at = to_us(now)
        query = (
            _rows()
            .where(outbox.c.state.in_(_OPEN), outbox.c.destination != "", *_due(at))
            .order_by(outbox.c.id)
            .limit(limit)
            .with_for_update(of=outbox, skip_locked=True)
        )
        with self._index.write() as connection:
            rows = [self._outbox_row(row) for row in connection.execute(query)]
            lease = at + seconds_us(lease_seconds)
            if rows:
                _change(connection, [row.id for row in rows], leased_until=lease)
        return [row.model_copy(update={"lease": lease}) for row in rows]

    def next_outbox_at(self, now: datetime) -> datetime | None:
        """When the next row is due; None: nothing is to be done."""
        at = to_us(now)
        open_rows = (outbox.c.state.in_(_OPEN), outbox.c.destination != "")
        with self._index.read() as connection:
            due = select(outbox.c.id).where(*open_rows, *_due(at)).limit(1)
            if connection.execute(due).first():
                return now
            nexts = [
                connection.execute(
                    select(func.min(column)).where(
                        *open_rows, outbox.c.next_at.is_not(None), column > at
                    )
                ).scalar()
                for column in (outbox.c.next_at, outbox.c.leased_until)
            ]
        later = [moment for moment in nexts if moment is not None]
        return from_us(min(later)) if later else None

    @retried
    def outbox_sent(
        self, ids: Collection[int], transaction_uid: str, ask_again_at: datetime | None
    ) -> None:
        """The peer has taken these, and is asked to commit to them under `transaction_uid`.

        Record this before asking, so that the report of a fast peer finds its rows.

        Parameters
        ----------
        transaction_uid
            "" when the peer does not offer commitment.
        ask_again_at
            When to ask again if no report comes; None: sent is the last state.
        """
        with self._index.write() as connection:
            first = _of(connection, ids, outbox.c.state == "owed")
            _change(
                connection,
                ids,
                only=_OPEN,
                # `attempts` counts failed deliveries first, then unanswered questions.
                attempts=case((outbox.c.state == "owed", 0), else_=outbox.c.attempts + 1),
                state="sent",
                transaction_uid=transaction_uid,
                next_at=None if ask_again_at is None else to_us(ask_again_at),
                leased_until=0,
                error="",
            )
            if transaction_uid:
                connection.execute(
                    insert(outbox_asks),
                    [{"transaction_uid": transaction_uid, "outbox_id": i} for i in ids],
                )
            _audit_rows(connection, first, "report sent")
        reach("send.recorded")

    @retried
    def outbox_retry(self, rows: Collection[OutboxRow], error: str, next_at: datetime) -> None:
        """It did not work this time; `error` says why, shown to people.

        Parameters
        ----------
        rows
            As they were claimed, or as `outbox_sent` left them; what was claimed or sent by
            another since then is not touched.
        """
        with self._index.write() as connection:
            ids = _held(connection, rows)
            first = _of(connection, ids, outbox.c.attempts == 0)
            _change(
                connection,
                ids,
                attempts=outbox.c.attempts + 1,
                next_at=to_us(next_at),
                leased_until=0,
                error=error,
            )
            _audit_rows(connection, first, "delivery failed", error)

    @retried
    def outbox_refused(self, rows: Collection[OutboxRow], error: str) -> None:
        """The peer will never take these, claimed as in `outbox_retry`; a person must look."""
        with self._index.write() as connection:
            ids = _held(connection, rows)
            _change(connection, ids, state="refused", next_at=None, leased_until=0, error=error)
            _audit_refused(connection, ids, error)

    @retried
    def outbox_committed(
        self,
        transaction_uid: str,
        ok_uids: Collection[str],
        failed: Mapping[str, str],
        *,
        retry_seconds: float = 0.0,
        site: str | None = None,
    ) -> int:
        """A commitment report came.

        Parameters
        ----------
        ok_uids
            SOP Instance UIDs that the peer keeps; believed also for an earlier transaction.
        failed
            UIDs that it does not keep, with the reason: sent again after `retry_seconds`
            (doubled each time), refused after `MOST_RESENDS` times.
        site
            Of whoever reports: what other sites sent is not theirs to report on. None: any.

        Returns
        -------
        int
            Rows the report was about; 0: nothing is known of this transaction.
        """
        reach("commit.received")
        query = (
            select(outbox)
            .join(outbox_asks, outbox_asks.c.outbox_id == outbox.c.id)
            .where(outbox_asks.c.transaction_uid == transaction_uid)
            .order_by(outbox.c.id)
            .with_for_update(of=outbox)
        )
        if site is not None:
            query = query.where(_of_site(site))
        with self._index.write() as connection:
            rows = connection.execute(query).all()
            ok = [row.id for row in rows if row.sop_instance_uid in ok_uids]
            news = [r.id for r in rows if r.id in ok and r.state != "committed"]
            _audit_rows(connection, _of(connection, news), "report kept")
            _change(
                connection,
                ok,
                state="committed",
                next_at=None,
                leased_until=0,
                attempts=0,
                error="",
            )
            for row in rows:
                current = row.transaction_uid == transaction_uid and row.state == "sent"
                if row.sop_instance_uid in failed and current:
                    reason = failed[row.sop_instance_uid]
                    _resend(connection, row, reason, retry_seconds)
        return len(rows)

    @retried
    def address_outbox(self, destination: str, site: str = "") -> int:
        """Send what a site has waiting for an archive to this one; returns how many rows did."""
        with self._index.write() as connection:
            query = update(outbox).where(outbox.c.destination == "", _of_site(site))
            tell(connection, SEND)
            return connection.execute(
                query.values(destination=destination, error="", next_at=0)
            ).rowcount

    @retried
    def release_outbox(self) -> None:
        """At start: end the leases of the process before, and try at once whatever is open."""
        with self._index.write() as connection:
            connection.execute(delete(leases))
            connection.execute(
                update(outbox)
                .where(outbox.c.state.in_(_OPEN), outbox.c.next_at.is_not(None))
                .values(leased_until=0, next_at=0)
            )

    def outbox(self, study_uid: str) -> list[OutboxRow]:
        """What is or was owed of a study, oldest first."""
        query = _rows().where(outbox.c.study_uid == study_uid).order_by(outbox.c.id)
        with self._index.read() as connection:
            return [self._outbox_row(row) for row in connection.execute(query)]

    def _outbox_row(self, row: Any) -> OutboxRow:
        return OutboxRow(
            id=row.id,
            study_uid=row.study_uid,
            sop_instance_uid=row.sop_instance_uid,
            sop_class_uid=row.sop_class_uid,
            blob=Blob(self._blobs, row.blob),
            destination=row.destination,
            state=row.state,
            attempts=row.attempts,
            transaction_uid=row.transaction_uid,
            error=row.error,
            site=row.site,
            lease=row.leased_until,
        )


def _rows() -> Select[Any]:
    return (
        select(outbox, documents.c.sop_class_uid, documents.c.blob, studies.c.site)
        .join(documents, documents.c.sop_instance_uid == outbox.c.sop_instance_uid)
        .join(studies, studies.c.study_uid == outbox.c.study_uid)
    )


def _of_site(site: str) -> ColumnElement[bool]:
    """Asked of each row: what is open is little, and a site has many studies."""
    here = select(studies.c.site).where(studies.c.study_uid == outbox.c.study_uid)
    return here.correlate(outbox).scalar_subquery() == site


def _due(at: int) -> tuple[Any, ...]:
    farthest = at + seconds_us(FARTHEST_SECONDS)
    return (
        outbox.c.next_at.is_not(None),
        or_(outbox.c.next_at <= at, outbox.c.next_at > farthest),
        or_(outbox.c.leased_until <= at, outbox.c.leased_until > farthest),
    )


def _held(connection: Connection, rows: Collection[OutboxRow]) -> list[int]:
    """Which of these are still as whoever holds them knows them."""
    known = {row.id: (row.lease, row.transaction_uid) for row in rows}
    query = select(outbox).where(outbox.c.id.in_(list(known)), outbox.c.state.in_(_OPEN))
    found = connection.execute(query.order_by(outbox.c.id).with_for_update()).all()
    return [r.id for r in found if (r.leased_until, r.transaction_uid) == known[r.id]]


def _change(
    connection: Connection, ids: Collection[int], *, only: Sequence[str] = (), **values: Any
) -> None:
    query = update(outbox).where(outbox.c.id.in_(list(ids)))
    if only:
        query = query.where(outbox.c.state.in_(only))
    connection.execute(query.values(**values))


def _resend(connection: Connection, row: Any, reason: str, retry_seconds: float) -> None:
    times = row.resends + 1
    if times > MOST_RESENDS:
        error = f"Sent {times} times, and the archive says each time: {reason}"
        _change(connection, [row.id], state="refused", next_at=None, leased_until=0, error=error)
        _audit_refused(connection, [row.id], error)
        return
    wait = timedelta(seconds=min(retry_seconds * 2**row.resends, FARTHEST_SECONDS / 2))
    _change(
        connection,
        [row.id],
        state="owed",
        resends=times,
        next_at=to_us(datetime.now(UTC) + wait),
        leased_until=0,
        error=f"The archive does not keep it ({reason}); it is sent again.",
    )


def _audit_refused(connection: Connection, ids: Collection[int], error: str) -> None:
    _audit_rows(connection, _of(connection, ids), "delivery refused", error)


def _of(connection: Connection, ids: Collection[int], *conditions: Any) -> Sequence[Any]:
    """Study, object and destination of rows."""
    columns = (outbox.c.study_uid, outbox.c.sop_instance_uid, outbox.c.destination)
    query = select(*columns).where(outbox.c.id.in_(list(ids)), *conditions).order_by(outbox.c.id)
    # Rows are locked before the audit trail, by everybody.
    return connection.execute(query.with_for_update()).all()


def _audit_rows(connection: Connection, rows: Sequence[Any], event: str, error: str = "") -> None:
    for row in rows:
        said = error or row.sop_instance_uid
        named = said.startswith((f"{row.destination}: ", f"{row.destination} "))
        detail = said if named else f"{row.destination}: {said}"
        audit.note(connection, event, at_us=now_us(), study_uid=row.study_uid, detail=detail)
