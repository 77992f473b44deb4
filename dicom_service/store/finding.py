"""Which studies a page of the reading list shows, fast in a large store.

What few studies have in common leads to them, through the full-text index. What many have is
found soon by going through the studies from the newest on, or a queue from its head, in an index
that holds all that is asked. Between the two, the studies are known from the full-text index and
the newest of them are met on the way. Which it is, a count that stops early tells. Only then are
the rows of the page read, which are large.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, func, not_, or_, select
from sqlalchemy import text as literally

from dicom_service.store import events, texts
from dicom_service.store.model import ListQuery, Stage
from dicom_service.store.schema import outbox, studies, study_texts, study_words
from dicom_service.store.sites import of

FEW = 7_000
"""Studies that are all looked at; where there may be more, the newest are gone through."""
FAR = 12_000
"""Studies that are gone through for a page, where statistics tell how far that is."""
_MORE, _LEAST = 2.0, 500
"""Times as many are gone through as should do, and so many more."""
KNOWN = 20_000
"""Studies that are told apart by their number while the newest are gone through."""
WORTH = 8
"""Studies that are passed in the time that it takes to look one of them up."""
HIDDEN = ("kept", "prior")
"""States of studies that nobody is to read; listed only when they are asked for."""
WORK: tuple[Stage, ...] = ("to_read", "in_progress")
_SORTED: tuple[Stage, ...] = ("to_deliver",)
"""Stages for which no index holds the studies in their order: all are found and sorted."""
_LED = ("to_deliver", "late")
"""Stages that other tables or indexes lead to, whatever the site."""
_OF_TEXTS = {"text", "order"}
"""What the full-text index alone can answer."""
_OFTEN = frozenset({"signed", *HIDDEN})
"""States that many studies may be in."""

_OPEN = select(outbox.c.study_uid).where(
    or_(
        outbox.c.state.in_(("owed", "refused")),
        # What was sent to a peer that does not commit has arrived as far as anybody can tell.
        and_(outbox.c.state == "sent", outbox.c.next_at.is_not(None)),
    )
)
# Most studies of a node are signed: an index on the state does not find them faster.
_STATE = func.coalesce(studies.c.state, "")
_DONE = _STATE.in_(("signed", "withdrawn"))
_STAGES: dict[str, Any] = {
    # As in the conditions of the indexes, so that the database knows them again.
    "to_read": literally("studies.state = 'waiting'"),
    "in_progress": literally("studies.state = 'reading'"),
    "to_deliver": and_(_DONE, studies.c.study_uid.in_(_OPEN)),
    "delivered": and_(_DONE, not_(studies.c.study_uid.in_(_OPEN))),
    "arriving": studies.c.state == "arriving",
    # Trouble is one of two: each is in an index, while of both the rows have to be read.
    "failed": studies.c.state == "failed",
    "late": and_(literally("studies.late_objects > 0"), studies.c.state != "failed"),
    "withdrawn": studies.c.state == "withdrawn",
}
_PARTS = {"trouble": ("failed", "late")}


class _Plan(NamedTuple):
    query: Select[Any]
    few: bool
    whole: bool = True
    """False: only the newest are gone through, as many as should do."""


def page_of(connection: Connection, wanted: ListQuery, limit: int, offset: int) -> list[str]:
    """UIDs of the studies of a page, in its order; see `Listing.listed`."""
    queue = wanted.stage in WORK and wanted.order == "queue"
    parts = list(_parts(wanted))
    if len(parts) == 1:
        rows = _page(connection, parts[0], limit, offset, queue=queue)
        return [row.study_uid for row in rows]
    # Each part's come in the order of an index; those of several would have to be sorted.
    found: list[Any] = []
    for one in parts:
        found += _page(connection, one, offset + limit, 0, queue=queue)
    found.sort(key=_queued if queue else _newest)
    return [row.study_uid for row in found[offset : offset + limit]]


def _page(
    connection: Connection, wanted: ListQuery, limit: int, offset: int, *, queue: bool
) -> Sequence[Any]:
    """Rows in order, of one site or of all."""
    plan = _plan(connection, wanted, limit + offset)
    rows = connection.execute(_ordered(plan, queue=queue).limit(limit).offset(offset)).all()
    if plan.whole or len(rows) == limit:
        return rows
    plan = _plan(connection, wanted, 0)
    return connection.execute(_ordered(plan, queue=queue).limit(limit).offset(offset)).all()


def _apart(sites: Sequence[str] | None) -> list[tuple[str, ...] | None]:
    return [None] if sites is None else [(site,) for site in sites]


def _queued(row: Any) -> tuple[Any, ...]:
    return -row.urgent, row.arrived, row.study_uid


def _newest(row: Any) -> tuple[Any, ...]:
    return -row.arrived, row.study_uid


def _parts(wanted: ListQuery) -> Iterator[ListQuery]:
    """Questions that have no study in common and all that are asked for between them."""
    for site in _apart(wanted.sites):
        for stage in _PARTS.get(wanted.stage, (wanted.stage,)):
            yield wanted.model_copy(update={"sites": site, "stage": stage})


def _ordered(plan: _Plan, *, queue: bool) -> Select[Any]:
    query, few, _ = plan
    # Few are found before they are sorted: adding nothing to the time keeps the index on it
    # from being walked through from end to end.
    arrived: Any = studies.c.last_object_at + 0 if few else studies.c.last_object_at
    query = query.add_columns(studies.c.last_object_at.label("arrived"))
    if not queue:
        return query.order_by(arrived.desc(), studies.c.study_uid)
    query = query.add_columns(studies.c.urgent)
    return query.order_by(studies.c.urgent.desc(), arrived, studies.c.study_uid)


def count_of(connection: Connection, wanted: ListQuery, at_most: int) -> int:
    """How many studies there are; counting ends at `at_most`."""
    counted = 0
    for one in _parts(wanted):
        left = at_most - counted
        if left > 0:
            counted += _count(connection, one, left)
    return counted


def _count(connection: Connection, wanted: ListQuery, at_most: int) -> int:
    plan = _plan(connection, wanted, at_most, paged=False)
    counted = _counted(connection, plan, at_most)
    if plan.whole or counted == at_most:
        return counted
    return _counted(connection, _plan(connection, wanted, 0), at_most)


def _counted(connection: Connection, plan: _Plan, at_most: int) -> int:
    return int(connection.execute(select(_number(plan.query, at_most))).scalar_one())


def _number(query: Select[Any], at_most: int) -> Any:
    return select(func.count()).select_from(query.limit(at_most).subquery()).scalar_subquery()


def counts_of(
    connection: Connection, stages: Sequence[Stage], sites: Sequence[str] | None, at_most: int
) -> dict[str, int]:
    """How many studies are in each stage, up to so many; one statement for each site."""
    counts: dict[str, int] = dict.fromkeys(stages, 0)
    for site in _apart(sites):
        columns, of_stage = [], []
        for stage in stages:
            for part in _parts(ListQuery(stage=stage, sites=site)):
                columns.append(_number(_narrowed(select(studies.c.study_uid), part, ()), at_most))
                of_stage.append(stage)
        for stage, number in zip(of_stage, connection.execute(select(*columns)).one(), strict=True):
            counts[stage] = min(counts[stage] + number, at_most)
    return counts


def _plan(connection: Connection, wanted: ListQuery, newest: int, *, paged: bool = True) -> _Plan:
    """How to find so many of the newest; 0: all that there are."""
    few = wanted.stage in _SORTED or _rare_states(wanted)
    # What is urgent, or misses views, is in indexes of its own.
    matched = "" if few else _matched(connection, wanted)
    which = tuple(_looked_up(connection, wanted))
    query = select(studies.c.study_uid)
    if not matched:
        return _Plan(_narrowed(query, wanted, which), few)
    apart = texts.apart(connection, matched) if newest else None
    if apart and newest * apart <= FAR:
        if wanted.stage in WORK:
            return _Plan(_narrowed(query, wanted, which), few=False)
        within = _newest_of(connection, wanted, int(newest * apart * _MORE) + _LEAST)
        return _Plan(_narrowed(query, wanted, (*which, *within)), few=False, whole=not within)
    alone = texts.numbered(connection) and newest > 0 and paged
    alone = alone and wanted == ListQuery(**wanted.model_dump(include=_OF_TEXTS))
    found = texts.found(connection, matched, KNOWN if alone else FEW)
    if found is None:
        return _Plan(_narrowed(query, wanted, which), few=False)
    near = texts.depth(connection, found, newest) if alone else None
    few = near is None or near > WORTH * found.many
    known = texts.among(connection, found, lead=few)
    return _Plan(_narrowed(query, wanted, (known,), led=True), few)


def _rare_states(wanted: ListQuery) -> bool:
    return bool(wanted.states) and not _OFTEN.intersection(wanted.states)


def _newest_of(connection: Connection, wanted: ListQuery, count: int) -> list[ColumnElement[bool]]:
    """The condition that a study is one of so many of the newest; none when there are fewer."""
    when = studies.c.last_object_at
    query = _narrowed(select(when), wanted, ()).order_by(when.desc()).limit(1).offset(count)
    oldest = connection.execute(query).scalar()
    return [] if oldest is None else [when >= oldest]


def _narrowed(
    query: Select[Any], wanted: ListQuery, which: Iterable[Any], *, led: bool = False
) -> Select[Any]:
    """With the conditions on the studies themselves."""
    query = query.where(*which)
    # Where the full-text index leads, or that of what few studies have, or a queue is read in its
    # order, no other is to be chosen.
    marked = (wanted.urgent or wanted.missing) and wanted.stage not in WORK
    if wanted.sites:
        (site,) = wanted.sites
        elsewhere = led or marked or bool(wanted.reader) or wanted.stage in _LED
        query = query.where(func.coalesce(studies.c.site, "") == site if elsewhere else of(site))
    if wanted.stage:
        query = query.where(_STAGES[wanted.stage])
    # Coalesced, so that no index is chosen for states that most studies are in.
    state = _STATE if _OFTEN.intersection(wanted.states) else studies.c.state
    query = query.where(state.in_(wanted.states) if wanted.states else state.not_in(HIDDEN))
    led = led or marked or wanted.stage in WORK
    for column, value in ((studies.c.species, wanted.species), (studies.c.reader, wanted.reader)):
        if value:
            query = query.where((func.coalesce(column, "") if led else column) == value)
    if wanted.species:  # implied, but so it is known that the index of prepared studies will do
        query = query.where(_as_written("studies.species != ''"))
    return query


def _matched(connection: Connection, wanted: ListQuery) -> str:
    """What the full-text index is asked for; "": it is not needed."""
    if not (wanted.text or wanted.species):
        return ""
    whole = events.words(wanted.species)
    whole += [texts.URGENT] * wanted.urgent + [texts.MISSING] * wanted.missing
    return texts.expression(connection, events.words(wanted.text), whole)


def _looked_up(connection: Connection, wanted: ListQuery) -> Iterator[ColumnElement[bool]]:
    """The same, asked of each study."""
    named = events.words(wanted.text)
    if named and connection.dialect.name == "postgresql":
        # One row tells of all words. Without an offset the server would look for the words
        # everywhere first: how many texts contain one, it cannot guess.
        row = select(study_texts.c.study_uid).where(study_texts.c.study_uid == studies.c.study_uid)
        row = row.where(*map(texts.begins, named)).offset(0)
        yield row.correlate(studies).exists()
        named = []
    for word in named:
        found, last = study_words.c.word, word + "\U0010ffff"
        yield _of_it(study_words.c.study_uid, and_(found >= word, found <= last))
    # As in the conditions of the indexes, so that the database knows them again.
    if wanted.urgent:
        yield _as_written("studies.urgent > 0")
    if wanted.missing:
        yield _as_written("studies.lacking > 0")


def _of_it(column: ColumnElement[str], condition: ColumnElement[bool]) -> ColumnElement[bool]:
    rows = select(column).where(column == studies.c.study_uid, condition)
    return rows.correlate(studies).exists()


def _as_written(condition: str) -> Any:
    return literally(condition)
