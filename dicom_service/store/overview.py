"""What whoever looks after the node wants to know at a glance."""

import shutil
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Select, func, select, update

from dicom_service.store import audit as trail
from dicom_service.store.index import SEND, retried, tell
from dicom_service.store.model import Overview, Owed
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import (
    documents,
    instances,
    outbox,
    quarantine,
    quarantine_decisions,
    studies,
)
from dicom_service.store.sites import among
from dicom_service.store.times import from_us, to_us

_OPEN = ("owed", "sent")


class Overviews(Shelf):
    """Counts over everything, and the outbox as a list."""

    def overview(self, sites: Sequence[str] | None = None) -> Overview:
        """How much there is of what, and how much room is left; of these sites only."""
        room = shutil.disk_usage(self.folder)
        with self._index.read() as connection:
            states = connection.execute(
                select(studies.c.state, func.count())
                .where(*among(studies.c.site, sites))
                .group_by(studies.c.state)
            ).all()
            deliveries = connection.execute(
                select(outbox.c.state, func.count())
                .where(*_of_sites(outbox.c.study_uid, sites))
                .group_by(outbox.c.state)
            ).all()
            count, size = connection.execute(
                select(func.count(), func.coalesce(func.sum(instances.c.size), 0)).where(
                    *_of_sites(instances.c.study_uid, sites)
                )
            ).one()
            decided = select(quarantine_decisions.c.quarantine_id)
            open_ones = select(func.count()).where(
                quarantine.c.id.not_in(decided), *_of_sites(quarantine.c.study_uid, sites)
            )
            aside = connection.execute(open_ones).scalar_one()
            oldest = connection.execute(
                select(func.min(documents.c.created_at))
                .join(outbox, outbox.c.sop_instance_uid == documents.c.sop_instance_uid)
                .where(outbox.c.state.in_(_OPEN), *_of_sites(outbox.c.study_uid, sites))
            ).scalar()
        return Overview(
            studies=_counted(states),
            deliveries=_counted(deliveries),
            objects=count,
            object_bytes=int(size),
            quarantined=aside,
            oldest_delivery=None if oldest is None else from_us(oldest),
            free_bytes=room.free,
            disk_bytes=room.total,
        )

    def counts_by_site(self) -> tuple[dict[tuple[str, str], int], dict[tuple[str, str], int]]:
        """Studies and deliveries, by site and state."""
        columns = (studies.c.site, studies.c.state)
        seen = select(*columns, func.count()).group_by(*columns)
        columns = (studies.c.site, outbox.c.state)
        sent = (
            select(*columns, func.count())
            .join_from(outbox, studies, studies.c.study_uid == outbox.c.study_uid)
            .group_by(*columns)
        )
        with self._index.read() as connection:
            found = [connection.execute(query).all() for query in (seen, sent)]
        studies_of, deliveries_of = ({(s, state): int(n) for s, state, n in rows} for rows in found)
        return studies_of, deliveries_of

    def owed(
        self,
        states: Collection[str],
        limit: int,
        offset: int = 0,
        sites: Sequence[str] | None = None,
    ) -> list[Owed]:
        """Deliveries in these states, the ones in trouble first, then the oldest."""
        query = (
            _owed()
            .where(outbox.c.state.in_(states), *among(studies.c.site, sites))
            .order_by(outbox.c.state != "refused", outbox.c.attempts.desc(), outbox.c.id)
            .limit(limit)
            .offset(offset)
        )
        with self._index.read() as connection:
            return [_row(row) for row in connection.execute(query)]

    def count_owed(self, states: Collection[str], sites: Sequence[str] | None = None) -> int:
        """How many `owed` would list without a limit."""
        which = (outbox.c.state.in_(states), *_of_sites(outbox.c.study_uid, sites))
        query = select(func.count()).select_from(outbox).where(*which)
        with self._index.read() as connection:
            return int(connection.execute(query).scalar_one())

    @retried
    def try_again(
        self, ids: Sequence[int], *, user: str, at: datetime, sites: Sequence[str] | None = None
    ) -> int:
        """Send these deliveries now, refused ones too; none named: all that are open or refused.

        Returns
        -------
        int
            How many there were.
        """
        which = (outbox.c.state.in_((*_OPEN, "refused")), *among(studies.c.site, sites))
        chosen = (*which, outbox.c.id.in_(ids)) if ids else which
        with self._index.write() as connection:
            named = _owed().where(*chosen).order_by(outbox.c.id)
            rows = connection.execute(named.with_for_update(of=outbox)).all()
            found = [row.id for row in rows]
            changes = update(outbox).where(outbox.c.id.in_(found))
            connection.execute(changes.values(next_at=0, leased_until=0))
            # A refused one starts over; what the archive said stays visible until it answers.
            refused = changes.where(outbox.c.state == "refused")
            connection.execute(refused.values(state="owed", attempts=0, resends=0))
            for row in rows:
                trail.note(
                    connection,
                    "delivery tried again",
                    at_us=to_us(at),
                    user=user,
                    study_uid=row.study_uid,
                    detail=f"{row.destination}: {row.sop_instance_uid}",
                )
            tell(connection, SEND)
        return len(found)


def _counted(rows: Sequence[Any]) -> dict[str, int]:
    return {str(state): int(number) for state, number in rows}


def _of_sites(study_uid: Any, sites: Sequence[str] | None) -> list[Any]:
    if sites is None:
        return []
    return [study_uid.in_(select(studies.c.study_uid).where(*among(studies.c.site, sites)))]


def _owed() -> Select[Any]:
    return (
        select(outbox, documents.c.kind, documents.c.role, documents.c.created_at)
        .add_columns(studies.c.patient_name, studies.c.patient_id, studies.c.site)
        .join(documents, documents.c.sop_instance_uid == outbox.c.sop_instance_uid)
        .join(studies, studies.c.study_uid == outbox.c.study_uid)
    )


def _row(row: Any) -> Owed:
    return Owed(
        id=row.id,
        study_uid=row.study_uid,
        site=row.site,
        patient_name=row.patient_name,
        patient_id=row.patient_id,
        kind=row.kind,
        role=row.role,
        sop_instance_uid=row.sop_instance_uid,
        destination=row.destination,
        state=row.state,
        attempts=row.attempts,
        error=row.error,
        created_at=from_us(row.created_at),
        next_at=from_us(row.next_at) if row.next_at else None,
    )
