"""Two objects under one UID: kept apart, compared, and decided about by a person."""

from datetime import UTC, datetime

import pytest
from pydicom.uid import generate_uid

from dicom_service.cli import main
from dicom_service.errors import NotFound, NotReady, Refused
from dicom_service.node.conflicts import conflict, copy_header
from dicom_service.review.model import Reading
from dicom_service.store import Store
from tests.node.conftest import image, wait_for

NOW = datetime(2026, 1, 2, tzinfo=UTC)


@pytest.fixture
def two(running):
    """A node that was sent the same UID twice, with other pixels and another name."""
    first = image()
    assert running.send(first)[0].Status == 0
    second = image(
        SOPInstanceUID=first.SOPInstanceUID,
        StudyInstanceUID=first.StudyInstanceUID,
        SeriesInstanceUID=first.SeriesInstanceUID,
        PatientName="Vreeland^Max",
        ImageComments="",
    )
    second.PixelData = bytes(len(first.PixelData))
    second.file_meta.MediaStorageSOPInstanceUID = first.SOPInstanceUID
    assert running.send(second)[0].Status == 0x0111
    study = str(first.StudyInstanceUID)
    wait_for(lambda: running.store.study(study).state == "waiting")
    return running, first, second


def _stored(node, made):
    (found,) = node.store.instances(made.StudyInstanceUID)
    return found


def _decide(node, decision, **options):
    (copy,) = node.store.quarantined()
    header = copy_header(copy.path) if decision == "replace" else None
    values = {"header": header, "user": "ada", "at": NOW} | options
    node.store.decide_quarantined(copy.id, decision, **values)


def test_the_comparison_names_every_attribute_that_differs(two):
    node, first, _ = two
    (copy,) = node.store.quarantined(undecided=True)
    found = {d.name: d for d in conflict(node.store, copy.id).differences}
    assert set(found) == {"PatientName", "ImageComments", "PixelData"}
    assert (found["PatientName"].first, found["PatientName"].second) == (
        "Vreeland^Rex",
        "Vreeland^Max",
    )
    assert found["ImageComments"].first == "(not there)"
    assert "SHA-256" in found["PixelData"].second
    assert copy.source == "CAMERA@127.0.0.1"
    assert _stored(node, first).patient_name == "Vreeland^Rex"


def test_keep_leaves_both_and_asks_no_more(two):
    node, first, second = two
    _decide(node, "keep", reason="the first is right")
    assert node.store.quarantined(undecided=True) == []
    (copy,) = node.store.quarantined()
    assert (copy.decision, copy.decided_by, copy.reason) == ("keep", "ada", "the first is right")
    assert _stored(node, first).path.read_bytes().endswith(first.PixelData)
    assert node.send(second)[0].Status == 0x0111
    assert node.store.quarantined(undecided=True) == []
    assert node.store.audit_rows()[0].event != "different bytes"


def test_replace_swaps_the_two_and_the_study_is_prepared_again(two):
    node, first, second = two
    study = str(first.StudyInstanceUID)
    before = node.store.study(study).template_revision
    _decide(node, "replace")
    node.node.arrived()
    assert _stored(node, first).path.read_bytes().endswith(second.PixelData)
    assert _stored(node, first).patient_name == "Vreeland^Max"
    (copy,) = node.store.quarantined()
    assert copy.path.read_bytes().endswith(first.PixelData)
    wait_for(lambda: node.store.study(study).template_revision == before + 1)
    assert node.store.study(study).images == 1
    assert node.send(second)[0].Status == 0
    assert node.send(first)[0].Status == 0x0111
    _decide(node, "replace")  # and back again
    assert _stored(node, first).path.read_bytes().endswith(first.PixelData)


def test_replacing_keeps_a_draft_and_says_that_the_images_changed(two):
    node, first, _ = two
    study = str(first.StudyInstanceUID)
    node.store.save_reading(study, Reading(impression="mine"), expected=0, user="ida", at=NOW)
    before = node.store.study(study).template_revision
    _decide(node, "replace")
    node.node.arrived()
    wait_for(lambda: node.store.study(study).template_revision == before + 1)
    assert node.store.reading(study)[1].impression == "mine"


def test_discard_deletes_the_copy_only(two):
    node, first, second = two
    (copy,) = node.store.quarantined()
    _decide(node, "discard")
    assert node.store.quarantined() == []
    assert not copy.path.exists()
    assert _stored(node, first).path.exists()
    assert node.send(second)[0].Status == 0x0111
    assert len(node.store.quarantined(undecided=True)) == 1


def test_what_a_signed_report_rests_on_is_not_replaced(two):
    node, first, _ = two
    study = str(first.StudyInstanceUID)
    node.store.save_reading(study, Reading(), expected=0, user="ida", at=NOW)
    node.sign(study)
    with pytest.raises(NotReady, match="Open the report again"):
        _decide(node, "replace")
    assert _stored_images(node, study)[0].path.read_bytes().endswith(first.PixelData)
    assert node.store.quarantined(undecided=True)


def _stored_images(node, study):
    return [found for found in node.store.instances(study) if not found.own]


def test_a_copy_of_another_study_does_not_replace(running):
    first = image()
    assert running.send(first)[0].Status == 0
    second = image(SOPInstanceUID=first.SOPInstanceUID, StudyInstanceUID=generate_uid())
    second.file_meta.MediaStorageSOPInstanceUID = first.SOPInstanceUID
    assert running.send(second)[0].Status == 0x0111
    with pytest.raises(Refused, match="another study"):
        _decide(running, "replace")
    assert running.store.quarantined(undecided=True)


def test_a_number_that_is_not_there_is_a_sentence(running):
    with pytest.raises(NotFound, match="number 7"):
        running.store.quarantined_copy(7)


def test_the_command_lists_compares_and_decides_beside_the_running_node(two, capsys):
    node, first, _ = two
    (copy,) = node.store.quarantined()
    data = ["--data", str(node.settings.data_folder), "quarantine"]
    assert main([*data]) == 0
    assert str(first.SOPInstanceUID) in capsys.readouterr().out
    assert main([*data, "show", str(copy.id)]) == 0
    assert "Vreeland^Max" in capsys.readouterr().out
    assert main([*data, "keep"]) == 1
    assert "Say which copy" in capsys.readouterr().err
    assert main([*data, "replace", str(copy.id), "--reason", "newer"]) == 0
    assert _stored(node, first).patient_name == "Vreeland^Max"
    assert main([*data]) == 0
    assert "Nothing is in quarantine" in capsys.readouterr().out
    assert main([*data, "list", "--all"]) == 0
    assert "replace by" in capsys.readouterr().out
    assert isinstance(node.store, Store)
