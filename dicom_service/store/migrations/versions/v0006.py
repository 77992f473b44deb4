"""What each account chose for itself."""

from alembic import op
from sqlalchemy import Column, ForeignKey, String, Text

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Make a table."""
    short = Text(collation="C")
    op.create_table(
        "preferences",
        Column(
            "user",
            String(64).with_variant(short, "postgresql"),
            ForeignKey("users.name"),
            primary_key=True,
        ),
        Column("said", Text().with_variant(short, "postgresql"), nullable=False),
    )
    op.execute("UPDATE schema_version SET version = 6")
