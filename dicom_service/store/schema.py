"""The tables of the index. Times are microseconds (see `times`); lists are JSON text."""

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
    text,
)

VERSION = 5
"""Raised whenever a table changes; a store with a newer one is refused."""

metadata = MetaData()


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False, default="")


def _number(name: str) -> Column[int]:
    return Column(name, Integer, nullable=False, default=0)


def _time(name: str) -> Column[int]:
    return Column(name, BigInteger, nullable=False, default=0)


def _study() -> Column[str]:
    return Column("study_uid", String(64), ForeignKey("studies.study_uid"), nullable=False)


schema_version = Table("schema_version", metadata, Column("version", Integer, nullable=False))

_FOUND_BY = ("study_uid", "species", "reader")
studies = Table(
    "studies",
    metadata,
    Column("study_uid", String(64), primary_key=True),
    _text("patient_id"),
    _text("patient_name"),
    _text("species"),
    _text("study_date"),
    _text("study_time"),
    _text("accession_number"),
    _text("description"),
    Column("regions", Text, nullable=False, default="[]"),
    Column("state", String(10), nullable=False),
    Column("stale", Boolean, nullable=False, default=False),  # images came after the template
    _text("detail"),
    _text("reader"),
    _number("images"),
    _number("remarks_count"),
    _number("late_objects"),
    _time("last_object_at"),
    _time("latest_at"),  # newest received_at of any of its objects: keeps them in order
    _number("template_revision"),
    _text("facts"),
    _text("template"),
    _number("version"),
    _text("reading"),
    _time("saved_at"),
    # These hold all that a page of the reading list asks, in its order.
    Index("studies_of_state", "state", "last_object_at", *_FOUND_BY),
    Index("studies_newest", text("last_object_at DESC"), *_FOUND_BY, "state"),
    Index("studies_of_reader", "reader", text("last_object_at DESC"), "study_uid", "state"),
    Index("studies_by_patient", "patient_id"),
    Index("studies_with_late_objects", "late_objects", sqlite_where=text("late_objects > 0")),
)

study_words = Table(
    "study_words",
    metadata,
    Column("word", Text, primary_key=True),
    Column("study_uid", String(64), ForeignKey("studies.study_uid"), primary_key=True),
    Index("study_words_of_study", "study_uid", "word"),
)

instances = Table(
    "instances",
    metadata,
    Column("sop_instance_uid", String(64), primary_key=True),
    _study(),
    Column("series_uid", String(64), nullable=False),
    Column("sop_class_uid", String(64), nullable=False),
    Column("transfer_syntax", String(64), nullable=False),
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
    Column("blob", String(32), nullable=False, unique=True),
    Column("digest", String(64), nullable=False),
    Column("size", BigInteger, nullable=False),
    _text("source"),
    _time("received_at"),
    Column("own", Boolean, nullable=False, default=False),
    Column("missing", Boolean, nullable=False, default=False),  # its file is gone
    Index("instances_by_study", "study_uid", "series_uid"),
)

journal_state = Table(
    "journal_state",  # one row: how far the journal of small objects has been worked off
    metadata,
    Column("id", Integer, primary_key=True),
    Column("indexed", BigInteger, nullable=False, default=0),  # numbers up to here have rows
    Column("settled", BigInteger, nullable=False, default=0),  # and files that are synced
)

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sop_instance_uid", String(64), nullable=False),
    _study(),
    Column("blob", String(32), nullable=False, unique=True),
    Column("digest", String(64), nullable=False),
    _text("source"),
    _time("received_at"),
    Index("quarantine_by_object", "sop_instance_uid", "digest", unique=True),
)

quarantine_decisions = Table(
    "quarantine_decisions",  # what is to become of a copy, said by a person
    metadata,
    Column("quarantine_id", Integer, ForeignKey("quarantine.id"), primary_key=True),
    Column("decision", String(8), nullable=False),
    _text("reason"),
    _text("user"),
    _time("at"),
)

corrections = Table(
    "corrections",  # what a reader said that an image shows, over what its header says
    metadata,
    Column("study_uid", String(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("image_uid", String(64), primary_key=True),
    _text("said"),
    _text("user"),
    _time("at"),
)

reopenings = Table(
    "reopenings",  # signed reports that are being corrected
    metadata,
    Column("study_uid", String(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("of_uid", String(64), nullable=False),
    Column("was", String(10), nullable=False),  # state of the study before
    _text("reason"),
    _text("user"),
    _time("at"),
    _number("images"),
    _number("late_objects"),
)

documents = Table(
    "documents",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sop_instance_uid", String(64), nullable=False, unique=True),
    _study(),
    Column("kind", String(16), nullable=False),
    Column("role", String(16), nullable=False),
    Column("sop_class_uid", String(64), nullable=False),
    Column("series_uid", String(64), nullable=False),
    Column("blob", String(32), nullable=False),
    _text("content"),
    _text("signed_by"),
    Column("signed_at", BigInteger),
    _time("created_at"),
    Index("documents_by_study", "study_uid"),
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", Integer, primary_key=True),
    Column(
        "sop_instance_uid", String(64), ForeignKey("documents.sop_instance_uid"), nullable=False
    ),
    _study(),
    _text("destination"),
    Column("state", String(10), nullable=False, default="owed"),
    _number("attempts"),
    _number("resends"),  # times the archive said that it does not hold what it took
    Column("next_at", BigInteger),  # None: nothing more is to be done
    _time("leased_until"),
    _text("transaction_uid"),
    _text("error"),
    Index("outbox_by_due", "state", "next_at"),
    Index("outbox_by_study", "study_uid"),
)

outbox_asks = Table(
    "outbox_asks",
    metadata,
    Column("transaction_uid", String(64), primary_key=True),
    Column("outbox_id", Integer, ForeignKey("outbox.id"), primary_key=True),
)

prior_searches = Table(
    "prior_searches",  # whether archives have been asked for earlier studies
    metadata,
    Column("study_uid", String(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("state", String(10), nullable=False),
    _number("attempts"),
    Column("next_at", BigInteger),  # None: nothing more is to be done
    _number("found"),
    _text("detail"),
)

prior_studies = Table(
    "prior_studies",  # what they answered
    metadata,
    Column("study_uid", String(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("prior_uid", String(64), primary_key=True),
    _text("peer"),
    _text("study_date"),
    _text("description"),
    Column("state", String(10), nullable=False),
    _text("detail"),
)

list_lines = Table(
    "list_lines",  # what the reading list shows of a study beside its row
    metadata,
    Column("study_uid", String(64), ForeignKey("studies.study_uid"), primary_key=True),
    _text("question"),
    _text("missing"),
    _number("priority"),
    _text("priority_by"),
    Index("list_lines_urgent", "study_uid", sqlite_where=text("priority > 0")),
    Index("list_lines_missing", "study_uid", sqlite_where=text("missing != ''")),
)

users = Table(
    "users",
    metadata,
    Column("name", String(64), primary_key=True),
    _text("display"),
    _text("password_hash"),
    Column("roles", Text, nullable=False, default="[]"),
)

sessions = Table(
    "sessions",
    metadata,
    Column("token_hash", String(128), primary_key=True),
    Column("user", String(64), ForeignKey("users.name"), nullable=False),
    _text("csrf"),
    _time("expires"),
)

audit = Table(
    "audit",
    metadata,
    Column("id", Integer, primary_key=True),
    _time("at"),
    _text("event"),
    _text("user"),
    _text("study_uid"),
    _text("detail"),
    Index("audit_by_study", "study_uid"),
)

audit_seals = Table(
    "audit_seals",  # see chain.py
    metadata,
    Column("audit_id", Integer, ForeignKey("audit.id"), primary_key=True),
    Column("digest", String(64), nullable=False),
)

audit_exports = Table(
    "audit_exports",  # how far each destination has the audit trail
    metadata,
    Column("destination", String(256), primary_key=True),
    _number("last_id"),
)
