"""What the tables are made of: kinds of columns that mean the same on every engine.

Text sorts by its code points and has no greatest length on any engine; see `TEXT`.
"""

from typing import Any

from sqlalchemy import BigInteger, Column, ForeignKey, Integer, MetaData, String, Text, text

metadata = MetaData()

TEXT = Text().with_variant(Text(collation="C"), "postgresql")
BIG = BigInteger().with_variant(Integer, "sqlite")
"""What SQLite has anyway."""


def short(length: int) -> Any:
    """Text that is short; only SQLite's tables say so, and it does not insist."""
    return String(length).with_variant(Text(collation="C"), "postgresql")


def text_of(name: str, *, server: str | None = None) -> Column[str]:
    """Text; empty where there is none.

    Parameters
    ----------
    server
        What rows have that were there before the column.
    """
    return Column(name, TEXT, nullable=False, default="", server_default=server)


def number(name: str, *, server: str | None = None) -> Column[int]:
    """A whole number of up to 64 bits, at first 0.

    Parameters
    ----------
    server
        What rows have that were there before the column.
    """
    return Column(name, BIG, nullable=False, default=0, server_default=server)


def time(name: str) -> Column[int]:
    """Microseconds; see `times`."""
    return Column(name, BigInteger, nullable=False, default=0)


def study() -> Column[str]:
    """The study that a row belongs to."""
    return Column("study_uid", short(64), ForeignKey("studies.study_uid"), nullable=False)


def only(condition: str) -> dict[str, Any]:
    """An index of these rows alone."""
    return {"sqlite_where": text(condition), "postgresql_where": text(condition)}
