"""kill -9 at each named point of the node: nothing acknowledged, saved or signed is lost.

The node runs as a process of its own with SESAMOID_FAULT set, dies there, is started again
without it, and must finish the job.
"""

import contextlib
import os
import re
import signal
import subprocess
import sys
import time

import pytest

from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading
from dicom_service.store import Store
from test_pacs.archive import Archive
from test_pacs.reader import ReaderClient, RequestRefused
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.job.helpers import PASSWORD, USER, read_and_save


class NodeProcess:
    """`sesamoid serve` as a process that can be killed."""

    def __init__(self, folder, archive_port: int) -> None:
        self.folder = folder
        self.config = folder / "node.toml"
        self.config.write_text(
            f'data_folder = "{folder / "data"}"\ndimse_port = 0\nhttp_port = 0\n'
            "settle_seconds = 0.5\nretry_first_seconds = 0.2\ncommitment_seconds = 5\n"
            'archive = "archive"\n[[peers]]\nname = "archive"\nae_title = "ARCHIVE"\n'
            f"port = {archive_port}\n"
        )
        store = Store(folder / "data")
        store.add_user(USER, "Vreeland^Ida^^Dr", hash_password(PASSWORD), ["reader"])
        store.close()
        self.process: subprocess.Popen[str] | None = None

    def start(self, fault: str = "") -> ReaderClient:
        command = [sys.executable, "-m", "dicom_service"]
        environment = os.environ | {"SESAMOID_FAULT": fault, "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            [*command, "--config", str(self.config), "serve", "--no-viewer"],
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )
        said = ""
        while "Web:" not in said:
            line = self.process.stdout.readline()
            assert line, f"the node did not start: {said}"
            said += line
        self.dimse_port = int(re.search(r"SESAMOID at [\d.]+:(\d+)", said)[1])
        client = ReaderClient(re.search(r"http://\S+", said)[0])
        client.sign_in(USER, PASSWORD)
        return client

    def died(self, seconds: float = 20) -> bool:
        try:
            killed = self.process.wait(seconds) == -signal.SIGKILL
        except subprocess.TimeoutExpired:
            return False
        self.process.stdout.close()
        return killed

    def stop(self) -> None:
        if self.process and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)
        if self.process:
            self.process.stdout.close()


@pytest.fixture
def archive(tmp_path):
    archive = Archive(tmp_path / "archive")
    archive.start()
    yield archive
    archive.stop()


@pytest.fixture
def node(tmp_path, archive):
    node = NodeProcess(tmp_path, archive.port)
    yield node
    node.stop()


def _finish(node: NodeProcess, archive: Archive, client: ReaderClient, uid: str) -> None:
    """Read, sign and deliver; the archive ends up with exactly one report."""
    client.wait_for(uid, "waiting", "reading", "signed")
    if client.open(uid)["state"] != "signed":
        client.sign(uid, read_and_save(client, uid), PASSWORD)
    row = client.wait_for(uid, "committed", "refused")
    assert row["delivery"] == "committed", row
    assert len({d.SOPInstanceUID for d in archive.stored(uid) if d.Modality == "SR"}) == 1


@pytest.mark.parametrize(
    ("fault", "journal"),
    [
        ("accept.committed:2", 0),
        ("journal.placed", 1),
    ],
)
def test_killed_while_receiving(node, archive, monkeypatch, fault, journal):
    monkeypatch.setenv("SESAMOID_JOURNAL_BELOW_KB", str(1024 * journal))
    images = small_study()
    uid = str(images[0].StudyInstanceUID)
    node.start(fault)
    with contextlib.suppress(ConnectionError):  # the sender sees the connection break
        send(images, node.dimse_port, "SESAMOID")
    assert node.died()
    client = node.start()
    send(images, node.dimse_port, "SESAMOID")  # and sends again, as senders do
    _finish(node, archive, client, uid)


def test_killed_between_acknowledgement_and_template(node, archive):
    images = small_study()
    uid = str(images[0].StudyInstanceUID)
    node.start()
    send(images, node.dimse_port, "SESAMOID")
    node.process.kill()
    assert node.died()
    client = node.start()
    _finish(node, archive, client, uid)
    assert len(client.open(uid)["facts"]["images"]) == len(images)


@pytest.mark.long  # tests/hostile kills the store there in every run
@pytest.mark.parametrize("fault", ["save.before", "save.committed"])
def test_killed_while_saving(node, archive, fault):
    images = small_study()
    uid = str(images[0].StudyInstanceUID)
    client = node.start(f"{fault}:2")
    send(images, node.dimse_port, "SESAMOID")
    client.wait_for(uid, "waiting")
    opened = client.open(uid)
    reading = Reading.model_validate(opened["reading"])
    first = reading.model_copy(update={"impression": "saved before the kill"})
    version = client.save(uid, opened["version"], first)["version"]
    second = reading.model_copy(update={"impression": "not answered"})
    with pytest.raises((OSError, RequestRefused)):
        client.save(uid, version, second)
    assert node.died()
    client = node.start()
    kept = client.open(uid)["reading"]["impression"]
    assert kept == ("saved before the kill" if fault == "save.before" else "not answered")
    _finish(node, archive, client, uid)


@pytest.mark.long
@pytest.mark.parametrize(
    "fault", ["sign.blobs", "sign.committed", "send.stored", "send.recorded", "commit.received"]
)
def test_killed_between_signature_and_commitment(node, archive, fault):
    images = small_study()
    uid = str(images[0].StudyInstanceUID)
    client = node.start(fault)
    send(images, node.dimse_port, "SESAMOID")
    client.wait_for(uid, "waiting")
    version = read_and_save(client, uid)
    with contextlib.suppress(OSError):  # the answer to the signature may be lost with the node
        client.sign(uid, version, PASSWORD)
    assert node.died()
    deadline = time.monotonic() + 60
    client = node.start()
    _finish(node, archive, client, uid)
    assert time.monotonic() < deadline
