"""The search for earlier studies: whether archives were asked, and what they answered.

A prepared study without a row is yet to be searched for, so nothing has to be queued and
nothing is lost when the node stops in between.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Select, delete, func, insert, or_, select

from dicom_service.store.index import retried
from dicom_service.store.model import PriorSearch, PriorStudy
from dicom_service.store.opening import Shelf
from dicom_service.store.outbox import FARTHEST_SECONDS
from dicom_service.store.schema import prior_searches, prior_studies, studies
from dicom_service.store.times import from_us, seconds_us, to_us

_OPEN = ("waiting", "reading")


class Priors(Shelf):
    """What archives know of the animals on the reading list."""

    def due_prior_searches(self, now: datetime, limit: int = 20) -> list[str]:
        """Studies whose earlier studies are to be asked for now, newest arrival first."""
        with self._index.read() as connection:
            return list(connection.execute(due_searches(now).limit(limit)).scalars())

    def next_prior_search_at(self) -> datetime | None:
        """When a search that failed is tried again."""
        query = _open_searches(func.min(prior_searches.c.next_at))
        with self._index.read() as connection:
            found = connection.execute(query).scalar()
        return None if found is None else from_us(found)

    @retried
    def begin_prior_search(self, study_uid: str, now: datetime) -> None:
        """A search begins; what an earlier one found is kept until this one ends."""
        before = self.prior_search(study_uid)
        values = PriorSearch(
            state="looking",
            attempts=before.attempts if before else 0,
            next_at=now,
            found=before.found if before else 0,
        )
        with self._index.write(study_uid) as connection:
            _put(connection, study_uid, values)

    @retried
    def ask_again(self, study_uid: str) -> None:
        """The archives are to be asked anew; what they named before is kept until they answer."""
        with self._index.write(study_uid) as connection:
            connection.execute(
                delete(prior_searches).where(prior_searches.c.study_uid == study_uid)
            )

    @retried
    def end_prior_search(
        self,
        study_uid: str,
        state: Literal["found", "failed"],
        listed: Sequence[PriorStudy],
        *,
        detail: str = "",
        next_at: datetime | None = None,
    ) -> None:
        """Record what archives answered.

        Parameters
        ----------
        state
            "failed" when at least one archive is to be asked again.
        listed
            What is known now; of a failed search it only adds to what was known.
        next_at
            When a failed search is tried again.
        """
        before = self.prior_search(study_uid)
        failed = state == "failed"
        attempts = (before.attempts if before else 0) + 1 if failed else 0
        key = prior_studies.c.study_uid == study_uid
        named = [prior.prior_uid for prior in listed]
        with self._index.write(study_uid) as connection:
            old = delete(prior_studies).where(key)
            connection.execute(old.where(prior_studies.c.prior_uid.in_(named)) if failed else old)
            if listed:
                rows = [{"study_uid": study_uid, **prior.model_dump()} for prior in listed]
                connection.execute(insert(prior_studies), rows)
            fetched = select(func.count()).where(key, prior_studies.c.state == "fetched")
            search = PriorSearch(
                state=state,
                attempts=attempts,
                next_at=next_at,
                found=connection.execute(fetched).scalar_one(),
                detail=detail,
            )
            _put(connection, study_uid, search)

    def prior_search(self, study_uid: str) -> PriorSearch | None:
        """How far the search has come; None while it has not begun."""
        query = select(prior_searches).where(prior_searches.c.study_uid == study_uid)
        with self._index.read() as connection:
            row = connection.execute(query).first()
        if row is None:
            return None
        return PriorSearch(
            state=row.state,
            attempts=row.attempts,
            next_at=None if row.next_at is None else from_us(row.next_at),
            found=row.found,
            detail=row.detail,
        )

    def prior_studies(self, study_uid: str) -> list[PriorStudy]:
        """The earlier studies that archives named, newest first."""
        query = select(prior_studies).where(prior_studies.c.study_uid == study_uid)
        query = query.order_by(prior_studies.c.study_date.desc(), prior_studies.c.prior_uid)
        with self._index.read() as connection:
            rows = connection.execute(query).mappings().all()
        return [
            PriorStudy.model_validate({name: row[name] for name in PriorStudy.model_fields})
            for row in rows
        ]


def due_searches(now: datetime) -> Select[Any]:
    """The query of `Priors.due_prior_searches`."""
    query = _open_searches(studies.c.study_uid).where(_due(to_us(now)))
    return query.order_by(studies.c.last_object_at.desc())


def _open_searches(column: Any) -> Select[Any]:
    joined = studies.outerjoin(prior_searches, prior_searches.c.study_uid == studies.c.study_uid)
    return select(column).select_from(joined).where(studies.c.state.in_(_OPEN))


def _due(at: int) -> Any:
    return or_(
        prior_searches.c.study_uid.is_(None),
        prior_searches.c.next_at <= at,
        prior_searches.c.next_at > at + seconds_us(FARTHEST_SECONDS),
    )


def _put(connection: Any, study_uid: str, search: PriorSearch) -> None:
    key = prior_searches.c.study_uid == study_uid
    connection.execute(delete(prior_searches).where(key))
    values = search.model_dump(exclude={"next_at"})
    next_at = None if search.next_at is None else to_us(search.next_at)
    connection.execute(
        insert(prior_searches).values(study_uid=study_uid, next_at=next_at, **values)
    )
