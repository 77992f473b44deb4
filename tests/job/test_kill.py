"""kill -9 at each named point of the node: nothing acknowledged, saved or signed is lost.

The node runs as a process of its own with SESAMOID_FAULT set, dies there, is started again
without it, and must finish the job.
"""

import contextlib
import time

import pytest

from dicom_service.review.model import Reading
from test_pacs.archive import Archive
from test_pacs.reader import ReaderClient, RequestRefused
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.job.helpers import PASSWORD, read_and_save
from tests.job.node_process import NodeProcess


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
        pytest.param("accept.committed:2", 0, marks=pytest.mark.long),
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
