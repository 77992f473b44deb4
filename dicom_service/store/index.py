"""The index as the rest of the store sees it, whichever engine keeps it.

Both engines run the same statements. What differs is behind `Index`: opening, what a commit
promises, what an error means, who may write beside whom. `sqlite.py` and `postgres.py` are the
two that there are.
"""

import functools
import hashlib
import random
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Collection
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, ParamSpec, Self, TypeVar, cast

from sqlalchemy import (
    ColumnElement,
    Connection,
    Engine,
    Table,
    Text,
    any_,
    func,
    literal,
    select,
)
from sqlalchemy.dialects import postgresql, sqlite

from dicom_service.errors import TryLater

CHANNEL = "sesamoid"
"""On which nodes of one index tell each other of new work."""
SETTLE, SEND = "settle", "send"
"""What there is to do: a study to be prepared; something for an outbox, or to ask archives for."""
_ATTEMPTS = 6

Heard = Callable[[frozenset[str]], None]
"""Called with what there is to do; with nothing when it may be anything."""
Given = ParamSpec("Given")
Result = TypeVar("Result")


class Overtaken(TryLater):
    """Another node changed the same at the same moment; nothing was kept, so it can be repeated."""


class Unsure(TryLater):
    """The index failed or went away in a commit: it may have kept it, or it may not have.

    Bytes that the rows would name must stay.
    """


class Index(ABC):
    """An open index."""

    engine: Engine
    place: str
    """Where it is, for sentences: "The index <place> ..."."""
    shared: bool
    """Whether several nodes may have it at the same time."""
    kept: int | None = None
    """A number that changes with each transaction of this node; None: nobody counts."""

    @abstractmethod
    def read(self) -> AbstractContextManager[Connection]:
        """A connection that sees one consistent state."""

    def glance(self) -> AbstractContextManager[Connection]:
        """A connection for a single question, which may cost less than `read`."""
        return self.read()

    @abstractmethod
    def write(self, *about: str) -> AbstractContextManager[Connection]:
        """One transaction: all of it is kept, or nothing when the block raises.

        Parameters
        ----------
        about
            UIDs and names of what is changed. Of two transactions about the same the second
            begins when the first has ended, and sees what it did.
        """

    @abstractmethod
    def examine(self) -> None:
        """Look for damage, as far as the engine leaves that to us.

        Raises
        ------
        SetupError
            Some is damaged: an index that answers wrongly is worse than none.
        """

    def begin_change(  # noqa: B027 - one engine needs none
        self, connection: Connection, oldest: int | None
    ) -> None:
        """Before the tables are changed beside others who use them.

        Parameters
        ----------
        oldest
            Whoever runs a program that knows only older tables is out, and stays out; None: all
            may stay, and are not to be held up.
        """

    @abstractmethod
    def snapshot(self, to: Path) -> None:
        """Copy it as it is at one moment into an SQLite file; others go on reading and writing."""

    @abstractmethod
    def listen(self, heard: Heard) -> Callable[[], None]:
        """Call `heard` whenever `tell` was, by whichever node; returns what ends that."""

    @abstractmethod
    def close(self) -> None:
        """Close every connection."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def hold(connection: Connection, *about: str) -> None:
    """Until this transaction ends, keep out others that are about one of the same.

    All that a transaction holds it should hold at once: they are taken in an order that is the
    same for everybody. SQLite has one writer at a time anyway.
    """
    if about and connection.dialect.name == "postgresql":
        numbers = sorted({_number(word) for word in about})
        # Functions in the list of columns are called row by row, in the order of the array.
        asked = func.unnest(numbers, type_=postgresql.BIGINT).column_valued("number")
        connection.execute(select(func.pg_advisory_xact_lock(asked)))


def tell(connection: Connection, work: str) -> None:
    """Wake whoever listens once this transaction is kept: there is work of this kind."""
    if connection.dialect.name == "postgresql":
        connection.execute(select(func.pg_notify(CHANNEL, work)))


def one_of(connection: Connection, column: Any, values: Collection[str]) -> ColumnElement[bool]:
    """The condition that a text is one of these; PostgreSQL gets all of them in one parameter."""
    if connection.dialect.name == "postgresql":
        given = literal(list(values), postgresql.ARRAY(Text(collation="C")))
        return cast("ColumnElement[bool]", column == any_(given))
    return cast("ColumnElement[bool]", column.in_(values))


def upsert(connection: Connection, table: Table) -> Any:
    """An insert that knows `on_conflict_do_update`."""
    name = connection.dialect.name
    return postgresql.insert(table) if name == "postgresql" else sqlite.insert(table)


def retried(method: Callable[Given, Result]) -> Callable[Given, Result]:
    """Repeat a method that was overtaken; it must leave nothing behind when it raises."""

    @functools.wraps(method)
    def repeated(*args: Given.args, **options: Given.kwargs) -> Result:
        for attempt in range(1, _ATTEMPTS):
            try:
                return method(*args, **options)
            except Overtaken:
                time.sleep(random.uniform(0, 0.01 * 2**attempt))  # noqa: S311 - only spreads
        return method(*args, **options)

    return repeated


def _number(word: str) -> int:
    digest = hashlib.sha256(word.encode("utf-8", "surrogatepass")).digest()
    return int.from_bytes(digest[:8], "big", signed=True)
