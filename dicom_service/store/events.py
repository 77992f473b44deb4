"""What an event does to the state of a study: one table, used by every part of the store.

| event            | kept     | arriving | waiting  | reading        | signed | failed   |
|------------------|----------|----------|----------|----------------|--------|----------|
| image arrived    | arriving | arriving | arriving | reading, stale | signed, late + 1 | arriving |
| other arrived    | –        | –        | –        | –              | –      | –        |
| prepared         | –        | waiting¹ | –        | reading²       | –      | –        |
| not preparable   | –        | failed¹  | –        | reading²       | –      | –        |
| saved            | refused  | reading, stale³ | reading | reading  | refused | reading³ |
| image corrected  | refused  | arriving³ | arriving | reading, stale | refused | refused  |
| report signed    | refused  | refused  | signed   | signed⁴        | refused | refused |
| addendum signed  | refused  | refused  | refused  | refused        | signed | refused  |

¹ reading when there is a draft already · ² when stale · ³ refused without a template ·
⁴ refused while stale. "–" leaves the study as it is. A new study starts as arriving with an
image and as kept with anything else.
"""

from typing import Any

from sqlalchemy import Connection, bindparam, delete, insert, select, update

from dicom_service.store.model import InstanceHeader
from dicom_service.store.schema import studies, study_words

_STUDY = select(studies).where(studies.c.study_uid == bindparam("uid"))


def arrived(connection: Connection, header: InstanceHeader, at_us: int) -> int:
    """An object arrived: make or change its study.

    Returns
    -------
    int
        When it arrived; later than every earlier object of the study even when the clock was
        set back, so that "newer than" can be asked of these times.
    """
    row = connection.execute(_STUDY, {"uid": header.study_uid}).first()
    if row is not None:
        at_us = max(at_us, row.latest_at + 1)
    if row is None:
        state = "arriving" if header.makes_work else "kept"
        values = _named(header) | {"state": state, "images": int(header.makes_work)}
        connection.execute(
            insert(studies).values(
                study_uid=header.study_uid, last_object_at=at_us, latest_at=at_us, **values
            )
        )
        index_words(connection, header.study_uid, values)
        return at_us
    values = {"latest_at": at_us}
    if header.makes_work:
        values |= {"images": row.images + 1} | _after_image(row, header, at_us)
        if row.images == 0:
            index_words(connection, header.study_uid, values)
    set_values(connection, header.study_uid, **values)
    return at_us


def _after_image(row: Any, header: InstanceHeader, at_us: int) -> dict[str, Any]:
    if row.state == "signed":
        return {"late_objects": row.late_objects + 1, "last_object_at": at_us}
    if row.state == "reading":
        return {"stale": True, "last_object_at": at_us}
    named = _named(header) if row.images == 0 else {}
    return named | {"state": "arriving", "detail": "", "last_object_at": at_us}


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
    found = {study_uid}
    for field in ("patient_id", "patient_name", "accession_number", "description", "species"):
        found |= set(words(str(values.get(field, ""))))
    connection.execute(
        insert(study_words), [{"word": word, "study_uid": study_uid} for word in sorted(found)]
    )


def words(text: str) -> list[str]:
    """Words of a text as they are searched: no case, no punctuation."""
    folded = text.casefold()
    return "".join(c if c.isalnum() or c == "." else " " for c in folded).split()


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


def set_values(connection: Connection, study_uid: str, **values: Any) -> None:
    """Change columns of a study."""
    connection.execute(_CHANGE, {"uid": study_uid, **values})
