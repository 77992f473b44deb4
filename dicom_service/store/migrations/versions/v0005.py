"""An index that several nodes may share: leases of work, and the folder that it belongs to."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKey, String, Text

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make two tables."""
    short = Text(collation="C")
    op.create_table(
        "index_home",
        Column("folder_id", String(32), primary_key=True),
    )
    op.create_table(
        "leases",
        Column("kind", String(16).with_variant(short, "postgresql"), primary_key=True),
        Column(
            "study_uid",
            String(64).with_variant(short, "postgresql"),
            ForeignKey("studies.study_uid"),
            primary_key=True,
        ),
        Column("until", BigInteger, nullable=False),
    )
    op.execute("UPDATE schema_version SET version = 5")
