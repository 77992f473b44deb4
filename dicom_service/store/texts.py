"""The words of every study in one full-text index: what several of them have in common is found
by walking their lists side by side, however many studies have each.

`study_texts` has the words of each study, urgency and missing views as marks among them. SQLite's
index knows only the numbers of its rows, which are the rowids of `studies`: those stay as they
are because no study is ever deleted.
"""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    TextClause,
    bindparam,
    delete,
    insert,
    literal,
    select,
    text,
    update,
)

from dicom_service.store.index import Index
from dicom_service.store.schema import list_lines, studies, study_texts, study_words

URGENT, MISSING = "¤urgent", "¤missing"
"""No word of a text begins with this sign."""
LONGEST = 200
"""Characters of a word that count."""
_LEARN = text("INSERT INTO study_found (rowid, words) VALUES (:number, :words)")
_FORGET = text(
    "INSERT INTO study_found (study_found, rowid, words) VALUES ('delete', :number, :words)"
)
_REBUILD = text("INSERT INTO study_found (study_found) VALUES ('rebuild')")
_STRAY = text(
    "SELECT 1 FROM studies JOIN study_texts ON study_texts.study_uid = studies.study_uid "
    "WHERE studies.rowid = (SELECT max(rowid) FROM studies) AND number != studies.rowid"
)
_NUMBER = text("SELECT rowid FROM studies WHERE study_uid = :uid")
_PIECE = 1000
_EVERY = "EXPLAIN (FORMAT JSON) SELECT study_uid FROM study_texts"
_SOME = (
    f"{_EVERY} WHERE array_to_tsvector(string_to_array(words, ' ')) @@ cast(:matched AS tsquery)"
)
_FOUND = {
    "sqlite": "SELECT count(*), json_group_array(rowid) FROM (SELECT rowid FROM study_found "
    "WHERE study_found MATCH :matched ORDER BY rowid LIMIT :at_most)",
    "postgresql": "SELECT count(*), coalesce(json_agg(study_uid)::text, '[]') FROM (SELECT "
    "study_uid FROM study_texts WHERE array_to_tsvector(string_to_array(words, ' ')) @@ "
    "cast(:matched AS tsquery) LIMIT :at_most) AS found",
}
_GOING_THROUGH = text(
    "SELECT set_config('enable_seqscan', :all, true), set_config('work_mem', '64MB', true)"
)
"""The memory is for the list of a beginning that many words have, until the transaction ends: one
that does not fit is kept as pages, of which every text is then read."""
_AMONG = {
    "sqlite": "studies.rowid IN (SELECT value FROM json_each(:keys))",
    "postgresql": "studies.study_uid IN (SELECT json_array_elements_text(cast(:keys AS json)))",
}
_ONE_OF = "+studies.rowid IN (SELECT value FROM json_each(:keys))"
"""The same as a question to each study: the sign keeps it from leading to them."""
_LAST = text("SELECT max(rowid) FROM studies")
_ROW = select(study_texts).where(study_texts.c.study_uid == bindparam("uid"))


def mend(index: Index) -> None:
    """Index all anew if somebody has rebuilt the database by other means."""
    if index.engine.dialect.name != "sqlite":
        return
    with index.read() as connection:
        astray = connection.execute(_STRAY).first()
    if astray:
        with index.write() as connection:
            connection.execute(delete(study_texts))
            take_in_older(connection)


def take_in_older(connection: Connection) -> None:
    """Index the studies of a store that had no such index."""
    known = select(studies.c.study_uid).order_by(studies.c.study_uid)
    piece = connection.execute(known.limit(_PIECE)).scalars().all()
    while piece:
        words: dict[str, set[str]] = {uid: set() for uid in piece}
        for row in connection.execute(
            select(study_words).where(study_words.c.study_uid.in_(piece))
        ):
            words[row.study_uid].add(row.word)
        lines = select(list_lines.c.study_uid, list_lines.c.priority, list_lines.c.missing)
        for row in connection.execute(lines.where(list_lines.c.study_uid.in_(piece))):
            words[row.study_uid] |= {URGENT} if row.priority > 0 else set()
            words[row.study_uid] |= {MISSING} if row.missing else set()
        for uid in piece:
            _put(connection, uid, None, words[uid], learn=False)
        piece = (
            connection.execute(known.where(studies.c.study_uid > piece[-1]).limit(_PIECE))
            .scalars()
            .all()
        )
    if _is_sqlite(connection):
        connection.execute(_REBUILD)


def put_first_words(connection: Connection, named: Mapping[str, set[str]]) -> None:
    """New studies are named by these words."""
    if _is_sqlite(connection):
        for uid, words in named.items():
            _put(connection, uid, None, words)
        return
    rows = [{"study_uid": uid, "words": _joined(words)} for uid, words in named.items()]
    connection.execute(insert(study_texts), rows)


def put_words(connection: Connection, study_uid: str, words: Iterable[str]) -> None:
    """A study is named by these words; its marks stay."""
    row, known = _known(connection, study_uid)
    marks = {word for word in known if word.startswith("¤")}
    _put(connection, study_uid, row, marks.union(words))


def put_marks(connection: Connection, study_uid: str, marks: dict[str, bool]) -> None:
    """A study has these marks, or has them not."""
    row, known = _known(connection, study_uid)
    wanted = known.union(m for m, has in marks.items() if has)
    _put(connection, study_uid, row, wanted.difference(m for m, has in marks.items() if not has))


def expression(connection: Connection, beginnings: Iterable[str], whole: Iterable[str]) -> str:
    """What the index is asked for: studies with words that begin so, and with these words."""
    starts = [word[:LONGEST] for word in beginnings]
    words = [word[:LONGEST] for word in whole]
    if _is_sqlite(connection):
        return " ".join([*(f'"{word}" *' for word in starts), *(f'"{word}"' for word in words)])
    return " & ".join([*(f"'{word}':*" for word in starts), *(f"'{word}'" for word in words)])


def numbered(connection: Connection) -> bool:
    """Whether keys of studies tell in which order they came."""
    return _is_sqlite(connection)


def apart(connection: Connection, matched: str) -> float | None:
    """How many studies there are for each that an expression finds, by the server's statistics.

    None: the engine has none; it finds the first of many as fast as it could guess. PostgreSQL
    collects all that have each word before it gives the first.
    """
    if _is_sqlite(connection):
        return None
    asked = text(_SOME)
    some = connection.execute(asked, {"matched": matched}).scalar_one()
    every = connection.execute(text(_EVERY)).scalar_one()
    return float(_rows(every) / max(_rows(some), 1))


def _rows(explained: Any) -> int:
    return int(explained[0]["Plan"]["Plan Rows"])


def begins(word: str) -> ColumnElement[bool]:
    """The condition that a word of a row begins so."""
    return (literal(" ") + study_texts.c.words).contains(f" {word[:LONGEST]}", autoescape=True)


class Found(NamedTuple):
    """Studies that the index names: how many, and their keys in JSON as the database made it."""

    many: int
    keys: str


def found(connection: Connection, matched: str, most: int) -> Found | None:
    """The studies that an expression finds; None when there are more than so many."""
    asked = text(_FOUND[connection.dialect.name])
    limited = {"matched": matched, "at_most": max(most, -1) + 1}
    if _is_sqlite(connection):
        row = connection.execute(asked, limited).one()
    else:
        # The server believes that the first of many are soon met by going through all texts,
        # which takes seconds when words that many studies have never come together.
        connection.execute(_GOING_THROUGH, {"all": "off"})
        row = connection.execute(asked, limited).one()
        connection.execute(_GOING_THROUGH, {"all": "on"})
    return Found(*row) if row[0] <= most else None


def among(connection: Connection, known: Found, *, lead: bool = True) -> TextClause:
    """The condition that a study is one of these, which leads to them or is asked of each."""
    asked = _AMONG[connection.dialect.name] if lead else _ONE_OF
    return text(asked).bindparams(keys=known.keys)


def depth(connection: Connection, known: Found, newest: int) -> int | None:
    """About how many studies are newer than the first so many of these, None: nobody can tell.

    Rows are numbered as studies come; what came late to an old one makes it newer than it seems.
    """
    if not _is_sqlite(connection) or known.many < newest:
        return None
    first = known.keys.strip("[]").rsplit(",", newest)[-newest]
    return int(connection.execute(_LAST).scalar_one()) - int(first)


def _is_sqlite(connection: Connection) -> bool:
    return connection.dialect.name == "sqlite"


def _known(connection: Connection, study_uid: str) -> tuple[Any, set[str]]:
    row = connection.execute(_ROW, {"uid": study_uid}).first()
    return row, set(row.words.split(" ")) if row else set()


def _joined(words: Iterable[str]) -> str:
    return " ".join(sorted({word[:LONGEST] for word in words if word}))


def _put(
    connection: Connection, study_uid: str, row: Any, words: set[str], *, learn: bool = True
) -> None:
    joined = _joined(words)
    learn = learn and _is_sqlite(connection)
    if row is None:
        values: dict[str, Any] = {"study_uid": study_uid, "words": joined}
        if _is_sqlite(connection):
            values["number"] = connection.execute(_NUMBER, {"uid": study_uid}).scalar_one()
        connection.execute(insert(study_texts).values(values))
        number = values.get("number")
    elif row.words == joined:
        return
    else:
        number = row.number
        if learn:
            connection.execute(_FORGET, {"number": number, "words": row.words})
        change = update(study_texts).where(study_texts.c.number == number)
        connection.execute(change.values(words=joined))
    if learn:
        connection.execute(_LEARN, {"number": number, "words": joined})
