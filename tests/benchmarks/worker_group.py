"""The processes that workers.py measures: one node alone, or roles apart behind a balancer."""

import contextlib
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Self

from dicom_service.passwords import hash_password
from dicom_service.store import Store
from tests.peers import free_port, started
from tests.postgres_server import Server

ROLES = ("receive", "settle", "send", "web")
PASSWORD = "an invented pass phrase"
SETTLE_SECONDS = 4.0
_START_SECONDS = 120.0
"""Sixteen processes on two cores take their time; longer, and one hangs."""
_BALANCER = """
global
    maxconn 500
defaults
    timeout connect 3s
    timeout client 90s
    timeout server 90s
frontend dicom
    mode tcp
    bind 127.0.0.1:{dicom}
    default_backend nodes
backend nodes
    mode tcp
    balance leastconn
    default-server send-proxy-v2
{nodes}
frontend web
    mode http
    bind 127.0.0.1:{web}
    default_backend pages
backend pages
    mode http
    balance roundrobin
    http-request set-header X-Forwarded-For %[src]
{pages}
"""


class Group:
    """Running processes over one data folder; `address` and `port` lead to all of them.

    Parameters
    ----------
    workers
        Of each role; 0: one process that does everything, with its index in a file.
    archive
        Port of the peer that reports are sent to.
    """

    def __init__(self, folder: Path, workers: int, archive: int, readers: int) -> None:
        self._folder, self._workers, self._archive = folder, workers, archive
        self._stack = contextlib.ExitStack()
        self._url = ""
        self.port = self.web = 0
        folder.mkdir()
        try:
            self._begin(readers)
        except BaseException:
            self._stack.close()
            raise

    @property
    def address(self) -> str:
        """Of the pages."""
        return f"http://127.0.0.1:{self.web}/"

    def open(self) -> Store:
        """The store that all of them work on, to look into."""
        return Store(self._folder / "data", exclusive=False, index_url=self._url)

    def _begin(self, readers: int) -> None:
        if self._workers:
            server = Server(durable=True)
            self._stack.callback(server.close)
            self._url = server.database()
        hashed = hash_password(PASSWORD)
        with contextlib.closing(self.open()) as store:
            for number in range(readers):
                store.add_user(f"reader{number}", f"Reader^{number}", hashed, ["reader"])
            store.add_user("admin", "Admin", hashed, ["administrator"])
        if not self._workers:
            self.port, self.web = self._start("node", ROLES)
            self._await(self.port)
            self._await(self.web)
        else:
            ports = [
                self._start(f"{role}{number}", (role,))
                for role in ROLES
                for number in range(self._workers)
            ]
            self._balance(ports)

    def _start(self, name: str, roles: tuple[str, ...]) -> tuple[int, int]:
        dicom = free_port() if "receive" in roles else 0
        web = free_port() if "web" in roles else 0
        settings = self._folder / f"{name}.toml"
        lines = {
            "data_folder": str(self._folder / "data"),
            "dimse_port": dicom,
            "http_port": web,
            "settle_seconds": SETTLE_SECONDS,
            # Reports wait until the archive is there and somebody says: now.
            "retry_first_seconds": 600.0,
            "requests_per_second": 100_000,
            "balancers": ["127.0.0.1"] if self._workers else [],
            "archive": "archive",
        } | ({"index_url": self._url, "roles": list(roles)} if self._workers else {})
        written = [f"{key} = {_toml(value)}" for key, value in lines.items()]
        written += ["[[peers]]", 'name = "archive"', 'ae_title = "ARCHIVE"', "commitment = false"]
        written.append(f"port = {self._archive}")
        settings.write_text("\n".join(written) + "\n")
        command = [sys.executable, "-m", "dicom_service", "--config", str(settings), "serve"]
        with (self._folder / f"{name}.log").open("wb") as log:
            process = subprocess.Popen([*command, "--no-viewer"], stdout=log, stderr=log)
        self._stack.callback(_stop, process)
        return dicom, web

    def _balance(self, ports: list[tuple[int, int]]) -> None:
        self.port, self.web = free_port(), free_port()
        dicom = [port for port, _ in ports if port]
        web = [port for _, port in ports if port]
        written = _BALANCER.format(
            dicom=self.port,
            web=self.web,
            nodes="\n".join(f"    server n{port} 127.0.0.1:{port}" for port in dicom),
            pages="\n".join(f"    server w{port} 127.0.0.1:{port}" for port in web),
        )
        settings = self._folder / "haproxy.cfg"
        settings.write_text(written)
        for port in (*dicom, *web):
            self._await(port)
        command = ["haproxy", "-db", "-f", str(settings)]
        self._stack.enter_context(started(command, self.port, self._folder))

    def _await(self, port: int) -> None:
        until = time.monotonic() + _START_SECONDS
        while not _listens(port):
            if time.monotonic() > until:
                raise RuntimeError(f"nothing listens at {port}; see the logs in {self._folder}")
            time.sleep(0.1)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _toml(value: object) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return f'"{value}"' if isinstance(value, str) else str(value)


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(30)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
