"""What the reading list keeps of a study beside its row."""

from typing import Any

from sqlalchemy import Connection, select

from dicom_service.intake.model import StudyFacts
from dicom_service.store.schema import list_lines
from dicom_service.store.texts import MISSING, URGENT, put_marks

_MISSING = ("views_missing", "no_orthogonal")


def put_line(connection: Connection, study_uid: str, **values: Any) -> None:
    """Change what the list keeps of a study beside its row."""
    key = list_lines.c.study_uid == study_uid
    known = connection.execute(select(list_lines.c.study_uid).where(key)).first()
    change = list_lines.update().where(key) if known else list_lines.insert()
    connection.execute(change.values(study_uid=study_uid, **values))
    marks = {}
    if "priority" in values:
        marks[URGENT] = values["priority"] > 0
    if "missing" in values:
        marks[MISSING] = values["missing"] != ""
    put_marks(connection, study_uid, marks)


def line_of(connection: Connection, study_uid: str, facts: StudyFacts, priority: int) -> None:
    """Keep what a newly prepared study shows on the list."""
    missing = " ".join(remark.text for remark in facts.remarks if remark.key in _MISSING)
    values: dict[str, Any] = {"question": facts.question, "missing": missing}
    by = select(list_lines.c.priority_by).where(list_lines.c.study_uid == study_uid)
    if not connection.execute(by).scalar():
        values["priority"] = priority
    put_line(connection, study_uid, **values)
