"""Work that one thread of one node takes, so that no other does it at the same time.

A lease ends by itself: whoever took it and died gives the work back. It holds nobody from doing
the same work again, so work must bear being done twice; it sees to it that it seldom is.

No lease ends when the one before it did, so its end also says whose it is: who was too slow and
lost it cannot give back what another has taken since.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any, Literal, NamedTuple

from sqlalchemy import Connection, Select, delete, or_, select

from dicom_service.store.index import Overtaken, retried, upsert
from dicom_service.store.opening import Shelf
from dicom_service.store.priors import due_searches
from dicom_service.store.schema import leases, studies
from dicom_service.store.studies import due_for_template
from dicom_service.store.times import seconds_us, to_us

FARTHEST_SECONDS = 7 * 86400
"""No lease is longer; one that ends later tells that the clock was set back."""

Kind = Literal["template", "priors", "syslog"]


class Lease(NamedTuple):
    """What was taken."""

    kind: Kind
    of: str
    until: int
    """Its end in microseconds; whose it is."""


class Leases(Shelf):
    """Taking and giving back."""

    def claim_study(
        self, now: datetime, quiet: float, seconds: float, but_not: Collection[str] = ()
    ) -> Lease | None:
        """Take a study that needs a template (see `due_studies`); None: there is none to take."""
        query = due_for_template(now, quiet).where(studies.c.study_uid.not_in(but_not))
        return self._claim_one("template", query, now, seconds)

    def claim_prior_search(self, now: datetime, seconds: float) -> Lease | None:
        """Take a study whose earlier studies are to be asked for (see `due_prior_searches`)."""
        return self._claim_one("priors", due_searches(now), now, seconds)

    @retried
    def claim(self, kind: Kind, of: str, now: datetime, seconds: float) -> Lease | None:
        """Take one thing by its name; None: somebody else is at it."""
        with self._index.write() as connection:
            return _take(connection, kind, of, now, seconds)

    @retried
    def give_back(self, lease: Lease) -> None:
        """The work is done, or somebody else may try; what another has now stays theirs."""
        with self._index.write() as connection:
            mine = (leases.c.kind == lease.kind, leases.c.of == lease.of)
            connection.execute(delete(leases).where(*mine, leases.c.until == lease.until))

    @retried
    def _claim_one(
        self, kind: Kind, due: Select[Any], now: datetime, seconds: float
    ) -> Lease | None:
        taken = select(leases.c.of).where(leases.c.kind == kind, ~_over(to_us(now)))
        query = due.where(studies.c.study_uid.not_in(taken))
        # Whoever looks at the same moment passes over the row; what was taken since this
        # transaction began to look shows when the lease is written.
        query = query.limit(1).with_for_update(of=studies, skip_locked=True, key_share=True)
        with self._index.write() as connection:
            found = connection.execute(query).scalar()
            if found is None:
                return None
            lease = _take(connection, kind, str(found), now, seconds)
            if lease is None:
                raise Overtaken("Another node took the same work.")
        return lease


def _over(at: int) -> Any:
    return or_(leases.c.until <= at, leases.c.until > at + seconds_us(FARTHEST_SECONDS))


def _take(
    connection: Connection, kind: Kind, of: str, now: datetime, seconds: float
) -> Lease | None:
    at = to_us(now)
    until = at + seconds_us(seconds)
    written = (
        upsert(connection, leases)
        .values(kind=kind, of=of, until=until)
        .on_conflict_do_update(
            index_elements=[leases.c.kind, leases.c.of], set_={"until": until}, where=_over(at)
        )
        .returning(leases.c.of)
    )
    return Lease(kind, of, until) if connection.execute(written).first() else None
