"""The words of every study in one full-text index: what several of them have in common is found
by walking their lists side by side, however many studies have each.

The index holds numbers only: the rowids of `studies`, which stay as they are because no study is
ever deleted. `study_texts` keeps what the index was told of each, for it must hear it again to
forget it. Urgency and missing views are marks among the words.
"""

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, TextClause, bindparam, delete, insert, select, text, update

from dicom_service.store.schema import study_texts

URGENT, MISSING = "¤urgent", "¤missing"
"""No word of a text begins with this sign."""
_MADE = text(
    "CREATE VIRTUAL TABLE IF NOT EXISTS study_found USING fts5(words, content='study_texts', "
    "content_rowid='number', detail=none, columnsize=0, "
    # Words come folded and parted already: nothing but the space between them parts them.
    "tokenize=\"ascii tokenchars '.'\", prefix='1 2 3 4 5 6 7 8 10 12')"
)
_LEARN = text("INSERT INTO study_found (rowid, words) VALUES (:number, :words)")
_FORGET = text(
    "INSERT INTO study_found (study_found, rowid, words) VALUES ('delete', :number, :words)"
)
_OLDER = text(
    "INSERT INTO study_texts (number, study_uid, words) SELECT studies.rowid, studies.study_uid, "
    "coalesce((SELECT group_concat(word, ' ') FROM study_words "
    "WHERE study_words.study_uid = studies.study_uid), '') "
    "|| iif(priority > 0, ' ' || :urgent, '') || iif(missing != '', ' ' || :missing, '') "
    "FROM studies LEFT JOIN list_lines ON list_lines.study_uid = studies.study_uid"
)
_STRAY = text(
    "SELECT 1 FROM studies JOIN study_texts ON study_texts.study_uid = studies.study_uid "
    "WHERE studies.rowid = (SELECT max(rowid) FROM studies) AND number != studies.rowid"
)
_NUMBER = text("SELECT rowid FROM studies WHERE study_uid = :uid")
_REBUILD = text("INSERT INTO study_found (study_found) VALUES ('rebuild')")
_COUNT = text(
    "SELECT count(*) FROM "
    "(SELECT 1 FROM study_found WHERE study_found MATCH :matched LIMIT :at_most)"
)


def make_index(connection: Connection) -> None:
    """Make the index where it is not yet."""
    connection.execute(_MADE)
    if connection.execute(_STRAY).first():  # somebody has rebuilt the database by other means
        take_in_older(connection)


def take_in_older(connection: Connection) -> None:
    """Index all studies anew."""
    connection.execute(delete(study_texts))
    connection.execute(_OLDER, {"urgent": URGENT, "missing": MISSING})
    connection.execute(_REBUILD)


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


def expression(beginnings: Iterable[str], whole: Iterable[str]) -> str:
    """What the index is asked for: studies with words that begin so, and with these words."""
    return " ".join([*(f'"{word}" *' for word in beginnings), *(f'"{word}"' for word in whole)])


def count(connection: Connection, matched: str, at_most: int) -> int:
    """How many studies an expression finds; counting ends at `at_most`."""
    found = connection.execute(_COUNT, {"matched": matched, "at_most": at_most})
    return int(found.scalar_one())


def led_to(matched: str) -> TextClause:
    """The condition that a study is one that the expression finds."""
    return text(
        "studies.rowid IN (SELECT rowid FROM study_found WHERE study_found MATCH :matched)"
    ).bindparams(matched=matched)


_ROW = select(study_texts).where(study_texts.c.study_uid == bindparam("uid"))


def _known(connection: Connection, study_uid: str) -> tuple[Any, set[str]]:
    row = connection.execute(_ROW, {"uid": study_uid}).first()
    return row, set(row.words.split(" ")) if row else set()


def _put(connection: Connection, study_uid: str, row: Any, words: set[str]) -> None:
    joined = " ".join(sorted(words - {""}))
    if row is None:
        number = connection.execute(_NUMBER, {"uid": study_uid}).scalar_one()
        added = insert(study_texts).values(number=number, study_uid=study_uid, words=joined)
        connection.execute(added)
    elif row.words == joined:
        return
    else:
        number = row.number
        connection.execute(_FORGET, {"number": number, "words": row.words})
        change = update(study_texts).where(study_texts.c.number == number)
        connection.execute(change.values(words=joined))
    connection.execute(_LEARN, {"number": number, "words": joined})
