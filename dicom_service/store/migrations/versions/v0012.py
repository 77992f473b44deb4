"""Sites: whose study, event and role it is; what was here before is of the one without a name."""

from alembic import op
from sqlalchemy import Column, ForeignKey, String, Text, text

revision = "0012"
down_revision = "0011"

_FOUND_BY = ("study_uid", "species", "reader")


def upgrade() -> None:
    """Add a column to studies and to the audit trail, and make two tables."""
    short = Text(collation="C")
    words = Text().with_variant(short, "postgresql")
    name, site = (String(length).with_variant(short, "postgresql") for length in (64, 32))
    for table in ("studies", "audit"):
        op.add_column(table, Column("site", words, nullable=False, server_default=""))
    named = text("site != ''")
    newest = text("last_object_at DESC")
    for index, columns in (
        ("studies_of_site", ("site", newest, *_FOUND_BY, "state")),
        ("studies_at_site", ("site", "state", "last_object_at", *_FOUND_BY)),
    ):
        op.create_index(index, "studies", columns, sqlite_where=named, postgresql_where=named)
    op.create_index(
        "audit_of_site", "audit", ("site", "id"), sqlite_where=named, postgresql_where=named
    )
    op.create_table(
        "user_sites",
        Column("user", name, ForeignKey("users.name"), primary_key=True),
        Column("site", site, primary_key=True),
        Column("roles", words, nullable=False),
    )
    op.create_index("user_sites_by_site", "user_sites", ["site"])
    op.create_table("known_sites", Column("id", site, primary_key=True))
    op.execute("UPDATE schema_version SET version = 12")
