"""Leases of any work, not only of studies: they say what they are of."""

from alembic import op
from sqlalchemy import BigInteger, Column, String, Text

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Make the table of leases anew: nobody is at work while tables change."""
    short = Text(collation="C")
    op.drop_table("leases")
    op.create_table(
        "leases",
        Column("kind", String(16).with_variant(short, "postgresql"), primary_key=True),
        Column("of", String(256).with_variant(short, "postgresql"), primary_key=True),
        Column("until", BigInteger, nullable=False),
    )
    op.execute("UPDATE schema_version SET version = 10")
