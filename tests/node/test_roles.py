"""Receiving, preparing, sending and the web pages as processes of their own, over one index."""

import os
import re
import subprocess
import sys
from datetime import UTC, datetime

import pytest
import requests

from dicom_service.errors import SetupError
from dicom_service.review.model import Reading
from dicom_service.settings import Peer, load
from tests.node.conftest import image, wait_for


@pytest.fixture
def shared(postgres):
    url = postgres.database()
    yield url
    postgres.give_back(url)


def test_roles_apart_do_together_what_one_node_does(start, archive, shared, tmp_path):
    peer = Peer(name="archive", ae_title=archive.ae_title, port=archive.port, commitment=True)
    options = {"archive": "archive", "peers": (peer,), "index_url": shared}
    options |= {"folder": tmp_path / "shared", "settle_seconds": 0.3}
    receiver, settler, sender = (
        start(roles=(r,), **options) for r in ("receive", "settle", "send")
    )
    beside = start(roles=("settle",), **options)
    archive.peers["SESAMOID"] = ("127.0.0.1", receiver.port)
    archive.faults.commitment_separate = True
    studies = [f"1.2.{number}" for number in range(8)]
    assert {a.Status for a in receiver.send(*(image(study=study) for study in studies))} == {0}
    for study in studies:
        wait_for(lambda uid=study: receiver.store.study(uid).state == "waiting")
        receiver.store.save_reading(study, Reading(), expected=0, user="ida", at=datetime.now(UTC))
        receiver.sign(study)
    for study in studies:
        wait_for(lambda uid=study: receiver.delivery(uid)[0] == "committed")
    prepared = [study for node in (settler, beside) for study, _ in node.settled]
    assert sorted(prepared) == studies, "each once, by whichever was free"
    assert (receiver.settled, sender.settled, sender.port) == ([], [], 0)
    assert receiver.store.audit_verify().why == ""


def test_the_pages_alone_are_served_by_a_process_that_others_survive(start, shared, tmp_path):
    receiver = start(folder=tmp_path, roles=("receive",), index_url=shared)
    command = [sys.executable, "-m", "dicom_service", "--data", str(tmp_path / "node"), "serve"]
    command += ["--role", "web", "--no-viewer", "--http-port", "0"]
    served = subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env=os.environ | {"SESAMOID_INDEX_URL": shared}
    )
    try:
        said = served.stdout.readline()
        assert re.match(r"Web: +http", said), "and no DICOM port before it"
        ready = requests.get(said.split()[1] + "api/health/ready", timeout=10)
        assert (ready.status_code, ready.json()["status"]) == (200, "ready")
        assert receiver.send(image(study="1.2.3"))[0].Status == 0
    finally:
        served.kill()
        served.communicate()
    assert receiver.send(image(study="1.2.3"))[0].Status == 0
    assert receiver.store.study("1.2.3").images == 2


def test_roles_apart_without_an_index_that_they_share_are_refused():
    with pytest.raises(SetupError, match="index_url"):
        load(None, {}, roles=("receive", "web"))
    assert load(None, {"SESAMOID_ROLES": "web, send", "SESAMOID_INDEX_URL": "postgresql://x"}).roles
