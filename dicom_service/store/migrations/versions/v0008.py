"""Accounts that are disabled, and peers that were added on the administrator's page."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKey, String, Text

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Make two tables."""
    short = Text(collation="C")
    op.create_table(
        "disabled_users",
        Column(
            "name",
            String(64).with_variant(short, "postgresql"),
            ForeignKey("users.name"),
            primary_key=True,
        ),
        Column("by", Text().with_variant(short, "postgresql"), nullable=False),
        Column("at", BigInteger, nullable=False),
    )
    op.create_table(
        "added_peers",
        Column("name", String(64).with_variant(short, "postgresql"), primary_key=True),
        Column("said", Text().with_variant(short, "postgresql"), nullable=False),
    )
    op.execute("UPDATE schema_version SET version = 8")
