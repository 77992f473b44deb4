"""The receivers that are compared: each a process that listens on a free port and is stopped."""

import json
import os
import re
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

from tests.peers import free_port

ROOT = Path(__file__).parents[2]


class Kind(NamedTuple):
    """A way of receiving: `durable` means on the disk before the answer."""

    name: str
    command: tuple[str, ...]
    durable: bool = False


DCMTK = "/usr/bin/storescp"
NODE = Kind(
    "this node",
    (
        sys.executable,
        *("-m", "dicom_service", "--config", "{folder}/node.toml", "serve", "--no-viewer"),
    ),
    durable=True,
)
KINDS = (
    NODE,
    Kind("storescp", (DCMTK, "-od", "{folder}/in", "{port}")),
    Kind("storescp +B", (DCMTK, "+B", "-od", "{folder}/in", "{port}")),
    Kind(
        "storescp +B -pdu 131072", (DCMTK, "+B", "-pdu", "131072", "-od", "{folder}/in", "{port}")
    ),
    Kind("storescp --fork", (DCMTK, "--fork", "-od", "{folder}/in", "{port}")),
    Kind(
        "pynetdicom storescp",
        (sys.executable, "-m", "pynetdicom", "storescp", "-od", "{folder}/in", "{port}"),
    ),
    Kind("orthanc", ("/usr/sbin/Orthanc", "{folder}/orthanc.json"), durable=True),
)


class Receiver:
    """A running receiver in a folder of its own."""

    def __init__(self, kind: Kind, folder: Path, no_delay: bool) -> None:
        self.kind = kind
        self.port = free_port()
        (folder / "in").mkdir(parents=True)
        (folder / "node.toml").write_text(
            f'data_folder = "{folder / "data"}"\ndimse_port = {self.port}\nhttp_port = 0\n'
            "settle_seconds = 3600\n"
        )
        (folder / "orthanc.json").write_text(json.dumps(self._orthanc(folder)))
        command = [part.format(folder=folder, port=self.port) for part in kind.command]
        # DCMTK sets TCP_NODELAY on its sockets when this variable says so.
        environment = os.environ | {
            "TCP_NODELAY": "1" if no_delay else "0",
            "PYTHONPATH": str(ROOT),
        }
        with (folder / "log").open("wb") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log, env=environment)
        self._wait(folder / "log")

    def _orthanc(self, folder: Path) -> dict[str, object]:
        return {
            "DicomAet": "SESAMOID",
            "DicomPort": self.port,
            "HttpPort": free_port(),
            "StorageDirectory": str(folder / "db"),
            "IndexDirectory": str(folder / "db"),
            "SyncStorageArea": True,
            "DicomAlwaysAllowStore": True,
            "DicomScpTimeout": 60,
            "Plugins": [],
        }

    def _wait(self, log: Path) -> None:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                time.sleep(0.3)  # a receiver that serves one after the other is done with us
                return
            except OSError:
                time.sleep(0.05)
        raise RuntimeError(f"{self.kind.name} does not listen: {log.read_text()[-500:]}")

    def peak_mib(self) -> float:
        """Largest resident size so far."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        found = re.search(r"VmHWM:\s+(\d+)", status)
        return int(found[1]) / 1024 if found else 0.0

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
