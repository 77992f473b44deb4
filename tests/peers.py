"""Archives that others have written, started for one test."""

import contextlib
import json
import random
import socket
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

TITLE = "ARCHIVE"
Program = Callable[[str], str]


class OutsideArchive(NamedTuple):
    """Where a peer listens; `http` is 0 where it has no web side."""

    port: int
    http: int = 0
    ae_title: str = TITLE

    def instances(self) -> list[str]:
        """Orthanc's own names of what it holds."""
        with urllib.request.urlopen(f"{self._web}/instances", timeout=10) as answer:
            return list(json.loads(answer.read()))

    def file(self, instance: str) -> bytes:
        with urllib.request.urlopen(f"{self._web}/instances/{instance}/file", timeout=10) as answer:
            return bytes(answer.read())

    @property
    def _web(self) -> str:
        return f"http://127.0.0.1:{self.http}"


def free_port() -> int:
    """A port for a program that is about to start."""
    return free_ports(1)[0]


def free_ports(count: int) -> list[int]:
    """So many different ones.

    Below those that the system gives to connections: of these one of another test's may have it by
    then. Not from a seed, which tests at once may share.
    """
    chosen, found = random.SystemRandom(), list[int]()
    while len(found) < count:
        port = chosen.randrange(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            found += [port] * (port not in found)
    return found


@contextlib.contextmanager
def started(command: list[str], port: int, folder: Path) -> Iterator[None]:
    """A program that is up when its port answers, and down at the end."""
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)
    try:
        deadline = time.monotonic() + 30
        while not _answers(port):
            said = (folder / "log").read_text(errors="replace")
            if process.poll() is not None or time.monotonic() > deadline:
                pytest.fail(f"{command[0]} did not start: {said}")
            time.sleep(0.1)
        yield
    finally:
        process.terminate()
        process.wait(20)


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@contextlib.contextmanager
def dcmqrscp(program: Program, folder: Path, our_port: int) -> Iterator[OutsideArchive]:
    """DCMTK's archive; it sends to SESAMOID at `our_port` what it is asked to move."""
    port = free_port()
    (folder / "db").mkdir(parents=True)
    config = folder / "dcmqrscp.cfg"
    config.write_text(
        f"NetworkTCPPort = {port}\nMaxPDUSize = 16384\nMaxAssociations = 16\n\n"
        f"HostTable BEGIN\nus = (SESAMOID, 127.0.0.1, {our_port})\nHostTable END\n\n"
        "VendorTable BEGIN\nVendorTable END\n\n"
        f"AETable BEGIN\n{TITLE} {folder / 'db'} RW (200, 1024mb) ANY\nAETable END\n"
    )
    with started([program("dcmqrscp"), "-c", str(config)], port, folder):
        yield OutsideArchive(port)


@contextlib.contextmanager
def orthanc(program: Program, folder: Path, our_port: int) -> Iterator[OutsideArchive]:
    """Orthanc, which knows SESAMOID at `our_port`."""
    port, http = free_port(), free_port()
    folder.mkdir(exist_ok=True)
    us = {
        "AET": "SESAMOID", "Host": "127.0.0.1", "Port": our_port,
        "AllowStorageCommitment": True, "AllowGet": True, "AllowMove": True,
    }  # fmt: skip
    values = {
        "Name": "test archive", "DicomAet": TITLE, "DicomPort": port, "HttpPort": http,
        "RemoteAccessAllowed": False, "AuthenticationEnabled": False, "Plugins": [],
        "StorageDirectory": str(folder / "db"), "IndexDirectory": str(folder / "db"),
        "DicomCheckCalledAet": True, "DicomAlwaysAllowGet": True, "DicomModalities": {"us": us},
    }  # fmt: skip
    config = folder / "orthanc.json"
    config.write_text(json.dumps(values))
    with started([program("Orthanc"), str(config)], port, folder):
        yield OutsideArchive(port, http)
