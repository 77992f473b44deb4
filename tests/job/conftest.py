"""A whole clinic on loopback for one test, and a signed-in reader."""

import json
import socket
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading, Template
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient, normal_reading, with_finding

USER, PASSWORD = "ida", "a long enough password"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def clinic(tmp_path) -> Iterator[Clinic]:
    with Clinic(tmp_path, options={"settle_seconds": 0.5, "retry_first_seconds": 0.2}) as clinic:
        yield clinic


@pytest.fixture
def reader(clinic) -> ReaderClient:
    return signed_in(clinic.service.store, clinic.service.address)


def signed_in(store, address) -> ReaderClient:
    store.add_user(USER, "Vreeland^Ida^^Dr", hash_password(PASSWORD), ["reader"])
    client = ReaderClient(address)
    client.sign_in(USER, PASSWORD)
    return client


def read_and_save(client: ReaderClient, study_uid: str, *, finding: str = "") -> int:
    """A complete reading, saved; with a measured fracture line where `finding` names a structure."""
    opened = client.open(study_uid)
    template = Template.model_validate(opened["template"])
    reading = normal_reading(template, Reading.model_validate(opened["reading"]))
    if finding:
        reading = with_finding(
            template,
            reading,
            finding,
            ["fracture_line"],
            points=[(60.0, 60.0), (60.0, 90.0)],
            impression="Fracture.",
        )
    saved = client.save(study_uid, opened["version"], reading)
    assert [gap for gap in saved["gaps"] if gap["blocking"]] == []
    return int(saved["version"])


class Orthanc(NamedTuple):
    ae_title: str
    port: int
    http: str

    def instances(self) -> list[str]:
        with urllib.request.urlopen(f"{self.http}/instances", timeout=10) as answer:
            return list(json.loads(answer.read()))

    def file(self, instance: str) -> bytes:
        with urllib.request.urlopen(f"{self.http}/instances/{instance}/file", timeout=10) as answer:
            return bytes(answer.read())


@pytest.fixture
def orthanc(tmp_path, program: Callable[[str], str]) -> Iterator[Callable[[int], Orthanc]]:
    """Starts an Orthanc that knows the node at the given DIMSE port."""
    running = []

    def start(node_port: int) -> Orthanc:
        executable = program("Orthanc") if Path("/usr/bin/Orthanc").exists() else "/usr/sbin/Orthanc"
        port, http = free_port(), free_port()
        folder = tmp_path / "orthanc"
        folder.mkdir()
        config = folder / "orthanc.json"
        config.write_text(
            json.dumps(
                {
                    "Name": "test archive",
                    "DicomAet": "ORTHANC",
                    "DicomPort": port,
                    "HttpPort": http,
                    "RemoteAccessAllowed": False,
                    "AuthenticationEnabled": False,
                    "StorageDirectory": str(folder / "db"),
                    "IndexDirectory": str(folder / "db"),
                    "Plugins": [],
                    "DicomModalities": {"node": ["SESAMOID", "127.0.0.1", node_port]},
                }
            )
        )
        log = (folder / "log").open("wb")
        running.append(subprocess.Popen([executable, str(config)], stdout=log, stderr=log))
        archive = Orthanc("ORTHANC", port, f"http://127.0.0.1:{http}")
        deadline = time.monotonic() + 30
        while True:
            try:
                archive.instances()
                return archive
            except OSError:
                assert time.monotonic() < deadline, (folder / "log").read_text()
                time.sleep(0.1)

    yield start
    for process in running:
        process.terminate()
        process.wait(10)
