"""Which studies a page of the reading list shows, fast in a large store.

What few studies have in common leads to them, through the full-text index. What many have is
found soon by going through the studies from the newest on, in an index that holds all that is
asked. Between the two, the studies are known from the full-text index and the newest of them are
met on the way. Which it is, a count that stops early tells. Only then are the rows of the page
read, which are large.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, func, not_, or_, select
from sqlalchemy import text as literally

from dicom_service.store import events, texts
from dicom_service.store.model import ListQuery, Stage
from dicom_service.store.schema import list_lines, outbox, studies, study_words
from dicom_service.store.sites import of

FEW = 7_000
"""Studies that are all looked at; where there may be more, the newest are gone through."""
KNOWN = 13_000
"""Studies that are told apart by their number while the newest are gone through."""
WORTH = 8
"""Studies that are passed in the time that it takes to look one of them up."""
HIDDEN = ("kept", "prior")
"""States of studies that nobody is to read; listed only when they are asked for."""
WORK: tuple[Stage, ...] = ("to_read", "in_progress")
_MANY: tuple[Stage, ...] = ("", "delivered")
"""Stages that most studies of an old store are in."""
_LED: tuple[Stage, ...] = ("to_deliver", "trouble")
"""Stages that other tables or indexes lead to, whatever the site."""
_OF_TEXTS = {"text", "urgent", "missing", "order"}
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
_STAGES: dict[str, ColumnElement[bool]] = {
    "to_read": studies.c.state == "waiting",
    "in_progress": studies.c.state == "reading",
    "to_deliver": and_(_DONE, studies.c.study_uid.in_(_OPEN)),
    "delivered": and_(_DONE, not_(studies.c.study_uid.in_(_OPEN))),
    "arriving": studies.c.state == "arriving",
    "trouble": or_(studies.c.state == "failed", studies.c.late_objects > 0),
    "withdrawn": studies.c.state == "withdrawn",
}


class _Plan(NamedTuple):
    query: Select[Any]
    few: bool


def page_of(connection: Connection, wanted: ListQuery, limit: int, offset: int) -> list[str]:
    """UIDs of the studies of a page, in its order; see `Listing.listed`."""
    queue = wanted.stage in WORK and wanted.order == "queue"
    if wanted.sites is None or len(wanted.sites) == 1:
        newest = offset + limit
        query = _ordered(connection, wanted, newest, queue=queue).limit(limit).offset(offset)
        return list(connection.execute(query).scalars())
    # Each site's come in the order of an index; those of several would have to be sorted.
    found: list[Any] = []
    for one in _each_site(wanted):
        query = _ordered(connection, one, 0, queue=queue).limit(offset + limit)
        found += connection.execute(query).all()
    found.sort(key=_queued if queue else _newest)
    return [row.study_uid for row in found[offset : offset + limit]]


def _queued(row: Any) -> tuple[Any, ...]:
    return -row.urgent, row.arrived, row.study_uid


def _newest(row: Any) -> tuple[Any, ...]:
    return -row.arrived, row.study_uid


def _each_site(wanted: ListQuery) -> Iterator[ListQuery]:
    """The same of one site after another."""
    for site in wanted.sites or ():
        yield wanted.model_copy(update={"sites": (site,)})


def _ordered(connection: Connection, wanted: ListQuery, newest: int, *, queue: bool) -> Select[Any]:
    """The studies in the order of the page, of which so many are wanted."""
    query, few = _plan(connection, wanted, newest)
    # Few are found before they are sorted: adding nothing to the time keeps the index on it
    # from being walked through from end to end.
    arrived: Any = studies.c.last_object_at + 0 if few else studies.c.last_object_at
    query = query.add_columns(studies.c.last_object_at.label("arrived"))
    if not queue:
        return query.order_by(arrived.desc(), studies.c.study_uid)
    lines = list_lines.c.study_uid == studies.c.study_uid
    urgent = func.coalesce(list_lines.c.priority, 0)
    query = query.outerjoin_from(studies, list_lines, lines).add_columns(urgent.label("urgent"))
    return query.order_by(urgent.desc(), arrived, studies.c.study_uid)


def count_of(connection: Connection, wanted: ListQuery, at_most: int) -> int:
    """How many studies there are; counting ends at `at_most`."""
    if at_most <= 0:
        return 0
    if wanted.sites is not None and len(wanted.sites) != 1:
        counted = 0
        for one in _each_site(wanted):
            counted += count_of(connection, one, at_most - counted)
        return counted
    within = _plan(connection, wanted).query.limit(at_most).subquery()
    return int(connection.execute(select(func.count()).select_from(within)).scalar_one())


def _plan(connection: Connection, wanted: ListQuery, newest: int = 0) -> _Plan:
    """How to find all, or so many of the newest."""
    query = select(studies.c.study_uid)
    rare_states = bool(wanted.states) and not _OFTEN.intersection(wanted.states)
    few = wanted.stage not in _MANY or rare_states
    matched, led = "" if few else _matched(connection, wanted), False
    alone = newest > 0 and wanted == ListQuery(**wanted.model_dump(include=_OF_TEXTS))
    found = texts.found(connection, matched, KNOWN if alone else FEW) if matched else None
    if found is not None:
        near = texts.depth(connection, found, newest) if alone else None
        few = near is None or near > WORTH * found.many
        led = True
        query = query.where(texts.among(connection, found, lead=few))
    else:
        query = query.where(*_looked_up(wanted))
    if wanted.sites:
        # Where the full-text index leads, or that of what few studies have, the site's is not to
        # be chosen.
        (site,) = wanted.sites
        elsewhere = led or bool(wanted.reader) or wanted.stage in _LED
        query = query.where(func.coalesce(studies.c.site, "") == site if elsewhere else of(site))
    if wanted.stage:
        query = query.where(_STAGES[wanted.stage])
    # Coalesced, so that no index is chosen for states that most studies are in.
    state = _STATE if _OFTEN.intersection(wanted.states) else studies.c.state
    query = query.where(state.in_(wanted.states) if wanted.states else state.not_in(HIDDEN))
    for column, value in ((studies.c.species, wanted.species), (studies.c.reader, wanted.reader)):
        if value:  # where the full-text index leads, no other is to be chosen
            query = query.where((func.coalesce(column, "") if led else column) == value)
    if wanted.species:  # implied, but so it is known that the index of prepared studies will do
        query = query.where(_as_written("studies.species != ''"))
    return _Plan(query, few)


def _matched(connection: Connection, wanted: ListQuery) -> str:
    """What the full-text index is asked for; "": nothing that it knows is asked."""
    whole = events.words(wanted.species)
    whole += [texts.URGENT] * wanted.urgent + [texts.MISSING] * wanted.missing
    return texts.expression(connection, events.words(wanted.text), whole)


def _looked_up(wanted: ListQuery) -> Iterator[ColumnElement[bool]]:
    """The same, asked of each study."""
    for word in events.words(wanted.text):
        found, last = study_words.c.word, word + "\U0010ffff"
        yield _of_it(study_words.c.study_uid, and_(found >= word, found <= last))
    # As in the conditions of the indexes, so that the database knows them again.
    if wanted.urgent:
        yield _of_it(list_lines.c.study_uid, _as_written("list_lines.priority > 0"))
    if wanted.missing:
        yield _of_it(list_lines.c.study_uid, _as_written("list_lines.missing != ''"))


def _of_it(column: ColumnElement[str], condition: ColumnElement[bool]) -> ColumnElement[bool]:
    rows = select(column).where(column == studies.c.study_uid, condition)
    return rows.correlate(studies).exists()


def _as_written(condition: str) -> Any:
    return literally(condition)
