"""A new process takes over the data folder of an old one: what callers see meanwhile."""

import contextlib
import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import requests
from pynetdicom import AE

from dicom_service.store import Store
from tests.node.conftest import CR, image, wait_for
from tests.peers import free_port

pytestmark = pytest.mark.long
EXPLICIT = "1.2.840.10008.1.2.1"


class Nodes:
    """Processes on one folder and one pair of ports."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.dicom, self.web = folder / "data", free_port(), free_port()
        self.log = folder / "log"
        self.settings = folder / "sesamoid.toml"
        self.settings.write_text(
            f'data_folder = "{self.folder}"\ndimse_port = {self.dicom}\nhttp_port = {self.web}\n'
            'drain_seconds = 300\nlog_format = "json"\nsettle_seconds = 600\n'
        )

    def begin(self) -> "subprocess.Popen[bytes]":
        command = [sys.executable, "-m", "dicom_service", "--config", str(self.settings)]
        with self.log.open("ab") as log:
            return subprocess.Popen(
                [*command, "serve", "--no-viewer"], stdout=subprocess.DEVNULL, stderr=log
            )

    def ready(self) -> int:
        with contextlib.suppress(requests.RequestException):
            address = f"http://127.0.0.1:{self.web}/api/health/ready"
            return requests.get(address, timeout=5).status_code
        return 0

    def until(self, status: int) -> None:
        """Wait for this status of readiness."""
        wait_for(lambda: self.ready() == status)

    def call(self):
        entity = AE("CAMERA")
        entity.add_requested_context(CR, EXPLICIT)
        return entity.associate("127.0.0.1", self.dicom, ae_title="SESAMOID")


@pytest.fixture
def nodes(tmp_path):
    return Nodes(tmp_path)


def test_a_node_that_is_to_stop_lets_nobody_new_in_finishes_and_leaves_the_folder_to_the_next(
    nodes,
):
    old = nodes.begin()
    second = None
    try:
        nodes.until(200)
        sent = [image(), image(), image()]
        camera = nodes.call()
        assert camera.send_c_store(sent[0]).Status == 0
        old.send_signal(signal.SIGTERM)
        nodes.until(503)  # a balancer takes it out
        assert camera.send_c_store(sent[1]).Status == 0  # what is open goes on
        stranger = nodes.call()
        assert stranger.is_rejected
        rejected = stranger.acceptor.primitive
        assert (rejected.result, rejected.result_source, rejected.diagnostic) == (2, 3, 1)
        second = nodes.begin()  # cannot have the folder yet, and says so
        assert second.wait(60) == 1
        assert requests.get(f"http://127.0.0.1:{nodes.web}/login", timeout=5).status_code == 200
        camera.release()
        old.send_signal(signal.SIGTERM)  # everything is done: no need to wait for the rest
        assert old.wait(60) == 0
        second = nodes.begin()
        nodes.until(200)
        camera = nodes.call()
        assert camera.send_c_store(sent[2]).Status == 0
        assert camera.send_c_store(sent[1]).Status == 0  # known to the new one
        camera.release()
        second.send_signal(signal.SIGTERM)
        second.send_signal(signal.SIGINT)
        assert second.wait(60) == 0
    finally:
        for process in (old, second):
            if process is not None and process.poll() is None:
                process.kill()
                process.wait()
    with contextlib.closing(Store(nodes.folder, exclusive=False)) as store:
        kept = {
            one.sop_instance_uid
            for row in store.studies()
            for one in store.instances(row.study_uid)
        }
    assert kept == {str(one.SOPInstanceUID) for one in sent}
    lines = [line for line in nodes.log.read_text().splitlines() if line.startswith("{")]
    assert all({"time", "level", "message"} <= json.loads(line).keys() for line in lines)
    assert any("about to stop" in line for line in lines)
