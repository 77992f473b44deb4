"""Archives that others have written, with what each is known to do and not to do."""

from pathlib import Path

import pytest

from dicom_service.conformance import CHECKS
from tests.peers import dcmqrscp, orthanc

from .conftest import verdicts

pytestmark = pytest.mark.peer
ONE_SPECIES = tuple(c.id for c in CHECKS if not c.id.endswith(("-cat", "-horse")))
"""The others differ in their headers only, which our own archive's test compares."""


def test_dcmqrscp_stores_and_gives_back_and_commits_to_nothing(
    examine, program, tmp_path: Path, port
):
    with dcmqrscp(program, tmp_path, port) as peer:
        results = examine(peer.port, only=ONE_SPECIES)
    assert verdicts(results, "FAIL") == set(), results
    assert {"commit-same", "commit-separate", "commit-unknown"} <= verdicts(results, "SKIP")
    assert {"wrong-title", "read-report", "find-report", "amendment", "move"} <= verdicts(
        results, "PASS"
    )


def test_orthanc_passes_what_it_offers(examine, program, tmp_path: Path, port):
    with orthanc(program, tmp_path, port) as peer:
        results = examine(peer.port, only=ONE_SPECIES, report_seconds=8.0)
    assert verdicts(results, "FAIL") == set(), {
        name: results[name].got for name in verdicts(results, "FAIL")
    }
    assert {"wrong-title", "read-dog", "read-report", "commit-separate", "commit-unknown",
            "echo-in"} <= verdicts(results, "PASS")  # fmt: skip
