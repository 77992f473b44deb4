"""The tables of the index. Times are microseconds (see `times`); lists are JSON text.

Whoever changes a table adds a revision to `migrations` and raises `VERSION`. A revision of the kind
"expand" only adds what the program before can do without, so that this one may work beside the
newer one; any other is of the kind "contract", and raises `OLDEST` too. The tables of accounts are
in `schema_accounts`.
"""

from sqlalchemy import (
    DDL,
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    event,
    text,
)

from dicom_service.store.columns import (
    BIG,
    TEXT,
    metadata,
    number,
    only,
    short,
    study,
    text_of,
    time,
)
from dicom_service.store.schema_accounts import users as _users  # noqa: F401 - one metadata

VERSION = 15
"""Raised whenever a table, or what stands in one, changes."""
OLDEST = 14
"""Of programs that can work on these tables: the newest revision of the kind "contract"."""

schema_version = Table(
    "schema_version",  # one row
    metadata,
    Column("version", Integer, nullable=False),
    # A program that knows an older version than this one is refused.
    Column("oldest", Integer, nullable=False, server_default="14"),
)

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
_QUEUED = ("state", text("urgent DESC"), "last_object_at", *_FOUND_BY, "lacking")
_MARKED = (
    text("last_object_at DESC"),
    *_FOUND_BY,
    "state",
    "site",
    "urgent",
    "lacking",
    "late_objects",
)
_NAMED = only("site != ''")
studies = Table(
    "studies",
    metadata,
    Column("study_uid", short(64), primary_key=True),
    text_of("patient_id"),
    text_of("patient_name"),
    text_of("species"),
    text_of("study_date"),
    text_of("study_time"),
    text_of("accession_number"),
    text_of("description"),
    Column("regions", TEXT, nullable=False, default="[]"),
    Column("state", short(10), nullable=False),
    Column("stale", Boolean, nullable=False, default=False),  # images came after the template
    text_of("detail"),
    text_of("reader"),
    number("images"),
    number("remarks_count"),
    number("late_objects"),
    time("last_object_at"),
    time("latest_at"),  # newest received_at of any of its objects: keeps them in order
    number("template_revision"),
    text_of("facts"),
    text_of("template"),
    number("version"),
    text_of("reading"),
    time("saved_at"),
    text_of("site", server=""),  # see sites.py
    # What `list_lines` says, here for the indexes: the database itself keeps it, see LINES.
    number("urgent", server="0"),
    number("lacking", server="0"),
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
        **only("species != ''"),
    ),
    # The same for sites with a name; where there is only the one without, nothing is in them.
    Index("studies_of_site", "site", text("last_object_at DESC"), *_FOUND_BY, "state", **_NAMED),
    Index("studies_at_site", "site", "state", "last_object_at", *_FOUND_BY, **_NAMED),
    Index("studies_by_patient", "patient_id", postgresql_using="hash"),
    # Few studies of many: in the order in which they are listed.
    Index("studies_waiting", *_QUEUED, **only("state = 'waiting'")),
    Index("studies_reading", *_QUEUED, **only("state = 'reading'")),
    Index("studies_waiting_at_site", "site", *_QUEUED, **only("site != '' AND state = 'waiting'")),
    Index("studies_reading_at_site", "site", *_QUEUED, **only("site != '' AND state = 'reading'")),
    Index("studies_urgent", *_MARKED, **only("urgent > 0")),
    Index("studies_lacking", *_MARKED, **only("lacking > 0")),
    Index("studies_late", *_MARKED, **only("late_objects > 0")),
    # Of version 14 and before, which count in it.
    Index("studies_with_late_objects", "late_objects", **only("late_objects > 0")),
)

study_words = Table(
    "study_words",
    metadata,
    Column("word", TEXT, primary_key=True),
    Column("study_uid", short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Index("study_words_of_study", "study_uid", "word"),
)

study_texts = Table(
    "study_texts",  # the same in one text, for the full-text index: see texts.py
    metadata,
    Column("number", BIG, primary_key=True),
    Column("study_uid", short(64), ForeignKey("studies.study_uid"), nullable=False, unique=True),
    text_of("words"),
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
    Column("sop_instance_uid", short(64), primary_key=True),
    study(),
    Column("series_uid", short(64), nullable=False),
    Column("sop_class_uid", short(64), nullable=False),
    Column("transfer_syntax", short(64), nullable=False),
    text_of("modality"),
    text_of("patient_id"),
    text_of("patient_name"),
    number("series_number"),
    number("instance_number"),
    number("number_of_frames"),
    number("rows"),
    number("columns"),
    text_of("series_description"),
    text_of("study_date"),
    text_of("study_time"),
    text_of("accession_number"),
    text_of("study_description"),
    Column("blob", short(32), nullable=False, unique=True),
    Column("digest", short(64), nullable=False),
    Column("size", BigInteger, nullable=False),
    text_of("source"),
    time("received_at"),
    Column("own", Boolean, nullable=False, default=False),
    Column("missing", Boolean, nullable=False, default=False),  # its file is gone
    Index("instances_by_study", "study_uid", "series_uid"),
)

journal_state = Table(
    "journal_state",  # one row: how far the journal of small objects has been worked off
    metadata,
    Column("id", BIG, primary_key=True),
    Column("indexed", BigInteger, nullable=False, default=0),  # numbers up to here have rows
    Column("settled", BigInteger, nullable=False, default=0),  # and files that are synced
)

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", BIG, primary_key=True),
    Column("sop_instance_uid", short(64), nullable=False),
    study(),
    Column("blob", short(32), nullable=False, unique=True),
    Column("digest", short(64), nullable=False),
    text_of("source"),
    time("received_at"),
    Index("quarantine_by_object", "sop_instance_uid", "digest", unique=True),
)

quarantine_decisions = Table(
    "quarantine_decisions",  # what is to become of a copy, said by a person
    metadata,
    Column("quarantine_id", BIG, ForeignKey("quarantine.id"), primary_key=True),
    Column("decision", short(8), nullable=False),
    text_of("reason"),
    text_of("user"),
    time("at"),
)

corrections = Table(
    "corrections",  # what a reader said that an image shows, over what its header says
    metadata,
    Column("study_uid", short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("image_uid", short(64), primary_key=True),
    text_of("said"),
    text_of("user"),
    time("at"),
)

reopenings = Table(
    "reopenings",  # signed reports that are being corrected
    metadata,
    Column("study_uid", short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("of_uid", short(64), nullable=False),
    Column("was", short(10), nullable=False),  # state of the study before
    text_of("reason"),
    text_of("user"),
    time("at"),
    number("images"),
    number("late_objects"),
)

documents = Table(
    "documents",
    metadata,
    Column("id", BIG, primary_key=True),
    Column("sop_instance_uid", short(64), nullable=False, unique=True),
    study(),
    Column("kind", short(16), nullable=False),
    Column("role", short(16), nullable=False),
    Column("sop_class_uid", short(64), nullable=False),
    Column("series_uid", short(64), nullable=False),
    Column("blob", short(32), nullable=False),
    text_of("content"),
    text_of("signed_by"),
    Column("signed_at", BigInteger),
    time("created_at"),
    Index("documents_by_study", "study_uid"),
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", BIG, primary_key=True),
    Column("sop_instance_uid", short(64), ForeignKey("documents.sop_instance_uid"), nullable=False),
    study(),
    text_of("destination"),
    Column("state", short(10), nullable=False, default="owed"),
    number("attempts"),
    number("resends"),  # times the archive said that it does not hold what it took
    Column("next_at", BigInteger),  # None: nothing more is to be done
    time("leased_until"),
    text_of("transaction_uid"),
    text_of("error"),
    Index("outbox_by_due", "state", "next_at"),
    Index("outbox_by_study", "study_uid"),
)

outbox_asks = Table(
    "outbox_asks",
    metadata,
    Column("transaction_uid", short(64), primary_key=True),
    Column("outbox_id", BIG, ForeignKey("outbox.id"), primary_key=True),
)

leases = Table(
    "leases",  # work that somebody is at, until then at most; see leases.py
    metadata,
    Column("kind", short(16), primary_key=True),
    Column("of", short(256), primary_key=True),
    time("until"),
)

prior_searches = Table(
    "prior_searches",  # whether archives have been asked for earlier studies
    metadata,
    Column("study_uid", short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("state", short(10), nullable=False),
    number("attempts"),
    Column("next_at", BigInteger),  # None: nothing more is to be done
    number("found"),
    text_of("detail"),
)

prior_studies = Table(
    "prior_studies",  # what they answered
    metadata,
    Column("study_uid", short(64), ForeignKey("studies.study_uid"), primary_key=True),
    Column("prior_uid", short(64), primary_key=True),
    text_of("peer"),
    text_of("study_date"),
    text_of("description"),
    Column("state", short(10), nullable=False),
    text_of("detail"),
)

list_lines = Table(
    "list_lines",  # what the reading list shows of a study beside its row
    metadata,
    Column("study_uid", short(64), ForeignKey("studies.study_uid"), primary_key=True),
    text_of("question"),
    text_of("missing"),
    number("priority"),
    text_of("priority_by"),
    Index("list_lines_urgent", "study_uid", **only("priority > 0")),
    Index("list_lines_missing", "study_uid", **only("missing != ''")),
)
_LACKING = "NEW.missing != ''"
_SHOWN = (
    "UPDATE studies SET urgent = NEW.priority, lacking = {lacking} "
    "WHERE study_uid = NEW.study_uid AND (urgent, lacking) != (NEW.priority, {lacking})"
)
LINES = {
    "sqlite": [
        f"CREATE TRIGGER list_lines_{name} AFTER {event_} ON list_lines BEGIN "
        f"{_SHOWN.format(lacking=_LACKING)}; END"
        for name, event_ in (("added", "INSERT"), ("changed", "UPDATE"))
    ],
    "postgresql": [
        "CREATE FUNCTION list_lines_kept() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"{_SHOWN.format(lacking=f'({_LACKING})::int')}; RETURN NULL; END $$",
        "CREATE TRIGGER list_lines_kept AFTER INSERT OR UPDATE ON list_lines "
        "FOR EACH ROW EXECUTE FUNCTION list_lines_kept()",
    ],
}
"""Keep what of a line is in `studies` too, whichever version of the program writes it."""
for _engine, _triggers in LINES.items():
    for _made in _triggers:
        _trigger = DDL(_made)  # type: ignore[no-untyped-call]
        event.listen(list_lines, "after_create", _trigger.execute_if(dialect=_engine))

audit = Table(
    "audit",
    metadata,
    Column("id", BIG, primary_key=True),
    time("at"),
    text_of("event"),
    text_of("user"),
    text_of("study_uid"),
    text_of("detail"),
    text_of("site", server=""),
    Index("audit_by_study", "study_uid"),
    Index("audit_of_site", "site", "id", **_NAMED),
)

audit_seals = Table(
    "audit_seals",  # see chain.py
    metadata,
    Column("audit_id", BIG, ForeignKey("audit.id"), primary_key=True),
    Column("digest", short(64), nullable=False),
)

audit_exports = Table(
    "audit_exports",  # how far each destination has the audit trail
    metadata,
    Column("destination", short(256), primary_key=True),
    number("last_id"),
)
