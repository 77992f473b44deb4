"""A PostgreSQL server for tests, from Debian's package: its own folder, a socket, no port."""

import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import psycopg
import pytest

_HASTE = ("fsync=off", "full_page_writes=off", "autovacuum=off", "shared_buffers=64MB")
"""What a test server need not do; `durable` ones do."""


class Server:
    """A running server; databases are made in it, and emptied for the next test.

    Parameters
    ----------
    durable
        Sync every commit, as a server in earnest does.
    address, namespace
        Where it listens beside its socket, and in which network namespace.
    """

    def __init__(self, *, durable: bool = False, address: str = "", namespace: str = "") -> None:
        self.address, self._namespace = address, namespace
        self.folder = Path(tempfile.mkdtemp(prefix="sesamoid-pg-"))
        self._bin = _programs()
        # The server refuses to run as root; the signal ends it with a test run that is killed.
        self._as_user = ["setpriv", "--pdeathsig", "INT"]
        if os.geteuid() == 0:
            shutil.chown(self.folder, "postgres", "postgres")
            self._as_user += ["--reuid=postgres", "--regid=postgres", "--clear-groups"]
        self._haste = () if durable else _HASTE
        options = "-A trust -U sesamoid -E UTF8 --locale=C.UTF-8 --no-sync --no-instructions"
        self._run([self._bin / "initdb", "-D", self.folder / "data", *options.split()])
        if address:
            with (self.folder / "data" / "pg_hba.conf").open("a") as rules:
                rules.write("host all all 0.0.0.0/0 trust\n")
        self._process: subprocess.Popen[bytes] | None = None
        self._databases: list[str] = []
        self._free: list[str] = []
        self.start()

    def start(self) -> None:
        """Start it, or start it again."""
        settings = [f"unix_socket_directories={self.folder}", *self._haste]
        settings += [
            f"listen_addresses={self.address}",
            "max_connections=200",
            f"log_directory={self.folder}",
        ]
        command = [*self._as_user, "--", str(self._bin / "postgres"), "-D", self.folder / "data"]
        if self._namespace:
            command = ["ip", "netns", "exec", self._namespace, *command]
        command += [part for setting in settings for part in ("-c", setting)]
        log = (self.folder / "log").open("ab")
        self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd="/")
        log.close()
        until = time.monotonic() + 30
        while True:
            try:
                psycopg.connect(self.url("postgres")).close()
            except psycopg.OperationalError:
                if time.monotonic() > until or self._process.poll() is not None:
                    pytest.fail((self.folder / "log").read_text()[-2000:])
                time.sleep(0.03)
            else:
                return

    def crash(self) -> None:
        """End it as a power cut does to its processes."""
        assert self._process is not None
        first = (self.folder / "data" / "postmaster.pid").read_text().split()[0]
        subprocess.run([*self._as_user, "--", "kill", "-QUIT", first], check=True, cwd="/")
        self._process.wait(30)

    def close(self) -> None:
        """End it and remove its folder."""
        if self._process is not None and self._process.poll() is None:
            self.crash()
        shutil.rmtree(self.folder, ignore_errors=True)

    def url(self, database: str) -> str:
        """How to get at a database."""
        return f"postgresql://sesamoid@/{database}?host={self.folder}"

    def far(self, url: str) -> str:
        """The same database by its address, where `url` takes the socket."""
        return f"postgresql://sesamoid@{self.address}/{_name(url)}"

    def database(self) -> str:
        """The URL of an empty database, until `give_back`."""
        if self._free:
            name = self._free.pop()
            _empty(self.url(name))
            return self.url(name)
        name = f"test{len(self._databases)}"
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        self._databases.append(name)
        return self.url(name)

    def give_back(self, url: str) -> None:
        """The next test may have it."""
        self._free.append(_name(url))

    def _run(self, command: list[object]) -> None:
        whole = [*self._as_user, "--", *map(str, command)]
        done = subprocess.run(whole, capture_output=True, text=True, timeout=60, cwd="/")
        assert done.returncode == 0, done.stderr


def _empty(url: str) -> None:
    """Only what was written to is emptied: that is much faster than all."""
    with psycopg.connect(url, autocommit=True) as connection:
        names = [
            name
            for (name,) in connection.execute(
                "SELECT relname FROM pg_class WHERE relkind = 'r' "
                "AND relnamespace = 'public'::regnamespace "
                "AND relname NOT IN ('schema_version', 'alembic_version')"
            )
            if connection.execute(f"SELECT 1 FROM {name} LIMIT 1").fetchone()
        ]
        if names:
            connection.execute(f"TRUNCATE {', '.join(names)} RESTART IDENTITY CASCADE")
        connection.execute("SELECT setval(oid, 1, false) FROM pg_class WHERE relkind = 'S'")


def _name(url: str) -> str:
    return url.split("/")[3].partition("?")[0]


def _programs() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=_version)
    if not found:
        pytest.fail("postgresql is not installed; 'bash tests/run' names the packages")
    return found[-1].parent


def _version(program: Path) -> int:
    return int(program.parent.parent.name)
