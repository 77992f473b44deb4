"""All that is special to SQLite: opening, durability, transactions, what its errors mean."""

import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, Transaction, create_engine, event
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.pool import QueuePool

from dicom_service.errors import SesamoidError, SetupError, StorageFull, TryLater
from dicom_service.store.index import Heard, Index, Unsure

BUSY_SECONDS = 30
SYNCHRONOUS = "FULL"
"""Every commit is on the disk when it returns; tests show what is lost with less."""
_FULL = ("disk is full", "disk i/o error", "readonly database", "unable to open database")
_UNHEARD = "disk i/o error"
_BUSY = ("is locked", "is busy")


class SqliteIndex(Index):
    """One file: many readers, one writer at a time, every commit on disk when it returns."""

    shared = False

    def __init__(self, file: Path) -> None:
        self.file = file
        self.place = str(file)
        self.engine = _open(file)
        self.catch_up: Callable[[], None] | None = None
        """Called before anything is read or written: what was promised is then in the index."""
        self._writing = threading.Lock()
        self._mine = threading.local()
        self._made = False
        self._looking = threading.Lock()
        self._looker: sqlite3.Connection | None = None

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees one consistent state."""
        self._catch_up()
        with _translated(self.file), self.engine.connect() as connection:
            yield connection

    @contextmanager
    def write(self, *_about: str, catch_up: bool = True) -> Iterator[Connection]:
        """One transaction; there is only one at a time, whatever it is about.

        Parameters
        ----------
        catch_up
            False: this is the catching up.
        """
        if catch_up:
            self._catch_up()
        self._mine.writes = True
        try:
            with self._transaction() as connection:
                yield connection
        finally:
            self._mine.writes = False

    def look_up(self, query: str, values: Sequence[str]) -> tuple[Any, ...] | None:
        """The first row of a query as the index is now, without catching up; for one that is
        asked for every object, and must cost little."""
        try:
            with self._looking:
                if self._looker is None:
                    self._looker = sqlite3.connect(
                        f"file:{quote(str(self.file))}?mode=ro", uri=True, check_same_thread=False
                    )
                    self._looker.execute(f"PRAGMA busy_timeout={BUSY_SECONDS * 1000}")
                found: tuple[Any, ...] | None = self._looker.execute(query, values).fetchone()
                return found
        except sqlite3.OperationalError as error:
            raise TryLater(f"The index {self.file} does not answer: {error}.") from error

    def _catch_up(self) -> None:
        # Within a transaction of this thread it is too late for that, and would wait for itself.
        if self.catch_up is not None and not getattr(self._mine, "writes", False):
            self.catch_up()

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        if self._made and not self.file.is_file():  # SQLite would write on, where nobody finds it
            raise StorageFull(f"The index {self.file} is gone. Is its disk there?")
        with _translated(self.file), self._writing, self.engine.connect() as connection:
            # The writer takes its lock at the start: a transaction that first reads and then
            # writes cannot find that the ground has moved between the two.
            connection = connection.execution_options(sesamoid_writes=True)
            transaction = connection.begin()
            try:
                yield connection
            except BaseException:
                transaction.rollback()
                raise
            self._commit(transaction)
            self._made = True

    def _commit(self, transaction: Transaction) -> None:
        try:
            transaction.commit()
        except OperationalError as error:
            if _UNHEARD not in str(error.orig).lower():
                raise
            # Its journal may hold the whole transaction, unsynced: after a crash it would count.
            raise Unsure(
                f"The index {self.file} failed while it was to keep something, which may have "
                f"been kept: {error.orig}. Look at its disk."
            ) from error

    def examine(self) -> None:
        """Read every page.

        Raises
        ------
        SetupError
            Some are damaged.
        """
        with self.read() as connection:
            found = connection.exec_driver_sql("PRAGMA quick_check(3)").scalars().all()
        if found != ["ok"]:
            raise SetupError(
                f"The index {self.file} is damaged: {'; '.join(found)}. Restore it from a backup."
            )

    def snapshot(self, to: Path) -> None:
        """Copy the file as it is at one moment, journal included, into one file."""
        with (
            contextlib.closing(sqlite3.connect(f"file:{self.file}?mode=ro", uri=True)) as source,
            contextlib.closing(sqlite3.connect(to)) as target,
        ):
            source.execute(f"PRAGMA busy_timeout={BUSY_SECONDS * 1000}")
            source.backup(target)
            target.execute("PRAGMA journal_mode=DELETE")  # no second file belongs to it

    def listen(self, _heard: Heard) -> Callable[[], None]:
        """Nobody else has the file: who makes work here wakes the others here."""
        return lambda: None

    def close(self) -> None:
        """Close every connection; SQLite folds its journal into the file."""
        with self._looking:
            if self._looker is not None:
                self._looker.close()
                self._looker = None
        self.engine.dispose()


def _open(file: Path) -> Engine:
    engine = create_engine(
        f"sqlite:///{file}",
        poolclass=QueuePool,
        pool_size=8,
        max_overflow=32,
        hide_parameters=True,  # names of patients do not belong into errors and logs
        connect_args={"check_same_thread": False, "timeout": BUSY_SECONDS},
    )

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions are begun below, not by the driver
        for pragma in (
            "journal_mode=WAL",
            f"synchronous={SYNCHRONOUS}",
            "foreign_keys=ON",
            f"busy_timeout={BUSY_SECONDS * 1000}",
        ):
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def _begun(connection: Connection) -> None:
        writes = connection.get_execution_options().get("sesamoid_writes")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


@contextmanager
def _translated(file: Path) -> Iterator[None]:
    try:
        yield
    except OperationalError as error:
        reason = str(error.orig)
        if any(words in reason.lower() for words in _FULL):
            raise StorageFull(
                f"The index {file} cannot be written: {reason}. Free some room on its disk."
            ) from error
        if any(words in reason.lower() for words in _BUSY):
            raise TryLater(f"The index {file} is held by another program: {reason}.") from error
        raise SesamoidError(f"The index {file} does not work: {reason}.") from error
    except DatabaseError as error:
        if "not a database" in str(error.orig) or "malformed" in str(error.orig):
            raise SetupError(
                f"The index {file} is damaged: {error.orig}. Restore it from a backup."
            ) from error
        raise
