"""The reading list by the stage of the work, with what a reader chooses by: urgency, views, age."""

import time
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, select

from dicom_service.errors import NotFound
from dicom_service.store import audit
from dicom_service.store.finding import WORK, count_of, counts_of, page_of
from dicom_service.store.index import one_of, retried
from dicom_service.store.lines import put_line
from dicom_service.store.model import ListedStudy, ListQuery, Stage
from dicom_service.store.schema import list_lines, studies
from dicom_service.store.schema_accounts import users
from dicom_service.store.studies import LISTED, Studies, rows_of
from dicom_service.store.times import to_us

COUNTED = 1000
"""Nobody reads the exact number beyond this, and counting a million takes long."""
_STAGES_SECONDS = 1.0
_MOST_SITES = 100
"""Sets of sites of which the numbers are remembered."""
_COUNTED_STAGES: tuple[Stage, ...] = (*WORK, "to_deliver", "trouble", "arriving")


class _Stages(NamedTuple):
    kept: int
    at: float
    counts: dict[str, int]


class Page(NamedTuple):
    """A page of the list, how many studies there are, and whether there are more than that."""

    rows: list[ListedStudy]
    total: int
    more: bool


class Listing(Studies):
    """Studies as a reader chooses among them."""

    def __init__(self, *given: Any, **options: Any) -> None:
        super().__init__(*given, **options)
        self._stages: dict[tuple[str, ...] | None, _Stages] = {}

    def listed(self, query: ListQuery, limit: int, offset: int = 0) -> list[ListedStudy]:
        """One page of the list.

        Work that waits comes urgent first, then longest waiting; everything else newest first.
        """
        with self._index.read() as connection:
            return _page(connection, query, limit, offset)

    def count_listed(self, query: ListQuery, at_most: int = COUNTED) -> int:
        """How many `listed` would give in all; counting ends at `at_most`."""
        with self._index.read() as connection:
            return count_of(connection, query, at_most)

    def page(self, query: ListQuery, limit: int, offset: int = 0) -> Page:
        """One page of the list, and how much there is: what both ask is asked in one transaction.

        Of a search each study that is counted must be looked up: whether there is more than the
        page is enough to know. Everything else is counted to `COUNTED` beyond the page.
        """
        searched = bool(query.text.strip() or query.urgent or query.missing)
        with self._index.read() as connection:
            rows = _page(connection, query, limit + searched, offset)
            if searched:
                total = offset + len(rows) if rows else count_of(connection, query, offset)
                return Page(rows[:limit], total, len(rows) > limit)
            total = count_of(connection, query, offset + COUNTED)
            return Page(rows, total, total == offset + COUNTED)

    def stages(self, sites: Sequence[str] | None = None) -> dict[str, int]:
        """How many studies, up to `COUNTED`, are in each stage that somebody should look at.

        Of an index that nodes share they are counted once a second, and anew when this node has
        kept something: what another did shows a second later.
        """
        within = None if sites is None else tuple(sites)
        kept, now = self._index.kept, time.monotonic()
        known = self._stages.get(within)
        if known is not None and known.kept == kept and now < known.at + _STAGES_SECONDS:
            return dict(known.counts)
        counts = self.count_stages(within)
        if kept is not None:
            if len(self._stages) > _MOST_SITES:
                self._stages.clear()
            self._stages[within] = _Stages(kept, now, counts)
        return dict(counts)

    def count_stages(self, within: tuple[str, ...] | None = None) -> dict[str, int]:
        """The same, counted now."""
        with self._index.read() as connection:
            return counts_of(connection, _COUNTED_STAGES, within, COUNTED)

    @retried
    def set_priority(self, study_uid: str, priority: int, *, user: str, at: datetime) -> None:
        """A person says how urgent a study is; wins over what the request said.

        Raises
        ------
        NotFound
            No such study.
        """
        with self._index.write(study_uid) as connection:
            known = select(studies.c.study_uid).where(studies.c.study_uid == study_uid)
            if connection.execute(known).first() is None:
                raise NotFound(f"No study {study_uid} is on this node.")
            put_line(connection, study_uid, priority=priority, priority_by=user)
            audit.note(
                connection,
                "priority changed",
                at_us=to_us(at),
                user=user,
                study_uid=study_uid,
                detail=str(priority),
            )


_BESIDE = [c for c in list_lines.c if c.name != "study_uid"]
_LINES = (
    select(*LISTED, *_BESIDE, func.coalesce(users.c.display, studies.c.reader).label("reader_name"))
    .outerjoin(list_lines, list_lines.c.study_uid == studies.c.study_uid)
    .outerjoin(users, users.c.name == studies.c.reader)
)


def _page(connection: Connection, query: ListQuery, limit: int, offset: int) -> list[ListedStudy]:
    uids = page_of(connection, query, limit, offset)
    found = _LINES.where(one_of(connection, studies.c.study_uid, uids))
    rows = {row.study_uid: row for row in rows_of(connection, found, ListedStudy)}
    return [rows[uid] for uid in uids if uid in rows]
