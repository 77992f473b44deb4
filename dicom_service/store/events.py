"""What an event does to the state of a study: one table, used by every part of the store.

| event            | kept⁹    | arriving  | waiting  | reading  | signed    | withdrawn | failed   |
|------------------|----------|-----------|----------|----------|-----------|-----------|----------|
| prior fetched    | prior    | arriving  | arriving | stale²   | late⁸     | late⁸     | arriving |
| image arrived    | arriving | arriving  | arriving | stale²   | late⁸     | late⁸     | arriving |
| other arrived    | –        | –         | –        | –        | –         | –         | –        |
| prepared         | –        | waiting¹  | –        | reading² | –         | –         | –        |
| not preparable   | –        | failed¹   | –        | reading² | –         | –         | –        |
| saved            | no       | stale³    | reading  | reading  | no        | no        | reading³ |
| image corrected  | no       | arriving³ | arriving | stale²   | no        | no        | no       |
| report signed    | no       | no        | signed   | signed⁴⁵ | no        | no        | no       |
| addendum signed  | no       | no        | no       | no       | signed    | no        | no       |
| reopened         | no       | no        | no       | no       | reading⁶  | reading⁶  | no       |
| report corrected | no       | no        | no       | signed⁴⁷ | no        | no        | no       |
| correction ended | no       | no        | no       | before⁷  | no        | no        | no       |
| report withdrawn | no       | no        | no       | no       | withdrawn | no        | no       |

"–" leaves the study as it is, "no" is refused. ¹ reading when there is a draft already · ² reading;
stale wants a new template · ³ refused without a template · ⁴ refused while stale · ⁵ refused when
reopened · ⁶ stale with late images · ⁷ only when reopened; before: the state it had then · ⁸ the
state stays, the image is counted · ⁹ and prior: fetched by this node as an earlier study, which
nobody is to read unless it is on the list or is routed here too. A new study starts as arriving
with an image and as kept with anything else.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, delete, insert, select, update

from dicom_service.store.index import SETTLE, tell
from dicom_service.store.model import InstanceHeader
from dicom_service.store.schema import studies, study_words
from dicom_service.store.texts import put_first_words, put_words

CLOSED = {
    "signed": "This report is signed. Write an addendum, or open it again to correct it.",
    "withdrawn": "This report is withdrawn. Open it again to correct it.",
}
"""States in which nothing can be entered, and what a person can do then."""
_LONGEST_WORD = 200
"""Of a longer word, of which an index could not be made, the beginning is searched."""
_MOST_WORDS = 200
"""Of one text lead to its study: an index row has an end, and no name is as long."""
_STUDY = select(studies).where(studies.c.study_uid == bindparam("uid"))


def arrived(
    connection: Connection,
    header: InstanceHeader,
    at_us: int,
    *,
    prior: bool = False,
    site: str = "",
) -> int:
    """An object arrived: make or change its study.

    Parameters
    ----------
    prior
        Whether this node asked for it as an earlier study.
    site
        Whose study it is, if it is a new one.

    Returns
    -------
    int
        When it arrived; later than every earlier object of the study even when the clock was
        set back, so that "newer than" can be asked of these times.
    """
    uid = header.study_uid
    row = connection.execute(_STUDY, {"uid": uid}).first()
    changed, (at,) = after_objects(row, [(header, at_us, prior)])
    if row is None:
        begin(connection, {uid: changed | {"site": site}})
    else:
        set_values(connection, uid, **changed)
        if "patient_id" in changed:
            index_words(connection, uid, changed)
    if is_work({} if row is None else dict(row._mapping), changed):
        tell(connection, SETTLE)
    return at


def as_they_are(connection: Connection, study_uids: Collection[str]) -> dict[str, Any]:
    """The rows of those of these studies that there are."""
    query = select(studies).where(studies.c.study_uid.in_(study_uids))
    return {row.study_uid: row for row in connection.execute(query)}


def after_objects(
    row: Any, objects: Sequence[tuple[InstanceHeader, int, bool]]
) -> tuple[dict[str, Any], list[int]]:
    """What objects of one study, one after another, change of it.

    Parameters
    ----------
    row
        The study as it is; None: it is new.
    objects
        Header, time, and whether this node asked for it as an earlier study.

    Returns
    -------
    tuple[dict[str, Any], list[int]]
        Columns of the study, and when each object arrived; see `arrived`.
    """
    now: dict[str, Any] = {} if row is None else dict(row._mapping)
    changed: dict[str, Any] = {}
    times = []
    for header, at_us, prior in objects:
        at = max(at_us, now["latest_at"] + 1) if now else at_us
        values = _after_object(now, header, at, prior) if now else _first(header, at, prior)
        changed |= values
        now |= values
        times.append(at)
    return changed, times


def begin(connection: Connection, studies_to_be: Mapping[str, dict[str, Any]]) -> None:
    """Make studies with these columns, and the words that they are found by."""
    for rows in _alike({"study_uid": uid, **values} for uid, values in studies_to_be.items()):
        connection.execute(insert(studies), rows)
    named = {uid: _naming(uid, values) for uid, values in studies_to_be.items()}
    connection.execute(insert(study_words), [pair for uid in named for pair in _pairs(uid, named)])
    put_first_words(connection, named)


def _first(header: InstanceHeader, at_us: int, prior: bool) -> dict[str, Any]:
    state = ("prior" if prior else "arriving") if header.makes_work else "kept"
    times = {"last_object_at": at_us, "latest_at": at_us}
    return _named(header) | times | {"state": state, "images": int(header.makes_work)}


def _after_object(
    now: Mapping[str, Any], header: InstanceHeader, at_us: int, prior: bool
) -> dict[str, Any]:
    values: dict[str, Any] = {"latest_at": at_us}
    if header.makes_work:
        aside = prior and now["state"] in ("kept", "prior")
        after = {"state": "prior"} if aside else _after_image(now, at_us)
        named = _named(header) if now["images"] == 0 else {}
        values |= {"images": now["images"] + 1} | named | after
    return values


def _after_image(now: Mapping[str, Any], at_us: int) -> dict[str, Any]:
    if now["state"] in CLOSED:
        late = now.get("late_objects", 0)
        return {"late_objects": late + 1, "last_object_at": at_us}
    if now["state"] == "reading":
        return {"stale": True, "last_object_at": at_us}
    return {"state": "arriving", "detail": "", "last_object_at": at_us}


def is_work(now: Mapping[str, Any], changed: Mapping[str, Any]) -> bool:
    """Whether these changes make a study wait to be prepared that did not yet.

    Of one that waits already those who prepare know: they look when it may be due.
    """
    return _waits({**now, **changed}) and not _waits(now)


def _waits(study: Mapping[str, Any]) -> bool:
    state = study.get("state")
    return state == "arriving" or bool(state == "reading" and study.get("stale"))


def routed_again(connection: Connection, header: InstanceHeader, at_us: int) -> None:
    """A known object came again, by routing: a study that was only a prior becomes work."""
    row = connection.execute(_STUDY, {"uid": header.study_uid}).first()
    if row is not None and row.state == "prior" and header.makes_work:
        at_us = max(at_us, row.latest_at)
        set_values(connection, header.study_uid, **_after_image(dict(row._mapping), at_us))
        tell(connection, SETTLE)


def _named(header: InstanceHeader) -> dict[str, Any]:
    return {
        "patient_id": header.patient_id,
        "patient_name": header.patient_name,
        "study_date": header.study_date,
        "study_time": header.study_time,
        "accession_number": header.accession_number,
        "description": header.study_description,
    }


def index_words(connection: Connection, study_uid: str, values: dict[str, Any]) -> None:
    """Make a study findable by the beginnings of the words that name it."""
    connection.execute(delete(study_words).where(study_words.c.study_uid == study_uid))
    found = {study_uid: _naming(study_uid, values)}
    connection.execute(insert(study_words), _pairs(study_uid, found))
    put_words(connection, study_uid, found[study_uid])


def _naming(study_uid: str, values: Mapping[str, Any]) -> set[str]:
    found = {study_uid}
    for field in ("patient_id", "patient_name", "accession_number", "description", "species"):
        found |= set(words(str(values.get(field, "")))[:_MOST_WORDS])
    return found


def _pairs(study_uid: str, found: Mapping[str, set[str]]) -> list[dict[str, str]]:
    return [{"word": word, "study_uid": study_uid} for word in sorted(found[study_uid])]


def words(text: str) -> list[str]:
    """Words of a text as they are searched: no case, no punctuation."""
    folded = text.casefold()
    found = "".join(c if c.isalnum() or c == "." else " " for c in folded).split()
    return [word[:_LONGEST_WORD] for word in found]


def corrected_state(row: Any) -> dict[str, Any] | None:
    """Changes after a reader corrected what an image shows; None: it cannot be corrected now."""
    if row.state not in ("arriving", "waiting", "reading") or not row.template_revision:
        return None
    return {"stale": True} if row.state == "reading" else {"state": "arriving"}


def prepared_state(row: Any) -> str | None:
    """State after a template was made; None: nothing is to change."""
    if row.state == "arriving" or (row.state == "reading" and row.stale):
        return "reading" if row.version else "waiting"
    return None


_CHANGE = update(studies).where(studies.c.study_uid == bindparam("uid"))


def set_many(connection: Connection, changes: Mapping[str, dict[str, Any]]) -> None:
    """Change columns of several studies."""
    for rows in _alike({"uid": uid, **values} for uid, values in changes.items()):
        connection.execute(_CHANGE, rows)


def _alike(rows: Iterable[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """The same in groups of those that name the same columns."""
    groups: dict[frozenset[str], list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault(frozenset(row), []).append(row)
    return list(groups.values())


def set_values(connection: Connection, study_uid: str, **values: Any) -> None:
    """Change columns of a study."""
    connection.execute(_CHANGE, {"uid": study_uid, **values})
