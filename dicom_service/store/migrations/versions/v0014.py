"""Beside its version the index says which is the oldest that may work on it."""

from alembic import op
from sqlalchemy import Column, Integer

revision = "0014"
down_revision = "0013"
kind = "contract"
"""Programs before this one look at the version alone, and refuse any newer one."""


def upgrade() -> None:
    """Add the column."""
    op.add_column("schema_version", Column("oldest", Integer, nullable=False, server_default="14"))
    op.execute("UPDATE schema_version SET version = 14, oldest = 14")
