"""The tables of the index. Times are microseconds (see `times`); lists are JSON text.

Text sorts by its code points and has no greatest length on any engine; see `_TEXT`. Whoever
changes a table adds a revision to `migrations` and raises `VERSION`.
"""

from typing import Any

from sqlalchemy import (
    DDL,
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
    event,
    text,
)

VERSION = 11
"""Raised whenever a table changes; a store with a newer one is refused."""

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

revisions = Table(
    "alembic_version",  # the newest revision in `migrations` that these tables have
    metadata,
    Column("version_num", String(32), primary_key=True),
)

index_home = Table(
    "index_home",  # which data folder holds the objects, when the index is not in it
    metadata,
    Column("folder_id", String(32), primary_key=True),
)

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
    # Of prepared studies only: while images arrive this one has nothing to do.
    Index(
        "studies_of_species",
        "species",
        text("last_object_at DESC"),
        "study_uid",
        "reader",
        "state",
        **_only("species != ''"),
    ),
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

study_texts = Table(
    "study_texts",  # the same in one text, for the full-text index: see texts.py
    metadata,
    Column("number", _BIG, primary_key=True),
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), nullable=False, unique=True),
    _text("words"),
)
FULL_TEXT = {
    "sqlite": "CREATE VIRTUAL TABLE study_found USING fts5(words, content='study_texts', "
    "content_rowid='number', detail=none, columnsize=0, "
    # Words come folded and parted already: nothing but the space between them parts them.
    "tokenize=\"ascii tokenchars '.'\", prefix='1 2 3 4 5 6 7 8 10 12')",
    "postgresql": "CREATE INDEX study_found ON study_texts "
    "USING gin (array_to_tsvector(string_to_array(words, ' ')))",
}
for _engine, _made in FULL_TEXT.items():
    _in_full = DDL(_made)  # type: ignore[no-untyped-call]
    event.listen(study_texts, "after_create", _in_full.execute_if(dialect=_engine))

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
    Column("missing", Boolean, nullable=False, default=False),  # its file is gone
    Index("instances_by_study", "study_uid", "series_uid"),
)

journal_state = Table(
    "journal_state",  # one row: how far the journal of small objects has been worked off
    metadata,
    Column("id", _BIG, primary_key=True),
    Column("indexed", BigInteger, nullable=False, default=0),  # numbers up to here have rows
    Column("settled", BigInteger, nullable=False, default=0),  # and files that are synced
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
    "quarantine_decisions",  # what is to become of a copy, said by a person
    metadata,
    Column("quarantine_id", _BIG, ForeignKey("quarantine.id"), primary_key=True),
    Column("decision", _short(8), nullable=False),
    _text("reason"),
    _text("user"),
    _time("at"),
)

corrections = Table(
    "corrections",  # what a reader said that an image shows, over what its header says
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("image_uid", _short(64), primary_key=True),
    _text("said"),
    _text("user"),
    _time("at"),
)

reopenings = Table(
    "reopenings",  # signed reports that are being corrected
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("of_uid", _short(64), nullable=False),
    Column("was", _short(10), nullable=False),  # state of the study before
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
    Column("transaction_uid", _short(64), primary_key=True),
    Column("outbox_id", _BIG, ForeignKey("outbox.id"), primary_key=True),
)

leases = Table(
    "leases",  # work that somebody is at, until then at most; see leases.py
    metadata,
    Column("kind", _short(16), primary_key=True),
    Column("of", _short(256), primary_key=True),
    _time("until"),
)

prior_searches = Table(
    "prior_searches",  # whether archives have been asked for earlier studies
    metadata,
    Column("study_uid", _short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("state", _short(10), nullable=False),
    _number("attempts"),
    Column("next_at", BigInteger),  # None: nothing more is to be done
    _number("found"),
    _text("detail"),
)

prior_studies = Table(
    "prior_studies",  # what they answered
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
    "list_lines",  # what the reading list shows of a study beside its row
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

disabled_users = Table(
    "disabled_users",  # accounts that nobody can sign in with
    metadata,
    Column("name", _short(64), ForeignKey("users.name"), primary_key=True),
    _text("by"),
    _time("at"),
)

added_peers = Table(
    "added_peers",  # beside those of the settings file; see peers.py
    metadata,
    Column("name", _short(64), primary_key=True),
    _text("said"),
)

preferences = Table(
    "preferences",  # what each account chose for itself
    metadata,
    Column("user", _short(64), ForeignKey("users.name"), primary_key=True),
    _text("said"),
)

sessions = Table(
    "sessions",
    metadata,
    Column("token_hash", _short(128), primary_key=True),
    Column("user", _short(64), ForeignKey("users.name"), nullable=False),
    _text("csrf"),
    _time("expires"),
)

identities = Table(
    "identities",  # people whom a provider vouches for, each with an account
    metadata,
    Column("issuer", _short(256), primary_key=True),
    Column("subject", _short(256), primary_key=True),
    Column("user", _short(64), ForeignKey("users.name"), nullable=False, unique=True),
)

sign_in_steps = Table(
    "sign_in_steps",  # ways to the provider and back that have begun, by the hash of their state
    metadata,
    Column("state", _short(64), primary_key=True),
    _text("browser"),
    _text("nonce"),
    _text("verifier"),
    _text("session"),
    _text("study_uid"),
    _text("user"),
    _text("next"),
    _time("began"),
    _time("expires"),
)

confirmations = Table(
    "confirmations",  # who has just shown again who they are, for one signature
    metadata,
    Column("session", _short(64), primary_key=True),
    Column("study_uid", _short(64), primary_key=True),
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
    "audit_seals",  # see chain.py
    metadata,
    Column("audit_id", _BIG, ForeignKey("audit.id"), primary_key=True),
    Column("digest", _short(64), nullable=False),
)

audit_exports = Table(
    "audit_exports",  # how far each destination has the audit trail
    metadata,
    Column("destination", _short(256), primary_key=True),
    _number("last_id"),
)
