"""People whom an OpenID Connect provider vouches for, and what is under way with it."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKey, String, Text

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Make three tables."""
    short = Text(collation="C")
    text = Text().with_variant(short, "postgresql")
    key, name, word = (String(n).with_variant(short, "postgresql") for n in (256, 64, 64))
    op.create_table(
        "identities",
        Column("issuer", key, primary_key=True),
        Column("subject", key, primary_key=True),
        Column("user", name, ForeignKey("users.name"), nullable=False, unique=True),
    )
    op.create_table(
        "sign_in_steps",
        Column("state", word, primary_key=True),
        *(
            Column(column, text, nullable=False)
            for column in ("browser", "nonce", "verifier", "session", "study_uid", "user", "next")
        ),
        Column("began", BigInteger, nullable=False),
        Column("expires", BigInteger, nullable=False),
    )
    op.create_table(
        "confirmations",
        Column("session", word, primary_key=True),
        Column("study_uid", word, primary_key=True),
        Column("expires", BigInteger, nullable=False),
    )
    op.execute("UPDATE schema_version SET version = 11")
