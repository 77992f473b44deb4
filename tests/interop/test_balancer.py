"""HAProxy, with the configuration that we ship, before two nodes."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from pydicom.uid import generate_uid
from pynetdicom import AE

from dicom_service.passwords import hash_password
from dicom_service.store import Store
from tests.certificates import write_certificate
from tests.node.conftest import CR, HANG_SECONDS, image, wait_for
from tests.peers import free_port, started

SHIPPED = Path(__file__).parent.parent.parent / "docs" / "deploy" / "haproxy.cfg"
PASSWORD = "correct horse battery"
CAMERA_ROOM = "127.0.0.7"

pytestmark = pytest.mark.peer


class OneNode:
    """`sesamoid serve` as a process of its own, with a data folder of its own."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder, self.dicom, self.web = folder / "data", free_port(), free_port()
        self.settings = folder / "sesamoid.toml"
        self.settings.write_text(
            f'data_folder = "{self.folder}"\ndimse_port = {self.dicom}\nhttp_port = {self.web}\n'
            'balancers = ["127.0.0.1"]\ntrusted_proxy = "127.0.0.1"\npeers_only = true\n'
            '[[peers]]\nname = "check"\nae_title = "HAPROXY"\nport = 1\n'
            f'[[peers]]\nname = "room"\nae_title = "CAMERA"\nport = 1\nhost = "{CAMERA_ROOM}"\n'
            '[[peers]]\nname = "sender"\nae_title = "STORESCU"\nport = 1\n'
        )
        with contextlib.closing(Store(self.folder)) as store:
            store.add_user("ida", "Ida", hash_password(PASSWORD), ["reader"])
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "dicom_service", "--config", str(self.settings), "serve"]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [*command, "--no-viewer"], stdout=log, stderr=subprocess.STDOUT
            )

    def stop(self, how: int = signal.SIGTERM) -> int:
        """Its exit status; the limit only ends a hang."""
        if self.process is None:
            return 0
        self.process.send_signal(how)
        status = self.process.wait(HANG_SECONDS)
        self.process = None
        return status

    def objects(self) -> dict[str, str]:
        """UID of each stored object -> who sent it."""
        with contextlib.closing(Store(self.folder, exclusive=False)) as store:
            studies = [row.study_uid for row in store.studies(limit=10_000)]
            found = [one for study in studies for one in store.instances(study)]
            return {one.sop_instance_uid: one.source for one in found}


class Balancer:
    """HAProxy before the nodes."""

    def __init__(self, folder: Path, nodes: list[OneNode]) -> None:
        self.dicom, self.web, self.control = free_port(), free_port(), folder / "control"
        certificate, key = write_certificate(folder)
        self.certificate = certificate
        (folder / "both.pem").write_bytes(certificate.read_bytes() + key.read_bytes())
        text = SHIPPED.read_text()
        for shipped, ours in (
            ("/run/haproxy/admin.sock", str(self.control)),
            ("bind :11112", f"bind 127.0.0.1:{self.dicom}"),
            ("bind :443", f"bind 127.0.0.1:{self.web}"),
            ("/etc/haproxy/sesamoid.pem", str(folder / "both.pem")),
            ("192.0.2.11:11113", f"127.0.0.1:{nodes[0].dicom}"),
            ("192.0.2.12:11113", f"127.0.0.1:{nodes[1].dicom}"),
            ("192.0.2.11:8480", f"127.0.0.1:{nodes[0].web}"),
            # Two embedded stores have two lists of sessions: the pages are of the first.
            ("192.0.2.12:8480", f"127.0.0.1:{nodes[0].web}"),
            ("inter 2s fall 2 rise 2", "inter 100ms fall 1 rise 1"),
        ):
            assert shipped in text
            text = text.replace(shipped, ours)
        self.settings = folder / "haproxy.cfg"
        self.settings.write_text(text)

    def say(self, command: str) -> str:
        """One command to the runtime API."""
        with socket.socket(socket.AF_UNIX) as control:
            control.connect(str(self.control))
            control.sendall(command.encode() + b"\n")
            return b"".join(iter(lambda: control.recv(65536), b"")).decode()

    def of(self, server: str) -> tuple[str, int]:
        """Status and number of connections of a server."""
        rows = [line.split(",") for line in self.say("show stat").splitlines()]
        row = next(row for row in rows if row[:2] == ["nodes", server])
        return row[rows[0].index("status")], int(row[rows[0].index("scur")])

    def until(self, server: str, status: str) -> None:
        """Wait until a server is up, down or drained."""
        wait_for(
            lambda: (
                self.of(server) == (status, 0) or (status == "UP" and self.of(server)[0] == status)
            )
        )


@pytest.fixture(scope="module")
def clinic(program, tmp_path_factory) -> Iterator[tuple[Balancer, list[OneNode]]]:
    folder = tmp_path_factory.mktemp("clinic")
    nodes = [OneNode(folder / name) for name in ("one", "two")]
    balancer = Balancer(folder, nodes)
    try:
        for node in nodes:
            node.start()
        command = [program("haproxy"), "-db", "-f", str(balancer.settings)]
        with started(command, balancer.dicom, folder):
            for name in ("one", "two"):
                balancer.until(name, "UP")
            yield balancer, nodes
    finally:
        for node in nodes:
            node.stop()


def camera(port: int, source: str):
    entity = AE("CAMERA")
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 10
    entity.add_requested_context(CR, "1.2.840.10008.1.2.1")
    return entity.associate("127.0.0.1", port, ae_title="SESAMOID", bind_address=(source, 0))


def test_calls_are_shared_and_each_node_knows_who_really_calls(clinic):
    balancer, nodes = clinic
    sent = [image() for _ in range(4)]
    for made in sent:
        association = camera(balancer.dicom, CAMERA_ROOM)
        assert association.send_c_store(made).Status == 0
        association.release()
    # Acknowledged from the journal, some may not yet be in the index that we look into.
    wait_for(lambda: sum(len(node.objects()) for node in nodes) == 4)
    held = [node.objects() for node in nodes]
    assert [len(objects) for objects in held] == [2, 2]
    assert set(held[0] | held[1]) == {made.SOPInstanceUID for made in sent}
    assert set((held[0] | held[1]).values()) == {f"CAMERA@{CAMERA_ROOM}"}
    assert camera(balancer.dicom, "127.0.0.8").is_rejected  # the title is known, the room is not


def test_pages_are_told_who_asks_and_not_by_the_one_who_asks(clinic):
    balancer, nodes = clinic
    claims = {"X-Forwarded-For": "203.0.113.5", "Forwarded": "for=203.0.113.5"}
    claims |= {"X-Forwarded-Proto": "http", "X-Forwarded-Host": "elsewhere.example"}
    address = f"https://127.0.0.1:{balancer.web}"
    with requests.Session() as browser:
        browser.trust_env = False
        browser.verify = str(balancer.certificate)
        browser.headers.update(claims | {"Origin": address})
        answer = browser.post(
            f"{address}/api/session", json={"user": "ida", "password": PASSWORD}, timeout=10
        )
        assert answer.status_code == 200, answer.text
        assert "Strict-Transport-Security" in answer.headers
        assert all(cookie.secure for cookie in browser.cookies)
        assert browser.get(f"{address}/api/session", timeout=10).json()["user"] == "ida"
        assert browser.get(f"{address}/metrics", timeout=10).status_code == 403
    with contextlib.closing(Store(nodes[0].folder, exclusive=False)) as store:
        assert store.audit_rows(text="signed in")[0].detail == "from 127.0.0.1"


class Sender(threading.Thread):
    """Sends new objects with storescu, each again until it is acknowledged."""

    def __init__(self, storescu: str, port: int, folder: Path) -> None:
        super().__init__()
        self._command = [storescu, "-aec", "SESAMOID", "127.0.0.1", str(port)]
        self._environment = os.environ | {"TCP_NODELAY": "1"}
        self._file, self._done = folder / f"{generate_uid()}.dcm", threading.Event()
        self.acknowledged: list[str] = []
        self.failed = 0

    def run(self) -> None:
        while not self._done.is_set():
            made = image()
            made.save_as(self._file, enforce_file_format=True)
            while self._send():
                self.failed += 1
                time.sleep(0.1)
            self.acknowledged.append(made.SOPInstanceUID)

    def _send(self) -> int:
        command = [*self._command, str(self._file)]
        return subprocess.run(
            command, capture_output=True, env=self._environment, timeout=60, check=False
        ).returncode

    def stop(self) -> None:
        self._done.set()
        self.join()


@pytest.mark.long
def test_a_node_restarted_under_load_fails_no_call_and_a_killed_one_loses_nothing(
    clinic, program, tmp_path
):
    balancer, nodes = clinic
    senders = [Sender(program("storescu"), balancer.dicom, tmp_path) for _ in range(2)]
    for sender in senders:
        sender.start()
    try:
        balancer.say("set server nodes/one state drain")
        balancer.until("one", "DRAIN")
        assert nodes[0].stop() == 0
        nodes[0].start()
        balancer.say("set server nodes/one state ready")
        balancer.until("one", "UP")
        assert [sender.failed for sender in senders] == [0, 0]
        restarted = [len(sender.acknowledged) for sender in senders]
        nodes[1].stop(signal.SIGKILL)
        wait_for(
            lambda: all(
                len(sender.acknowledged) >= before + 10
                for sender, before in zip(senders, restarted, strict=True)
            )
        )
    finally:
        for sender in senders:
            sender.stop()
    acknowledged = {uid for sender in senders for uid in sender.acknowledged}
    nodes[1].start()  # what it acknowledged last may be in its journal only
    balancer.until("two", "UP")
    for node in nodes:
        node.stop()
    held = [node.objects() for node in nodes]
    assert acknowledged <= held[0].keys() | held[1].keys()
    assert all(acknowledged & objects.keys() for objects in held)
