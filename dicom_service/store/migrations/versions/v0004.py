"""The tables of version 4, for an index without any or with those of versions 1 to 4.

What was added since version 1 were whole tables and indexes, and the seals of the audit trail.
The tables stand here as they were then: what `schema.py` says today is for later revisions.
"""

from typing import Any

from alembic import op
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    insert,
    select,
    text,
    update,
)

from dicom_service.store.chain import START, digest_of

revision = "0004"
down_revision = None

_REPLACED = (
    "studies_by_state",
    "studies_by_arrival",
    "study_words_by_study",
    "list_lines_by_priority",
)
"""Indexes that others have replaced."""
_SEALED_SINCE = 3
"""The version from which on events of the audit trail are sealed."""


def upgrade() -> None:
    """Make what is missing."""
    connection = op.get_bind()
    metadata.create_all(connection)
    for name in _REPLACED:
        op.execute(f"DROP INDEX IF EXISTS {name}")
    for table in metadata.tables.values():  # of tables that were there before
        for made in table.indexes:
            made.create(connection, checkfirst=True)
    found = connection.execute(select(schema_version.c.version)).scalar()
    if found is None:
        connection.execute(insert(schema_version).values(version=4))
        return
    if found < _SEALED_SINCE:
        before = START
        for row in connection.execute(select(audit).order_by(audit.c.id)).all():
            before = digest_of(before, row)
            connection.execute(insert(audit_seals).values(audit_id=row.id, digest=before))
    connection.execute(update(schema_version).values(version=4))


metadata = MetaData()

_TEXT = Text().with_variant(Text(collation="C"), "postgresql")
_BIG = BigInteger().with_variant(Integer, "sqlite")
"""What SQLite has anyway."""


def _short(length: int) -> Any:
    """Text that is short; only SQLite's tables say so, and it does not insist."""
    return String(length).with_variant(Text(collation="C"), "postgresql")


def _text(name: str) -> Column[str]:
    return Column(name, _TEXT, nullable=False, default="")


def _number(name: str) -> Column[int]:
    return Column(name, _BIG, nullable=False, default=0)


def _time(name: str) -> Column[int]:
    return Column(name, BigInteger, nullable=False, default=0)


def _study() -> Column[str]:
    return Column("study_uid", _short(64), ForeignKey("studies.study_uid"), nullable=False)


def _only(condition: str) -> dict[str, Any]:
    """An index of these rows alone."""
    return {"sqlite_where": text(condition), "postgresql_where": text(condition)}


schema_version = Table("schema_version", metadata, Column("version", Integer, nullable=False))

_FOUND_BY = ("study_uid", "species", "reader")
studies = Table(
    "studies",
    metadata,
    Column("study_uid", _short(64), primary_key=True),
    _text("patient_id"),
    _text("patient_name"),
    _text("species"),
    _text("study_date"),
    _text("study_time"),
    _text("accession_number"),
    _text("description"),
    Column("regions", _TEXT, nullable=False, default="[]"),
    Column("state", _short(10), nullable=False),
    Column("stale", Boolean, nullable=False, default=False),
    _text("detail"),
    _text("reader"),
    _number("images"),
    _number("remarks_count"),
    _number("late_objects"),
    _time("last_object_at"),
    _time("latest_at"),
    _number("template_revision"),
    _text("facts"),
    _text("template"),
    _number("version"),
    _text("reading"),
    _time("saved_at"),
    Index("studies_of_state", "state", "last_object_at", *_FOUND_BY),
    Index("studies_newest", text("last_object_at DESC"), *_FOUND_BY, "state"),
    Index("studies_of_reader", "reader", text("last_object_at DESC"), "study_uid", "state"),
    Index("studies_by_patient", "patient_id", postgresql_using="hash"),
    Index("studies_with_late_objects", "late_objects", **_only("late_objects > 0")),
)

study_words = Table(
    "study_words",
    metadata,
    Column("word", _TEXT, primary_key=True),
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Index("study_words_of_study", "study_uid", "word"),
)

instances = Table(
    "instances",
    metadata,
    Column("sop_instance_uid", _short(64), primary_key=True),
    _study(),
    Column("series_uid", _short(64), nullable=False),
    Column("sop_class_uid", _short(64), nullable=False),
    Column("transfer_syntax", _short(64), nullable=False),
    _text("modality"),
    _text("patient_id"),
    _text("patient_name"),
    _number("series_number"),
    _number("instance_number"),
    _number("number_of_frames"),
    _number("rows"),
    _number("columns"),
    _text("series_description"),
    _text("study_date"),
    _text("study_time"),
    _text("accession_number"),
    _text("study_description"),
    Column("blob", _short(32), nullable=False, unique=True),
    Column("digest", _short(64), nullable=False),
    Column("size", BigInteger, nullable=False),
    _text("source"),
    _time("received_at"),
    Column("own", Boolean, nullable=False, default=False),
    Column("missing", Boolean, nullable=False, default=False),
    Index("instances_by_study", "study_uid", "series_uid"),
)

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", _BIG, primary_key=True),
    Column("sop_instance_uid", _short(64), nullable=False),
    _study(),
    Column("blob", _short(32), nullable=False, unique=True),
    Column("digest", _short(64), nullable=False),
    _text("source"),
    _time("received_at"),
    Index("quarantine_by_object", "sop_instance_uid", "digest", unique=True),
)

quarantine_decisions = Table(
    "quarantine_decisions",
    metadata,
    Column("quarantine_id", _BIG, ForeignKey("quarantine.id"), primary_key=True),
    Column("decision", _short(8), nullable=False),
    _text("reason"),
    _text("user"),
    _time("at"),
)

corrections = Table(
    "corrections",
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("image_uid", _short(64), primary_key=True),
    _text("said"),
    _text("user"),
    _time("at"),
)

reopenings = Table(
    "reopenings",
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("of_uid", _short(64), nullable=False),
    Column("was", _short(10), nullable=False),
    _text("reason"),
    _text("user"),
    _time("at"),
    _number("images"),
    _number("late_objects"),
)

documents = Table(
    "documents",
    metadata,
    Column("id", _BIG, primary_key=True),
    Column("sop_instance_uid", _short(64), nullable=False, unique=True),
    _study(),
    Column("kind", _short(16), nullable=False),
    Column("role", _short(16), nullable=False),
    Column("sop_class_uid", _short(64), nullable=False),
    Column("series_uid", _short(64), nullable=False),
    Column("blob", _short(32), nullable=False),
    _text("content"),
    _text("signed_by"),
    Column("signed_at", BigInteger),
    _time("created_at"),
    Index("documents_by_study", "study_uid"),
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", _BIG, primary_key=True),
    Column(
        "sop_instance_uid", _short(64), ForeignKey("documents.sop_instance_uid"), nullable=False
    ),
    _study(),
    _text("destination"),
    Column("state", _short(10), nullable=False, default="owed"),
    _number("attempts"),
    _number("resends"),
    Column("next_at", BigInteger),
    _time("leased_until"),
    _text("transaction_uid"),
    _text("error"),
    Index("outbox_by_due", "state", "next_at"),
    Index("outbox_by_study", "study_uid"),
)

outbox_asks = Table(
    "outbox_asks",
    metadata,
    Column("transaction_uid", _short(64), primary_key=True),
    Column("outbox_id", _BIG, ForeignKey("outbox.id"), primary_key=True),
)

prior_searches = Table(
    "prior_searches",
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("state", _short(10), nullable=False),
    _number("attempts"),
    Column("next_at", BigInteger),
    _number("found"),
    _text("detail"),
)

prior_studies = Table(
    "prior_studies",
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("prior_uid", _short(64), primary_key=True),
    _text("peer"),
    _text("study_date"),
    _text("description"),
    Column("state", _short(10), nullable=False),
    _text("detail"),
)

list_lines = Table(
    "list_lines",
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    _text("question"),
    _text("missing"),
    _number("priority"),
    _text("priority_by"),
    Index("list_lines_urgent", "study_uid", **_only("priority > 0")),
    Index("list_lines_missing", "study_uid", **_only("missing != ''")),
)

users = Table(
    "users",
    metadata,
    Column("name", _short(64), primary_key=True),
    _text("display"),
    _text("password_hash"),
    Column("roles", _TEXT, nullable=False, default="[]"),
)

sessions = Table(
    "sessions",
    metadata,
    Column("token_hash", _short(128), primary_key=True),
    Column("user", _short(64), ForeignKey("users.name"), nullable=False),
    _text("csrf"),
    _time("expires"),
)

audit = Table(
    "audit",
    metadata,
    Column("id", _BIG, primary_key=True),
    _time("at"),
    _text("event"),
    _text("user"),
    _text("study_uid"),
    _text("detail"),
    Index("audit_by_study", "study_uid"),
)

audit_seals = Table(
    "audit_seals",
    metadata,
    Column("audit_id", _BIG, ForeignKey("audit.id"), primary_key=True),
    Column("digest", _short(64), nullable=False),
)

audit_exports = Table(
    "audit_exports",
    metadata,
    Column("destination", _short(256), primary_key=True),
    _number("last_id"),
)
