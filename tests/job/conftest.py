"""A whole clinic on loopback for one test, and a signed-in reader."""

import json
import subprocess
import time
from collections.abc import Callable, Iterator

import pytest

from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient
from tests.job.helpers import Orthanc, free_port, signed_in


@pytest.fixture
def clinic(tmp_path, request) -> Iterator[Clinic]:
    """A test may give more settings as the fixture's parameter."""
    options = {"settle_seconds": 0.5, "retry_first_seconds": 0.2} | getattr(request, "param", {})
    with Clinic(tmp_path, options=options) as clinic:
        yield clinic


@pytest.fixture
def reader(clinic) -> ReaderClient:
    return signed_in(clinic.service.store, clinic.service.address)


@pytest.fixture
def orthanc(tmp_path, program: Callable[[str], str]) -> Iterator[Callable[[int], Orthanc]]:
    """Starts an Orthanc that knows the node at the given DIMSE port."""
    running = []

    def start(node_port: int) -> Orthanc:
        executable = program("Orthanc")
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
        with (folder / "log").open("wb") as log:
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
