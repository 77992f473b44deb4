"""Retention and room: what is dropped, what never is, and refusing in time."""

from datetime import UTC, datetime, timedelta

import pytest

from dicom_service.errors import PeerAway, SetupError, StorageFull
from dicom_service.node.retention import RetentionKeeper
from dicom_service.review.model import Reading
from dicom_service.roster import Roster
from dicom_service.settings import Settings, load
from tests.node.conftest import image, wait_for


@pytest.fixture
def done(delivering, archive):
    """A node with a study whose report the archive keeps, as it keeps the images."""
    node = delivering(drop_images_days=30)
    made = [image() for _ in range(2)]
    made[1].StudyInstanceUID = made[0].StudyInstanceUID
    for one in made:
        assert node.send(one)[0].Status == 0
    study = str(made[0].StudyInstanceUID)
    wait_for(lambda: node.store.study(study).state == "waiting")
    node.store.save_reading(study, Reading(), expected=0, user="ida", at=datetime.now(UTC))
    report = node.sign(study)
    wait_for(lambda: node.delivery(study)[0] == "committed")
    archive.put(*made)
    return node, study, report, made


def _later(days):
    return datetime.now(UTC) + timedelta(days=days)


def _here(node, study):
    return {str(one.sop_instance_uid) for one in node.store.instances(study)}


def test_images_are_dropped_when_the_archive_has_all_of_them_and_the_report_stays(done):
    node, study, report, made = done
    keeper = RetentionKeeper(node.settings, node.store, Roster(node.settings, node.store))
    assert keeper.turn(_later(29)) == 0
    paths = [one.path for one in node.store.instances(study) if not one.own]
    assert keeper.turn(_later(31)) == 2
    assert _here(node, study) == {report}
    assert not any(path.exists() for path in paths)
    assert node.store.audit_rows()[0].event == "images dropped"
    assert keeper.turn(_later(99)) == 0
    assert node.store.sweep().sentence == ""
    assert node.send(made[0])[0].Status == 0  # sent again, it is shown again
    assert str(made[0].SOPInstanceUID) in _here(node, study)
    assert node.store.study(study).state == "signed"


def test_an_image_that_the_archive_does_not_list_keeps_all_of_them(done):
    node, study, report, made = done
    extra = image(StudyInstanceUID=study)
    assert node.send(extra)[0].Status == 0  # late: after the signature
    keeper = RetentionKeeper(node.settings, node.store, Roster(node.settings, node.store))
    assert keeper.turn(_later(31)) == 0
    assert len(_here(node, study)) == 4
    assert {report, str(made[0].SOPInstanceUID)} <= _here(node, study)


def test_an_archive_that_lost_an_image_or_is_away_keeps_them_here(done, archive):
    node, study, _, made = done
    keeper = RetentionKeeper(node.settings, node.store, Roster(node.settings, node.store))
    assert node.store.drop_images(study, {str(made[0].SOPInstanceUID)}) == 0
    archive.faults.refuse_find = 0xC001
    with pytest.raises(PeerAway, match="0xC001"):
        keeper.turn(_later(31))
    archive.stop()
    with pytest.raises(PeerAway):
        keeper.turn(_later(31))
    assert len(_here(node, study)) == 3


def test_nothing_of_a_report_that_is_not_delivered_is_dropped(delivering, archive):
    node = delivering(drop_images_days=1)
    archive.faults.refuse_association = True
    study = node.ready_study()
    node.sign(study)
    images = {one.sop_instance_uid for one in node.store.instances(study)}
    assert node.store.droppable_studies(_later(9), 9) == []
    assert node.store.drop_images(study, images) == 0
    archive.faults.refuse_association = False


def test_nothing_of_a_study_that_is_unread_is_dropped(delivering):
    node = delivering(drop_images_days=1)
    study = node.ready_study()
    assert node.store.droppable_studies(_later(9), 9) == []
    assert node.store.drop_images(study, _here(node, study)) == 0


def test_a_kill_between_row_and_file_leaves_the_image_where_it_was(done, monkeypatch):
    node, study, _, made = done
    with monkeypatch.context() as patch:
        patch.setattr(node.store._blobs, "remove", lambda name: None)  # the kill
        node.store.drop_images(study, {str(one.SOPInstanceUID) for one in made})
    assert len(_here(node, study)) == 1
    node.store.sweep()
    assert len(_here(node, study)) == 3


def test_below_the_low_water_mark_objects_are_refused_and_reports_are_not(delivering):
    node = delivering()
    study = node.ready_study()
    node.store.low_water = 1 << 60
    answer = node.send(image())[0]
    assert answer.Status == 0xA700
    assert node.leftovers() == []
    with pytest.raises(StorageFull, match="low_water_mb"):
        node.store.check_room()
    node.sign(study)
    wait_for(lambda: node.delivery(study)[0] == "committed")
    node.store.low_water = 1
    assert node.send(image())[0].Status == 0


def test_dropping_images_without_an_archive_is_a_wrong_setting(tmp_path):
    file = tmp_path / "a.toml"
    file.write_text("drop_images_days = 3")
    with pytest.raises(SetupError, match="needs an archive"):
        load(file, {})
    assert Settings().drop_images_days == 0
