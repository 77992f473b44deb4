"""A good archive passes; each misbehaviour is found and named."""

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from pynetdicom import evt

from dicom_service.cli import main
from dicom_service.conformance import CHECKS
from dicom_service.conformance.compare import differences
from dicom_service.store import Store
from test_pacs.studies import small_study

from .conftest import verdicts

NOT_CONFIGURED = {"clock", "tls-1.2", "tls-1.3", "tls-old", "tls-stranger", "tls-plain",
                  "stow", "qido", "wado", "audit"}  # fmt: skip
COMMITMENT = {"commit-same", "commit-separate", "commit-unknown"}


def test_a_good_archive_fails_only_what_it_does_not_do(examine, archive):
    results = examine(archive.port)
    # It takes calls for any AE title, as many archives do out of the box.
    assert verdicts(results, "FAIL") == {"wrong-title"}
    assert verdicts(results, "SKIP") == NOT_CONFIGURED
    assert "SESAMOID-NOBODY" in results["wrong-title"].got
    assert set(results) == {check.id for check in CHECKS}
    kept = {str(dataset.PatientID) for dataset in archive.stored()}
    assert all(patient.startswith("SESAMOID-TEST-") for patient in kept)
    assert {str(d.SOPInstanceUID) for d in archive.stored()} == set(examine.run.kept)


STORED = ("echo-out", "store-dog", "read-dog")
FAULTS = [
    ("refuse_association", True, "echo-out", "refuses the association"),
    ("refuse_store", 0xA700, "store-dog", "out of resources (status 0xA700)"),
    ("forgets", True, "read-dog", "2 of 2 objects that it took are not there"),
    ("slow_seconds", 0.3, "store-cat", "answers slowly"),
    ("silent_commitment", True, "commit-same", "sent no report within"),
    ("commitment_for_another", True, "commit-same", "another transaction"),
    ("drop_at_store", 9, "store-dog", "ended the association"),
    ("drop_at_find", True, "find-report", "ended"),
    ("drop_at_retrieve", True, "get", "ended"),
    ("commitment_lies", True, "commit-same", "will not commit to 4 of 4 objects"),
]


@pytest.mark.parametrize(
    ("fault", "value", "check", "sentence"),
    [
        *FAULTS[::3],
        *(pytest.param(*f, marks=pytest.mark.long) for n, f in enumerate(FAULTS) if n % 3),
    ],
)
def test_a_fault_is_found_and_named(examine, archive, fault, value, check, sentence):
    setattr(archive.faults, fault, value)
    only = (*STORED, "store-report", *(COMMITMENT if check == "commit-same" else (check,)))
    # A busy machine is slow too: only the fault that is meant may be found.
    prompt = 0.25 if fault == "slow_seconds" else 60.0
    results = examine(archive.port, only=only, prompt_seconds=prompt)
    assert results[check].verdict == "FAIL"
    assert sentence in results[check].got
    assert results[check].ask
    if fault in ("silent_commitment", "commitment_lies"):
        assert verdicts(results, "FAIL") - {"wrong-title"} <= COMMITMENT


def test_reports_on_an_association_of_their_own_are_named_and_taken(examine, archive):
    archive.faults.commitment_separate = True
    results = examine(archive.port, only=("store-dog", "commit-same"))
    assert results["commit-same"].verdict == "PASS"
    assert "association of its own" in results["commit-same"].got


def test_an_archive_that_cannot_call_back_is_told_where_we_listen(examine, archive):
    archive.peers.clear()
    results = examine(archive.port, only=("store-dog", "commit-separate", "move"))
    assert {"commit-separate", "move"} <= verdicts(results, "FAIL")
    assert str(examine.run.port) in results["move"].ask


def test_a_peer_that_is_away_is_one_failure_and_the_rest_is_skipped(examine, port):
    results = examine(1)
    assert results["configuration"].verdict == "FAIL"
    assert verdicts(results, "FAIL") <= {"configuration", "echo-out"}
    assert results["store-dog"].verdict == "SKIP"


def test_a_changed_document_is_named_attribute_by_attribute(examine, archive, monkeypatch):
    keep = archive._keep

    def coerced(data, came_from):
        keep(data.replace(b"Invented Demo Clinic", b"Imported Demo Clinic"), came_from)

    monkeypatch.setattr(archive, "_keep", coerced)
    results = examine(archive.port, only=("store-report", "read-report"))
    assert results["read-report"].verdict == "FAIL"
    assert "Imported Demo Clinic" in results["read-report"].got


def test_nothing_but_our_own_objects_is_ever_asked_for(examine, archive):
    other = small_study()
    archive.put(*other)
    asked = []
    original = archive._handlers

    def watched():
        def note(event):
            asked.append(event.identifier)

        handlers = [(evt.EVT_PDU_RECV, lambda event: None), *original()]
        for kind in ("find", "move", "get"):
            name = f"_on_{kind}"
            inner = getattr(archive, name)

            def call(event, inner=inner):
                note(event)
                yield from inner(event)

            number = next(i for i, (_, h) in enumerate(handlers)
                          if getattr(h, "__name__", "") == name)  # fmt: skip
            handlers[number] = (handlers[number][0], call)
        return handlers

    archive._handlers = watched
    archive.restart()
    examine(archive.port, only=("store-cat", "read-cat", "store-report", "find-report",
                                "amendment", "get", "move"))  # fmt: skip
    ours = set(examine.run.kept)
    assert len(asked) > 5
    assert all(str(identifier.SOPInstanceUID) in ours for identifier in asked)
    assert str(other[0].SOPInstanceUID) not in examine.run.moved


def test_the_comparison_ignores_padding_and_sees_everything_else():
    (sent, *_), (came, *_) = small_study(seed="a"), small_study(seed="a")
    assert list(differences(sent, came)) == []
    came.PatientName = "Other^Name"
    came.PixelData = came.PixelData[:-2]
    del came.PatientBreedDescription, came.PatientBreedCodeSequence
    came.InstitutionName = "Elsewhere"
    words = " ".join(differences(sent, came))
    assert "PatientName became 'Other^Name'" in words
    assert "PixelData became" in words


# The command


def test_the_command_writes_every_form_and_the_audit_record(archive, port, tmp_path, capsys):
    Store(tmp_path / "data").close()
    peer = f"127.0.0.1:{archive.port}:ARCHIVE"
    command = ["--data", str(tmp_path / "data"), "conformance", peer, "--listen", str(port),
               "--json", "--junit", str(tmp_path / "r.xml"), "--html", str(tmp_path / "r.html"),
               "--report-seconds", "2"]  # fmt: skip
    assert main(command) == 1
    captured = capsys.readouterr()
    said = json.loads(captured.out)
    assert captured.err.startswith("[ 1/31] PASS")
    assert "delete the patients SESAMOID-TEST" in said["remains"]
    results = {r["id"]: r for r in said["results"]}
    assert results["audit"]["verdict"] == "PASS"
    suite = ElementTree.parse(tmp_path / "r.xml").getroot()
    assert suite.get("tests") == str(len(CHECKS))
    assert [c.get("name") for c in suite.iter("testcase") if c.find("failure") is not None] == [
        "wrong-title: Call for another AE title"
    ]
    page = Path(tmp_path / "r.html").read_text("utf-8")
    assert "{{" not in page
    assert not any(mark in page for mark in ("<script", "src=", "href=", "url(", "@import"))
    assert page.count("<article") == len(CHECKS)


@pytest.mark.parametrize("text", ["nobody", "host:x:AE", "host:104:", "host:104:" + "A" * 17])
def test_an_unknown_peer_is_a_sentence(text, tmp_path, capsys):
    assert main(["--data", str(tmp_path), "conformance", text]) == 1
    assert "is no peer of the settings" in capsys.readouterr().err
