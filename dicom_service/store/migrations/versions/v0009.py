"""How far the journal of small objects has been worked off."""

from alembic import op
from sqlalchemy import BigInteger, Column, Integer

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Make a table."""
    op.create_table(
        "journal_state",
        Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
        Column("indexed", BigInteger, nullable=False),
        Column("settled", BigInteger, nullable=False),
    )
    op.execute("UPDATE schema_version SET version = 9")
