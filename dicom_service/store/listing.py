"""The reading list by the stage of the work, with what a reader chooses by: urgency, views, age."""

from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, func, not_, or_, select

from dicom_service.errors import NotFound
from dicom_service.store import audit
from dicom_service.store.lines import put_line
from dicom_service.store.model import ListedStudy, ListQuery, Stage, StudyRow
from dicom_service.store.schema import list_lines, outbox, studies, users
from dicom_service.store.studies import LISTED, Studies, matching
from dicom_service.store.times import to_us

COUNTED = 1000
"""Nobody reads the exact number beyond this, and counting a million takes long."""
_WORK: tuple[Stage, ...] = ("to_read", "in_progress")
_COUNTED_STAGES: tuple[Stage, ...] = (*_WORK, "to_deliver", "trouble", "arriving")


class Listing(Studies):
    """Studies as a reader chooses among them."""

    def listed(self, query: ListQuery, limit: int, offset: int = 0) -> list[ListedStudy]:
        """One page of the list.

        Work that waits comes urgent first, then longest waiting; everything else newest first.
        """
        chosen, few = _chosen(select(*LISTED), query)
        # Where few studies are chosen, finding them comes before their order: adding nothing to
        # the time keeps the index on it from being walked through from end to end.
        arrived = studies.c.last_object_at + 0 if few else studies.c.last_object_at
        if query.stage in _WORK and query.order == "queue":
            lines = list_lines.c.study_uid == studies.c.study_uid
            chosen = chosen.outerjoin_from(studies, list_lines, lines)
            urgent = func.coalesce(list_lines.c.priority, 0).desc()
            chosen = chosen.order_by(urgent, arrived, studies.c.study_uid)
        else:
            chosen = chosen.order_by(arrived.desc(), studies.c.study_uid)
        rows = self._rows(chosen.limit(limit).offset(offset))
        with self._index.read() as connection:
            return _with_lines(connection, rows)

    def count_listed(self, query: ListQuery, at_most: int = COUNTED) -> int:
        """How many `listed` would give in all; counting ends at `at_most`."""
        with self._index.read() as connection:
            return _counted(connection, query, at_most)

    def stages(self) -> dict[str, int]:
        """How many studies, up to `COUNTED`, are in each stage that somebody should look at."""
        with self._index.read() as connection:
            return {
                stage: _counted(connection, ListQuery(stage=stage), COUNTED)
                for stage in _COUNTED_STAGES
            }

    def set_priority(self, study_uid: str, priority: int, *, user: str, at: datetime) -> None:
        """A person says how urgent a study is; wins over what the request said.

        Raises
        ------
        NotFound
            No such study.
        """
        with self._index.write() as connection:
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


def _counted(connection: Connection, query: ListQuery, at_most: int) -> int:
    chosen, _ = _chosen(select(studies.c.study_uid), query)
    within = chosen.limit(at_most).subquery()
    return int(connection.execute(select(func.count()).select_from(within)).scalar_one())


def _chosen(query: Select[Any], wanted: ListQuery) -> tuple[Select[Any], bool]:
    """The studies that are wanted, and whether those are few among many."""
    query = matching(query, wanted.text, wanted.states, "")
    if wanted.stage:
        query = query.where(_STAGES[wanted.stage])
    for given, condition in (
        (wanted.urgent, list_lines.c.priority > 0),
        (wanted.missing, list_lines.c.missing != ""),
    ):
        if given:
            named = select(list_lines.c.study_uid).where(condition)
            query = query.where(studies.c.study_uid.in_(named))
    if wanted.species:
        query = query.where(studies.c.species == wanted.species)
    if wanted.reader:
        query = query.where(studies.c.reader == wanted.reader)
    few = wanted.stage not in ("", "delivered") or bool(wanted.text)
    return query, few or wanted.urgent or wanted.missing


_OPEN = select(outbox.c.study_uid).where(
    or_(
        outbox.c.state.in_(("owed", "refused")),
        # What was sent to a peer that does not commit has arrived as far as anybody can tell.
        and_(outbox.c.state == "sent", outbox.c.next_at.is_not(None)),
    )
)
# Most studies of a node are signed: an index on the state does not find them faster.
_DONE = func.coalesce(studies.c.state, "").in_(("signed", "withdrawn"))
_STAGES: dict[str, ColumnElement[bool]] = {
    "to_read": studies.c.state == "waiting",
    "in_progress": studies.c.state == "reading",
    "to_deliver": and_(_DONE, studies.c.study_uid.in_(_OPEN)),
    "delivered": and_(_DONE, not_(studies.c.study_uid.in_(_OPEN))),
    "arriving": studies.c.state == "arriving",
    "trouble": or_(studies.c.state == "failed", studies.c.late_objects > 0),
    "withdrawn": studies.c.state == "withdrawn",
}


def _with_lines(connection: Connection, rows: list[StudyRow]) -> list[ListedStudy]:
    uids = [row.study_uid for row in rows]
    kept = select(list_lines).where(list_lines.c.study_uid.in_(uids))
    lines = {line.study_uid: line for line in connection.execute(kept)}
    readers = {row.reader for row in rows if row.reader}
    named = select(users.c.name, users.c.display).where(users.c.name.in_(readers))
    names = {user.name: user.display for user in connection.execute(named)}
    listed = []
    for row in rows:
        line = lines.get(row.study_uid)
        more: dict[str, Any] = {"reader_name": names.get(row.reader, row.reader)}
        if line is not None:
            more |= {
                "question": line.question,
                "missing": line.missing,
                "priority": line.priority,
                "priority_by": line.priority_by,
            }
        listed.append(ListedStudy(**dict(row), **more))
    return listed
