"""Archives that others have written, with what each is known to do and not to do."""

import json
from pathlib import Path

import pytest

from dicom_service.conformance import CHECKS

from .conftest import free_port, verdicts

pytestmark = pytest.mark.peer
ONE_SPECIES = tuple(c.id for c in CHECKS if not c.id.endswith(("-cat", "-horse")))
"""The others differ in their headers only, which our own archive's test compares."""


def test_dcmqrscp_stores_and_gives_back_and_commits_to_nothing(
    examine, started, program, tmp_path: Path, port
):
    peer_port = free_port()
    (tmp_path / "db").mkdir()
    config = tmp_path / "dcmqrscp.cfg"
    config.write_text(
        f"NetworkTCPPort = {peer_port}\nMaxPDUSize = 16384\nMaxAssociations = 16\n\n"
        f"HostTable BEGIN\nus = (SESAMOID, 127.0.0.1, {port})\nHostTable END\n\n"
        "VendorTable BEGIN\nVendorTable END\n\n"
        f"AETable BEGIN\nARCHIVE {tmp_path / 'db'} RW (200, 1024mb) ANY\nAETable END\n"
    )
    started([program("dcmqrscp"), "-c", str(config)], peer_port, tmp_path)
    results = examine(peer_port, only=ONE_SPECIES)
    assert verdicts(results, "FAIL") == set(), results
    assert {"commit-same", "commit-separate", "commit-unknown"} <= verdicts(results, "SKIP")
    assert {"wrong-title", "read-report", "find-report", "amendment", "move"} <= verdicts(
        results, "PASS"
    )


def test_orthanc_passes_what_it_offers(examine, started, program, tmp_path: Path, port):
    peer_port = free_port()
    config = tmp_path / "orthanc.json"
    values = {
        "StorageDirectory": str(tmp_path / "db"), "IndexDirectory": str(tmp_path / "db"),
        "DicomPort": peer_port, "DicomAet": "ARCHIVE", "HttpServerEnabled": False,
        "DicomCheckCalledAet": True, "DicomAlwaysAllowGet": True, "Plugins": [],
        "DicomModalities": {"us": {
            "AET": "SESAMOID", "Host": "127.0.0.1", "Port": port,
            "AllowStorageCommitment": True, "AllowGet": True, "AllowMove": True,
        }},
    }  # fmt: skip
    config.write_text(json.dumps(values))
    started([program("Orthanc"), str(config)], peer_port, tmp_path)
    results = examine(peer_port, only=ONE_SPECIES, report_seconds=8.0)
    assert verdicts(results, "FAIL") == set(), {
        name: results[name].got for name in verdicts(results, "FAIL")
    }
    assert {"wrong-title", "read-dog", "read-report", "commit-separate", "commit-unknown",
            "echo-in"} <= verdicts(results, "PASS")  # fmt: skip
