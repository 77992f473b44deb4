"""The whole big set-up of docs/deploy as plain processes on this machine.

What `compose-group.yaml` says is run: each of our commands with the settings of `group.toml`, the
balancer with `haproxy.cfg`. Only addresses and folders are others; database and object store are
those of the tests.
"""

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import requests
import yaml

from tests.certificates import write_certificate
from tests.node.conftest import wait_for
from tests.object_store import KEY, SECRET, ObjectStore
from tests.peers import free_port

SHIPPED = Path(__file__).parent.parent.parent / "docs" / "deploy"
STARTS_WITHIN = 120.0
"""It only bounds a failure."""


def compose() -> dict[str, Any]:
    """The compose file."""
    return dict(yaml.safe_load((SHIPPED / "compose-group.yaml").read_text()))


class Process:
    """One of our services."""

    def __init__(self, command: list[str], environment: dict[str, str], log: Path) -> None:
        self.log = log
        self.dicom, self.web = free_port(), free_port()
        self.is_web = "web" in command
        more = ["--no-viewer"] if self.is_web else []
        self._command = [sys.executable, "-m", "dicom_service", *command, *more]
        ports = {"SESAMOID_DIMSE_PORT": str(self.dicom), "SESAMOID_HTTP_PORT": str(self.web)}
        self._environment = os.environ | environment | ports
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; `ready` waits."""
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                self._command, env=self._environment, stdout=log, stderr=subprocess.STDOUT
            )

    def ready(self) -> None:
        """Until it has said that it listens."""
        wait_for(self._listens, STARTS_WITHIN)

    def end(self, how: int = signal.SIGKILL) -> None:
        """As a power cut does, unless it is told otherwise."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(how)
            if how == signal.SIGTERM:  # and once more: nothing is to be waited for
                time.sleep(0.5)
                self.process.send_signal(how)
            self.process.wait(60)

    def _listens(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text(errors="replace")[-3000:]
        if self.is_web:
            with contextlib.suppress(requests.RequestException):
                ready = f"http://127.0.0.1:{self.web}/api/health/ready"
                return requests.get(ready, timeout=5).status_code == 200
            return False
        if "receive" in self._command:
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", self.dicom)) == 0
        return "listening:" in self.log.read_text(errors="replace")


class Group:
    """All services of the compose file.

    Parameters
    ----------
    folder
        For data folders, settings and logs.
    url
        Of the database.
    archive_port
        Of the archive that gets the reports.
    """

    def __init__(
        self, folder: Path, url: str, objects: ObjectStore, archive_port: int, haproxy: str
    ) -> None:
        self.folder, self._haproxy = folder, haproxy
        folder.mkdir(exist_ok=True)
        self.dicom, self.web = free_port(), free_port()
        self.certificate, key = write_certificate(folder)
        (folder / "sesamoid.pem").write_bytes(self.certificate.read_bytes() + key.read_bytes())
        (folder / "bucket-key").write_text(SECRET + "\n")
        self.prefix = objects.place().prefix
        self.settings = folder / "group.toml"
        self.settings.write_text(self._settings(url, objects, archive_port))
        self.services = compose()["services"]
        self.ours = {
            name: self._process(name, service)
            for name, service in self.services.items()
            if service["image"] == "sesamoid" and "profiles" not in service
        }
        self._balancer: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        """Of the pages, at the balancer."""
        return f"https://127.0.0.1:{self.web}/"

    def start(self) -> None:
        """Start all, and wait until they do their work."""
        first = next(iter(self.ours.values()))
        first.start()
        first.ready()  # it makes the tables; the others need not wait for each other then
        for one in self.ours.values():
            if one is not first:
                one.start()
        for one in self.ours.values():
            one.ready()
        self.start_balancer()

    def start_balancer(self) -> None:
        """Start HAProxy, until it has found those whom it calls."""
        targets = self.services["balancer"]["environment"]
        ports = {
            "DICOM_ONE": self.ours["receive-1"].dicom,
            "DICOM_TWO": self.ours["receive-2"].dicom,
            "WEB_ONE": self.ours["web-1"].web,
            "WEB_TWO": self.ours["web-2"].web,
        }
        assert set(targets) == {f"SESAMOID_{name}" for name in ports}
        given = {f"SESAMOID_{name}": f"127.0.0.1:{port}" for name, port in ports.items()}
        with (self.folder / "haproxy.log").open("ab") as log:
            self._balancer = subprocess.Popen(
                [self._haproxy, "-db", "-f", str(self._haproxy_settings())],
                env=os.environ | given, stdout=log, stderr=subprocess.STDOUT,
            )  # fmt: skip
        wait_for(self._balanced, STARTS_WITHIN)

    def kill_balancer(self) -> None:
        """As a power cut does."""
        assert self._balancer is not None
        self._balancer.kill()
        self._balancer.wait(20)

    def command(self, *words: str, name: str = "web-1") -> str:
        """One of our commands in the container of a service; what it prints."""
        environment = self._environment(name, self.services[name])
        done = subprocess.run(
            [sys.executable, "-m", "dicom_service", *words],
            env=os.environ | environment, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    def close(self, how: int = signal.SIGKILL) -> None:
        """End all."""
        if self._balancer is not None:
            self.kill_balancer()
        for one in self.ours.values():
            one.end(how)

    def _settings(self, url: str, objects: ObjectStore, archive_port: int) -> str:
        text = (SHIPPED / "group.toml").read_text()
        for shipped, ours in (
            ("postgresql://sesamoid@database/sesamoid", url),
            ("0.0.0.0", "127.0.0.1"),
            ("172.30.11.2", "127.0.0.1"),
            ("https://objects.example", objects.url),
            ("radiographs", objects.bucket),
            ('prefix = "sesamoid/"', f'prefix = "{self.prefix}"'),
            ('access_key = "sesamoid"', f'access_key = "{KEY}"'),
            ("/run/secrets/bucket-key", str(self.folder / "bucket-key")),
            ("archive.example", "127.0.0.1"),
            ("port = 104", f"port = {archive_port}\ncommitment = true"),
            ("drain_seconds = 30", "drain_seconds = 30\nsettle_seconds = 0.5\n"
             "retry_first_seconds = 0.2\nretry_longest_seconds = 1.0\nlease_seconds = 3.0\n"
             "peer_timeout_seconds = 1.0\ncommitment_seconds = 2.0"),
        ):  # fmt: skip
            assert shipped in text, shipped
            text = text.replace(shipped, ours)
        return text

    def _environment(self, name: str, service: dict[str, Any]) -> dict[str, str]:
        given = {key: str(value) for key, value in service["environment"].items()}
        assert given["SESAMOID_CONFIG"] == service["configs"][0]["target"]
        (volume,) = (line for line in service["volumes"] if line.endswith(":/data"))
        assert volume == f"{name}:{given['SESAMOID_DATA_FOLDER']}"
        del given["PGPASSWORD"]
        return given | {
            "SESAMOID_CONFIG": str(self.settings),
            "SESAMOID_DATA_FOLDER": str(self.folder / "data" / name),
        }

    def _process(self, name: str, service: dict[str, Any]) -> Process:
        environment = self._environment(name, service)
        return Process(service["command"], environment, self.folder / f"{name}.log")

    def _haproxy_settings(self) -> Path:
        text = (SHIPPED / "haproxy.cfg").read_text()
        for shipped, ours in (
            ("/run/haproxy/admin.sock", str(self.folder / "control")),
            ("bind :11112", f"bind 127.0.0.1:{self.dicom}"),
            ("bind :443", f"bind 127.0.0.1:{self.web}"),
            ("/etc/haproxy/sesamoid.pem", str(self.folder / "sesamoid.pem")),
            ("inter 2s fall 2 rise 2", "inter 200ms fall 1 rise 1"),
        ):
            assert shipped in text, shipped
            text = text.replace(shipped, ours)
        file = self.folder / "haproxy.cfg"
        file.write_text(text)
        return file

    def _balanced(self) -> bool:
        assert self._balancer is not None
        assert self._balancer.poll() is None, (self.folder / "haproxy.log").read_text()
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as control:
            control.connect(str(self.folder / "control"))
            control.sendall(b"show stat\n")
            said = b"".join(iter(lambda: control.recv(65536), b"")).decode()
            return len(re.findall(r"^(?:nodes|pages),(?:one|two),.*,UP,", said, re.M)) == 4
        return False
