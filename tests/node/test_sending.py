"""From the signature to the archive's commitment, with an archive that misbehaves."""

import gc
import os
import socket
import subprocess
import sys
from pathlib import Path

import pydicom
import pytest

from dicom_service.store.outbox import MOST_RESENDS
from test_pacs.archive import Archive
from tests.node.conftest import wait_for


def _delivered(node, study, state):
    wait_for(lambda: node.delivery(study)[0] == state)


@pytest.mark.parametrize("separate", [False, True])
def test_a_signed_report_is_sent_as_soon_as_it_is_signed_and_committed(
    delivering, archive, separate, monkeypatch
):
    # Nobody looks by themselves: the signature has to wake the sender.
    monkeypatch.setattr("dicom_service.node.turns._LONGEST_SLEEP", 3600.0)
    archive.faults.commitment_separate = separate
    node = delivering()
    study = node.ready_study()
    uid = node.sign(study)
    _delivered(node, study, "committed")
    (kept,) = archive.stored(study)
    assert kept.SOPInstanceUID == uid
    assert archive.commitments[-1].committed == [uid]
    # The archive notes it once its own answer has come, a moment after ours.
    expected = "separate" if separate else "same"
    wait_for(lambda: archive.commitments[-1].reported == expected)


def test_what_the_archive_keeps_is_what_was_signed(delivering, archive):
    node = delivering()
    study = node.ready_study()
    node.sign(study)
    _delivered(node, study, "committed")
    (document,) = node.store.documents(study)
    assert archive.stored(study)[0] == pydicom.dcmread(document.path)


def test_several_documents_go_over_one_association(delivering, archive):
    node = delivering()
    archive.faults.refuse_association = True
    studies = [node.ready_study() for _ in range(3)]
    for study in studies:
        node.sign(study)
        wait_for(lambda s=study: "refuses the association" in node.delivery(s)[1])
    archive.faults.refuse_association = False
    for study in studies:
        _delivered(node, study, "committed")
    assert len(archive.commitments) < len(studies) + 1


def test_without_commitment_sent_is_the_last_state(delivering, archive):
    node = delivering(commitment=False)
    study = node.ready_study()
    node.sign(study)
    _delivered(node, study, "sent")
    assert archive.commitments == []
    assert node.store.next_outbox_at(node.store.study(study).last_object_at) is None


def test_an_archive_that_is_away_gets_the_report_when_it_is_back(delivering, archive):
    node = delivering()
    study = node.ready_study()
    archive.stop()
    node.sign(study)
    wait_for(lambda: "cannot be reached" in node.delivery(study)[1])
    assert node.delivery(study)[0] == "owed"
    wait_for(lambda: node.store.outbox(study)[0].attempts >= 2)
    archive.start()
    _delivered(node, study, "committed")
    assert node.delivery(study)[1] == ""


def test_an_archive_whose_name_nobody_knows_gets_the_report_later(delivering, archive, monkeypatch):
    node = delivering()
    study = node.ready_study()

    def unknown(*_args, **_more):
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    with monkeypatch.context() as patch:
        patch.setattr(socket, "getaddrinfo", unknown)
        node.sign(study)
        wait_for(lambda: "knows no address of" in node.delivery(study)[1])
    assert node.delivery(study)[0] == "owed"
    _delivered(node, study, "committed")


def test_an_archive_out_of_resources_is_tried_again(delivering, archive):
    node = delivering()
    study = node.ready_study()
    archive.faults.refuse_store = 0xA700
    node.sign(study)
    wait_for(lambda: "out of resources (status 0xA700" in node.delivery(study)[1])
    assert node.delivery(study)[0] == "owed"
    archive.faults.refuse_store = 0
    _delivered(node, study, "committed")


@pytest.mark.parametrize("status", [0xA900, 0xC000, 0x0122])
def test_an_archive_that_refuses_ends_it_with_the_reason(delivering, archive, status):
    node = delivering()
    study = node.ready_study()
    archive.faults.refuse_store = status
    node.sign(study)
    _delivered(node, study, "refused")
    assert f"0x{status:04X}" in node.delivery(study)[1]
    assert node.store.audit_rows(study_uid=study)[0].event == "delivery refused"


def test_a_warning_counts_as_taken(delivering, archive):
    node = delivering(commitment=False)
    study = node.ready_study()
    archive.faults.refuse_store = 0xB000
    node.sign(study)
    _delivered(node, study, "sent")


def test_a_kind_of_document_that_the_archive_does_not_offer_is_refused(delivering, archive):
    node = delivering()
    study = node.ready_study()
    node.sign(study, sop_class="1.2.3.4.5")
    _delivered(node, study, "refused")
    assert "does not accept this kind" in node.delivery(study)[1]


def test_a_silent_commitment_is_asked_for_again_under_a_new_uid(delivering, archive, monkeypatch):
    monkeypatch.setattr("dicom_service.node.delivery._REPORT_SECONDS", 0.1)
    archive.faults.silent_commitment = True
    node = delivering(commitment_seconds=0.3)
    study = node.ready_study()
    node.sign(study)
    wait_for(lambda: len(archive.commitments) >= 2)
    assert node.delivery(study)[0] == "sent"
    archive.faults.silent_commitment = False
    _delivered(node, study, "committed")
    uids = [asked.transaction_uid for asked in archive.commitments]
    assert len(set(uids)) == len(uids)
    assert len(archive.stored(study)) == 1


def test_a_report_on_another_transaction_commits_nothing(delivering, archive):
    archive.faults.commitment_for_another = True
    node = delivering(commitment_seconds=0.3)
    study = node.ready_study()
    node.sign(study)
    wait_for(lambda: len(archive.commitments) >= 2)
    assert node.delivery(study)[0] == "sent"
    archive.faults.commitment_for_another = False
    _delivered(node, study, "committed")


def test_a_commitment_that_comes_late_still_counts(delivering, archive, monkeypatch):
    monkeypatch.setattr("dicom_service.node.delivery._REPORT_SECONDS", 0.1)
    archive.faults.slow_seconds = 0.5
    node = delivering(commitment_seconds=30.0)
    study = node.ready_study()
    node.sign(study)
    _delivered(node, study, "committed")
    wait_for(lambda: [asked.reported for asked in archive.commitments] == ["separate"])


def test_an_association_that_breaks_off_is_made_again(delivering, archive):
    archive.faults.drop_at_store = 1
    node = delivering()
    study = node.ready_study()
    uid = node.sign(study)
    _delivered(node, study, "committed")
    assert [kept.SOPInstanceUID for kept in archive.stored(study)] == [uid]


def test_an_archive_that_forgot_the_report_gets_it_again(delivering, archive):
    archive.faults.forgets = True
    node = delivering()
    study = node.ready_study()
    node.sign(study)
    wait_for(lambda: "does not keep it (no such object" in node.delivery(study)[1])
    archive.faults.forgets = False
    _delivered(node, study, "committed")
    assert len(archive.stored(study)) == 1


def test_an_archive_that_always_denies_ends_as_refused(delivering, archive):
    archive.faults.commitment_lies = True
    node = delivering(retry_first_seconds=0.01)
    study = node.ready_study()
    node.sign(study)
    _delivered(node, study, "refused")
    assert f"Sent {MOST_RESENDS + 1} times" in node.delivery(study)[1]


def test_without_an_archive_the_report_waits_and_goes_when_one_is_set(
    start, delivering, archive, tmp_path
):
    folder = tmp_path / "same"
    folder.mkdir()
    node = start(folder=folder)
    study = node.ready_study()
    node.sign(study)
    assert node.delivery(study) == ("owed", node.store.outbox(study)[0].error)
    assert "No archive is set" in node.delivery(study)[1]
    node.stop()
    again = delivering(folder=folder)
    _delivered(again, study, "committed")


def test_a_destination_that_was_taken_out_of_the_settings_is_named(start, delivering, tmp_path):
    folder = tmp_path / "same"
    folder.mkdir()
    node = delivering(folder=folder, retry_first_seconds=30, retry_longest_seconds=30)
    study = node.ready_study()
    node.node.stop()
    node.sign(study)
    node.stop()
    again = start(folder=folder)
    wait_for(lambda: "'archive'" in again.delivery(study)[1])
    assert again.delivery(study)[0] == "owed"


NODE = """
import sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from dicom_service.node import Node
from dicom_service.settings import Peer, Settings
from dicom_service.store import Store
store = Store(Path(sys.argv[1]))
store.sweep()
peer = Peer(name="archive", ae_title="ARCHIVE", port=int(sys.argv[2]))
options = dict(archive="archive", peers=(peer,), retry_first_seconds=0.1)
node = Node(Settings(dimse_port=0, **options), store, lambda study: None)
node.start()
time.sleep(20)
"""


# The killed process resets its connection, on which the archive's library forgets a socket.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("fault", ["send.stored", "send.recorded", "commit.received"])
def test_kill_9_on_the_way_to_the_archive_loses_nothing(
    start, delivering, archive: Archive, tmp_path, fault
):
    folder = tmp_path / "same"
    folder.mkdir()
    node = start(folder=folder)
    study = node.ready_study()
    node.sign(study)
    node.stop()
    command = [sys.executable, "-c", NODE, str(folder / "node"), str(archive.port)]
    run = subprocess.run(
        [*command, str(Path(__file__).parents[2])],
        env=os.environ | {"SESAMOID_FAULT": fault},
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert run.returncode == -9, run.stderr
    assert len(archive.stored(study)) == 1
    gc.collect()
    again = delivering(folder=folder)
    assert again.delivery(study)[0] in ("owed", "sent")
    _delivered(again, study, "committed")
    assert len(archive.stored(study)) == 1
