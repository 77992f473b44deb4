"""Urgency and missing views in `studies` too: indexes find the few of many in their order."""

from alembic import op
from sqlalchemy import BigInteger, Column, Integer, text

revision = "0015"
down_revision = "0014"
kind = "expand"
"""The program before writes lines as ever, and the database copies what is in them."""

_FOUND_BY = ("study_uid", "species", "reader")
_LACKING = "NEW.missing != ''"
_SHOWN = (
    "UPDATE studies SET urgent = NEW.priority, lacking = {lacking} "
    "WHERE study_uid = NEW.study_uid AND (urgent, lacking) != (NEW.priority, {lacking})"
)
_TRIGGERS = {
    "sqlite": [
        f"CREATE TRIGGER list_lines_{name} AFTER {event} ON list_lines BEGIN "
        f"{_SHOWN.format(lacking=_LACKING)}; END"
        for name, event in (("added", "INSERT"), ("changed", "UPDATE"))
    ],
    "postgresql": [
        "CREATE FUNCTION list_lines_kept() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"{_SHOWN.format(lacking=f'({_LACKING})::int')}; RETURN NULL; END $$",
        "CREATE TRIGGER list_lines_kept AFTER INSERT OR UPDATE ON list_lines "
        "FOR EACH ROW EXECUTE FUNCTION list_lines_kept()",
    ],
}


def upgrade() -> None:
    """Add two columns, fill them, keep them, and make seven indexes."""
    number = BigInteger().with_variant(Integer, "sqlite")
    for name in ("urgent", "lacking"):
        op.add_column("studies", Column(name, number, nullable=False, server_default="0"))
    for trigger in _TRIGGERS[op.get_context().dialect.name]:
        op.execute(text(trigger))
    of_it = "FROM list_lines WHERE list_lines.study_uid = studies.study_uid"
    op.execute(
        f"UPDATE studies SET urgent = (SELECT priority {of_it}), "  # noqa: S608 - ours
        f"lacking = (SELECT CASE WHEN missing != '' THEN 1 ELSE 0 END {of_it}) WHERE study_uid IN "
        "(SELECT study_uid FROM list_lines WHERE priority > 0 OR missing != '')"
    )
    marked = (
        text("last_object_at DESC"),
        *_FOUND_BY,
        "state",
        "site",
        "urgent",
        "lacking",
        "late_objects",
    )
    queue = ("state", text("urgent DESC"), "last_object_at", *_FOUND_BY, "lacking")
    for index, columns, condition in (
        ("studies_waiting", queue, "state = 'waiting'"),
        ("studies_reading", queue, "state = 'reading'"),
        ("studies_waiting_at_site", ("site", *queue), "site != '' AND state = 'waiting'"),
        ("studies_reading_at_site", ("site", *queue), "site != '' AND state = 'reading'"),
        ("studies_urgent", marked, "urgent > 0"),
        ("studies_lacking", marked, "lacking > 0"),
        ("studies_late", marked, "late_objects > 0"),
    ):
        only = text(condition)
        op.create_index(index, "studies", columns, sqlite_where=only, postgresql_where=only)
    op.execute("UPDATE schema_version SET version = 15")
