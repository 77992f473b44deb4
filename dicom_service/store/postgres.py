"""All that is special to PostgreSQL: opening, durability, transactions, what its errors mean.

Many nodes may have one index. Writers run beside each other; those about the same study come one
after the other (`index.hold`), each statement seeing what was kept before it (READ COMMITTED).
Readers see one state from their first statement on (REPEATABLE READ).
"""

import itertools
import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import psycopg
from psycopg.types.string import StrDumperUnknown
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.exc import TimeoutError as NoConnectionFree

from dicom_service.errors import SesamoidError, SetupError, StorageFull, TryLater
from dicom_service.store.index import CHANNEL, Heard, Index, Overtaken, Unsure, hold
from dicom_service.store.moving import copy_to_file
from dicom_service.store.patience import PatientConnection
from dicom_service.store.schema import VERSION

log = logging.getLogger(__name__)

CONNECT_SECONDS = 10
GONE_SECONDS = 20
"""After which a line on which nothing comes back, no acknowledgement of a packet, counts as cut.

A network that loses every packet says nothing: without this a question waits for ever.
"""
STUCK_SECONDS = 60
"""After which the server ends a transaction in which nothing happens: it holds others up."""
ANSWER_SECONDS = 90.0
"""For which a statement is waited for: a server that stands still on a machine that lives says
nothing, and nothing is noticed of it otherwise. More than `STUCK_SECONDS`, as it may have to wait
for others."""
PING_SECONDS = 10.0
"""For which a connection that was idle is waited for before it is used."""
_FRESH_SECONDS = 0.5
"""After which a connection counts as idle: to ask each time is a way to the server and back more
for every transaction. A server that ended it has said so, and is heard."""
_LISTEN_SECONDS = 1.0
_PAUSE_SECONDS = 0.1
"""Between two reasons to look: where many objects come, everybody would look after each."""
_CHANGE_WAITS_MS = 300
"""For a lock; less than the second after which the server ends one of two who wait for each
other, so that it is never somebody's work that is given up."""
_OVERTAKEN = {"40001", "40P01", "23505", "55P03"}
"""Serialisation failure, deadlock, a row that another node wrote first, a lock not to be had."""
_STUCK = "25P03"
_FULL = {"53100", "53200", "25006", "58030"}
"""No disk, no memory, a server that only reads, a disk that fails."""


class PostgresIndex(Index):
    """A database of its own on a server.

    Parameters
    ----------
    url
        `postgresql://user@host/database`; what it leaves out comes from where PostgreSQL's
        programs have it (PGPASSFILE, PGSSLROOTCERT ...).

    Raises
    ------
    SetupError
        The server does not let us in, or is not one that can be used.
    """

    shared = True
    kept: int

    def __init__(self, url: str) -> None:
        self.engine = _open(url)
        there = self.engine.url
        host = there.host or there.query.get("host", "localhost")
        self.place = f"{there.database or there.username} on {host}"
        self._reading = self.engine.execution_options(
            isolation_level="REPEATABLE READ", postgresql_readonly=True
        )
        self._glancing = self.engine.execution_options(isolation_level="AUTOCOMMIT")
        self._transactions = itertools.count(1)
        self.kept = 0
        self._url = there
        try:
            with self.read() as connection:
                _check(connection, self.place)
        except TryLater as error:
            self.close()
            raise SetupError(str(error)) from error
        except BaseException:
            self.close()
            raise

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees one consistent state."""
        with self._translated(), self._reading.connect() as connection:
            yield connection

    @contextmanager
    def glance(self) -> Iterator[Connection]:
        """A connection on which each question is a transaction: one way to the server and back."""
        with self._translated(), self._glancing.connect() as connection:
            yield connection

    @contextmanager
    def write(self, *about: str) -> Iterator[Connection]:
        """One transaction; those about something else run beside it."""
        with self._translated(), self.engine.connect() as connection:
            transaction = connection.begin()
            try:
                hold(connection, *about)
                yield connection
            except BaseException:
                transaction.rollback()
                raise
            try:
                transaction.commit()
            except DBAPIError as error:
                if _sqlstate(error)[:2] in ("", "08", "57"):  # no word of whether it was kept
                    raise Unsure(
                        f"The index {self.place} went away while it was to keep something, which "
                        "may have been kept. Look before you do it again."
                    ) from error
                raise
            finally:
                self.kept = next(self._transactions)

    def examine(self) -> None:
        """Whether it answers: its server looks after damage itself (checksums, its own log)."""
        with self.read() as connection:
            connection.exec_driver_sql("SELECT 1")

    def begin_change(self, connection: Connection, oldest: int | None) -> None:
        """End the sessions of programs that are too old; new ones wait, and are refused later.

        Each session looks at the version of the tables when it begins, and never again: so those
        that have looked must be gone before the tables change. Where all may stay, a lock that is
        not to be had at once is given up, and all of the change with it: everybody else would
        wait behind it, and one who holds what we want may want what we hold.
        """
        _driver(connection).patience = None  # to make an index takes long
        connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
        if oldest is None:
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = {_CHANGE_WAITS_MS}")
            return
        connection.exec_driver_sql("LOCK TABLE schema_version IN ACCESS EXCLUSIVE MODE")
        connection.exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = current_database() AND application_name LIKE 'sesamoid%%' "
            "AND pid != pg_backend_pid() AND coalesce("
            r"substring(application_name FROM '^sesamoid, tables (\d+)$')::integer, 0) < %s",
            (oldest,),
        )

    def snapshot(self, to: Path) -> None:
        """Copy the rows of one moment into an SQLite file."""
        with self.read() as connection:
            copy_to_file(connection, to)

    def listen(self, heard: Heard) -> Callable[[], None]:
        """Call `heard` after each transaction that made work, and whenever the line was down."""
        listener = _Listener(self, heard)
        listener.start()
        return listener.stop

    def connected(self) -> psycopg.Connection[Any]:
        """A connection of its own, without transactions, for listening."""
        arguments = self.engine.dialect.create_connect_args(self._url)[1]
        line = PatientConnection.connect(**{**_patience(), **arguments}, autocommit=True)
        line.patience = ANSWER_SECONDS
        return line

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise _meant(error, self.place) from error
        except NoConnectionFree as error:
            raise TryLater(f"The index {self.place} is busy: no connection is free.") from error


class _Listener(threading.Thread):
    """Waits for what nodes tell each other; a line that breaks is made again."""

    def __init__(self, index: PostgresIndex, heard: Heard) -> None:
        super().__init__(name="index listener", daemon=True)
        self._index, self._heard = index, heard
        self._ending = threading.Event()

    def stop(self) -> None:
        """End; returns when it has."""
        self._ending.set()
        self.join()

    def run(self) -> None:
        """Listen until it is ended."""
        while not self._ending.is_set():
            try:
                with self._index.connected() as line:
                    line.execute(f"LISTEN {CHANNEL}")
                    self._heard(frozenset())  # what was told before there was a line
                    while not self._ending.is_set():
                        # Several that came together are one reason to look.
                        came = list(line.notifies(timeout=_LISTEN_SECONDS, stop_after=1))
                        if came:
                            self._heard(_work(note.payload for note in came))
                            self._ending.wait(_PAUSE_SECONDS)
            except psycopg.Error as error:
                log.warning("the index cannot be listened to: %s", str(error).strip())
                self._ending.wait(CONNECT_SECONDS)


def _work(told: Iterable[str]) -> frozenset[str]:
    """A program that does not say what there is to do, as earlier ones, may mean anything."""
    kinds = frozenset(told)
    return frozenset() if "" in kinds else kinds


class _NoNul(StrDumperUnknown):
    """U+0000 cannot be in a text of PostgreSQL; it becomes the sign for what cannot be shown."""

    def dump(self, obj: str) -> Any:
        return super().dump(obj.replace("\0", "\ufffd") if "\0" in obj else obj)


_SERVERS = {
    "tcp_user_timeout": "tcp_user_timeout",
    "tcp_keepalives_idle": "keepalives_idle",
    "tcp_keepalives_interval": "keepalives_interval",
    "tcp_keepalives_count": "keepalives_count",
}
"""What the server calls the driver's settings."""


def _patience() -> dict[str, int]:
    """How long the driver waits for the network; an address of the settings may say otherwise."""
    probe = max(GONE_SECONDS // 4, 1)
    return {
        "connect_timeout": CONNECT_SECONDS,
        "tcp_user_timeout": GONE_SECONDS * 1000,  # something is under way
        "keepalives_idle": probe,  # we wait for an answer, or for what others tell
        "keepalives_interval": probe,
        "keepalives_count": 3,
    }


def _open(url: str) -> Engine:
    try:
        there = make_url(url).set(drivername="postgresql+psycopg")
    except (ArgumentError, ValueError):
        raise SetupError("index_url is not of the form postgresql://user@host/database.") from None
    engine = create_engine(
        there,
        pool_size=8,
        max_overflow=16,
        pool_pre_ping=True,  # a server that was started again is not our user's trouble
        hide_parameters=True,  # names of patients do not belong into errors and logs
        connect_args={
            **{name: value for name, value in _patience().items() if name not in there.query},
            "prepare_threshold": None,  # a plan made for all values is bad for most lists
            "application_name": f"sesamoid, tables {VERSION}",
        },
    )
    _limit(engine)
    known = VERSION

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        connection.adapters.register_dumper(str, _NoNul)
        connection.autocommit = True
        _settle(connection)
        _refuse_newer(connection, known)
        connection.autocommit = False

    return engine


def _settle(connection: Any) -> None:
    """What each connection is set to, whatever the server's own settings are."""
    wanted = {
        "idle_in_transaction_session_timeout": f"{STUCK_SECONDS}s",
        # Questions are short: to compile them, or to start helpers, takes longer than they do.
        "jit": "off",
        "max_parallel_workers_per_gather": "0",
        "random_page_cost": "1.1",  # no disk has heads any more
        # What we no longer wait for need not be done, and what we notice of a line that is cut
        # the server should notice of it too.
        "statement_timeout": f"{ANSWER_SECONDS * 1000:.0f}",
        **{name: str(_patience()[ours]) for name, ours in _SERVERS.items()},
    }
    durable = (
        "SELECT set_config('synchronous_commit', CASE WHEN current_setting('synchronous_commit') "
        "= 'off' THEN 'on' ELSE current_setting('synchronous_commit') END, false)"
    )
    others = ", set_config(%s, %s, false)" * len(wanted)
    connection.execute(durable + others, [part for setting in wanted.items() for part in setting])


def _refuse_newer(connection: Any, known: int) -> None:
    """Close the connection to an index whose tables this version would not understand."""
    made = connection.execute("SELECT to_regclass('schema_version')").fetchone()[0]
    # Tables of an earlier version may lack the column.
    whole = "SELECT to_jsonb(v) FROM schema_version v"
    found = made and connection.execute(whole).fetchone()
    if found and found[0].get("oldest", 0) > known:
        connection.close()
        raise SetupError(
            f"A newer version of this program has changed the index of this node (schema "
            f"{found[0]['version']}, this one knows {known}). Install the newer version here too."
        )


def _limit(engine: Engine) -> None:
    """Nobody waits for ever for one of its connections."""

    @event.listens_for(engine, "do_connect")
    def _connect(_dialect: Any, _record: Any, words: Any, options: Any) -> PatientConnection:
        connection = PatientConnection.connect(*words, **options)
        connection.patience = ANSWER_SECONDS
        return connection

    @event.listens_for(engine, "checkin")
    def _given_back(connection: Any, _record: Any) -> None:
        if connection is not None:
            connection.patience = ANSWER_SECONDS
            connection.used_at = time.monotonic()

    ping = engine.dialect.do_ping

    def quick_ping(dbapi_connection: Any) -> bool:
        fresh = time.monotonic() - dbapi_connection.used_at < _FRESH_SECONDS
        if fresh and not dbapi_connection.spoken_to():
            return True
        dbapi_connection.patience = PING_SECONDS
        try:
            return ping(dbapi_connection)
        finally:
            dbapi_connection.patience = ANSWER_SECONDS

    engine.dialect.do_ping = quick_ping  # type: ignore[method-assign]


def _driver(connection: Connection) -> PatientConnection:
    found: Any = connection.connection.driver_connection
    return cast("PatientConnection", found)


def _check(connection: Connection, place: str) -> None:
    encoding, fsync = connection.exec_driver_sql(
        "SELECT current_setting('server_encoding'), current_setting('fsync')"
    ).one()
    if encoding != "UTF8":
        raise SetupError(
            f"The database {place} holds {encoding} text and cannot hold every name. "
            "Make one with ENCODING 'UTF8'."
        )
    if fsync != "on":
        log.warning("the server of %s does not sync its disk (fsync = off)", place)


def _sqlstate(error: DBAPIError) -> str:
    return str(getattr(error.orig, "sqlstate", None) or "")


def _meant(error: DBAPIError, place: str) -> SesamoidError:
    state = _sqlstate(error)
    reason = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else "no reason"
    if state in _OVERTAKEN:
        return Overtaken(f"Another node changed the same in the index {place} at the same moment.")
    if state in _FULL:
        return StorageFull(f"The index {place} cannot be written: {reason}.")
    if state.startswith(("28", "3D")):
        return SetupError(f"The index {place} does not let this node in: {reason}.")
    if (
        state == _STUCK
        or state.startswith(("08", "53", "55", "57"))
        or (not state and error.connection_invalidated)
    ):
        return TryLater(f"The index {place} does not answer: {reason}.")
    if not state and isinstance(error.orig, psycopg.OperationalError):
        return TryLater(f"The index {place} cannot be reached: {reason}.")
    return SesamoidError(f"The index {place} does not work: {reason}.")
