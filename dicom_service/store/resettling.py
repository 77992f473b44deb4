"""A study that goes to another site, with all that is of it: images, reports, copies set aside.

| state of the study             | it goes                                              |
|--------------------------------|------------------------------------------------------|
| arriving, reading              | not: objects still come, or a draft is open          |
| waiting, failed                | and is prepared again, as the other site does it     |
| signed, withdrawn, prior, kept | as it is; its reports are owed to the other archive  |
"""

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, select, update

from dicom_service.errors import NotFound, NotReady, Refused
from dicom_service.store import audit, events
from dicom_service.store.deliveries import NO_ARCHIVE
from dicom_service.store.index import SEND, SETTLE, retried, tell
from dicom_service.store.opening import Shelf
from dicom_service.store.reopening import opened_again
from dicom_service.store.schema import (
    outbox,
    outbox_asks,
    prior_searches,
    prior_studies,
    studies,
)
from dicom_service.store.times import to_us

_OPEN = ("owed", "sent")


class Resettling(Shelf):
    """Studies that change their site."""

    @retried
    def give_study(
        self, study_uid: str, site: str, *, archive: str, reason: str, user: str, at: datetime
    ) -> int:
        """Make a study another site's; both trails say so, and neither names the other site.

        What the archives of the site before said of earlier studies stays behind. Documents that
        were owed to its archive are owed to the other one, anew.

        Parameters
        ----------
        archive
            Peer of the other site that gets its documents; "": the first that it names.

        Returns
        -------
        int
            Documents that are now owed.

        Raises
        ------
        NotFound
            No such study.
        Refused
            It is of this site already.
        NotReady
            Objects of it arrive, a draft of it is open, or a delivery is not done with.
        """
        with self._index.write(study_uid) as connection:
            query = select(studies).where(studies.c.study_uid == study_uid)
            row = connection.execute(query.with_for_update()).first()
            if row is None:
                raise NotFound(f"No study {study_uid} is on this node.")
            if row.site == site:
                raise Refused(f"The study {study_uid} is of {_named(site)} already.")
            _check(connection, row)
            moved = {"state": "arriving"} if row.state in ("waiting", "failed") else {}
            events.set_values(connection, study_uid, site=site, **moved)
            for table in (prior_studies, prior_searches):
                connection.execute(delete(table).where(table.c.study_uid == study_uid))
            owed = _owe(connection, study_uid, archive)
            for where, event in ((row.site, "study given away"), (site, "study taken over")):
                audit.note(
                    connection, event, at_us=to_us(at), user=user, study_uid=study_uid,
                    detail=reason, site=where,
                )  # fmt: skip
            tell(connection, SETTLE)
            tell(connection, SEND)
        return owed


def _check(connection: Connection, row: Any) -> None:
    known = opened_again(connection, row.study_uid)
    if known is not None:
        raise NotReady(f"{known.user} has opened its report for correction: sign it or give it up.")
    if row.version and row.state not in events.CLOSED:
        raise NotReady(f"{row.reader or 'Somebody'} has a draft of it open: it must be signed.")
    if row.state == "arriving":
        raise NotReady("Its objects are still arriving, or it is being prepared: wait for that.")
    under_way = connection.execute(
        select(outbox.c.destination)
        .where(outbox.c.study_uid == row.study_uid, outbox.c.destination != "")
        .where(outbox.c.state.in_(_OPEN), outbox.c.next_at.is_not(None))
        .limit(1)
    ).scalar()
    if under_way is not None:
        raise NotReady(f"Documents of it are still on their way to {under_way}: wait for that.")


def _owe(connection: Connection, study_uid: str, archive: str) -> int:
    here = outbox.c.study_uid == study_uid
    of_it = select(outbox.c.id).where(here)
    connection.execute(delete(outbox_asks).where(outbox_asks.c.outbox_id.in_(of_it)))
    change = update(outbox).where(here)
    return connection.execute(
        change.values(
            destination=archive,
            state="owed",
            attempts=0,
            resends=0,
            next_at=0,
            leased_until=0,
            transaction_uid="",
            error="" if archive else NO_ARCHIVE,
        )
    ).rowcount


def _named(site: str) -> str:
    return f"the site {site}" if site else "the site without a name"
