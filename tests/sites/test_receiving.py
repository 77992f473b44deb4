"""Whose a study is, the called title says; a peer of one clinic cannot call the other."""

from datetime import UTC, datetime

import pytest

from dicom_service.errors import SetupError
from dicom_service.review.model import Reading
from dicom_service.settings import Settings
from dicom_service.store import Store
from tests.node.conftest import Running, associate, image, wait_for
from tests.sites.conftest import NORTH, SOUTH

ECHO = [("1.2.840.10008.1.1", "1.2.840.10008.1.2")]
PEERS = ({"name": "cam", "ae_title": "SCAM", "port": 104, "site": "south"},)


@pytest.fixture
def node(tmp_path):
    running = Running(tmp_path, sites=[NORTH, SOUTH], peers=PEERS, journal_below_kb=64)
    running.store.set_sites(["north", "south"])
    yield running
    running.stop()


def sent(node, made, called, calling="CAMERA"):
    contexts = [(made.SOPClassUID, made.file_meta.TransferSyntaxUID)]
    association = associate(node.port, contexts, called=called, calling=calling)
    assert association.is_established
    try:
        return association.send_c_store(made)
    finally:
        association.release()


def test_the_called_title_says_whose_a_study_is(node):
    for called, site in (("NORTH", "north"), ("SOUTH", "south"), ("SESAMOID", "")):
        made = image()
        assert sent(node, made, called).Status == 0
        assert node.store.site_of(str(made.StudyInstanceUID)) == site


def test_nobody_is_called_otherwise(node):
    assert associate(node.port, ECHO, called="WEST").is_rejected


def test_a_peer_of_one_clinic_cannot_call_another(node):
    for called, welcome in (("SOUTH", True), ("NORTH", False), ("SESAMOID", False)):
        association = associate(node.port, ECHO, called=called, calling="SCAM")
        assert association.is_established is welcome, called
        if welcome:
            association.release()


@pytest.mark.parametrize("journal", [0, 1 << 20])
def test_an_object_of_a_study_of_another_clinic_is_refused_and_named_to_nobody(node, journal):
    node.store.use_journal(journal)
    made = image()
    study = str(made.StudyInstanceUID)
    assert sent(node, made, "SOUTH").Status == 0
    for other in (made, image(study=study)):
        answer = sent(node, other, "NORTH")
        assert answer.Status == 0xC003
        assert "south" not in str(answer.get("ErrorComment", "")).lower()
    assert [row.sop_instance_uid for row in node.store.instances(study)] == [made.SOPInstanceUID]
    assert node.store.quarantined() == []
    again = image(study=study)
    assert sent(node, again, "SOUTH").Status == 0
    assert len(node.store.instances(study)) == 2


def test_reports_wait_for_the_archive_of_their_own_clinic(node):
    made = image()
    assert sent(node, made, "SOUTH").Status == 0
    study = str(made.StudyInstanceUID)
    wait_for(lambda: node.store.study(study).state == "waiting")
    node.store.save_reading(study, Reading(), expected=0, user="ida", at=datetime.now(UTC))
    node.sign(study)
    assert node.store.address_outbox("north's", "north") == 0
    (row,) = node.store.outbox(study)
    assert (row.site, row.destination) == ("south", "")
    assert node.store.outbox_committed("1.2.3", [row.sop_instance_uid], {}, site="north") == 0
    assert node.store.address_outbox("south's", "south") == 1


def test_a_site_with_studies_cannot_be_forgotten(tmp_path):
    running = Running(tmp_path, sites=[NORTH, SOUTH])
    try:
        running.store.set_sites(["north", "south"])
        assert sent(running, image(), "NORTH").Status == 0
    finally:
        running.stop()
    store = Store(tmp_path / "node")
    try:
        store.set_sites(["north"])  # the south has none
        with pytest.raises(SetupError, match="'north'"):
            store.set_sites([])
    finally:
        store.close()


def test_what_was_there_before_there_were_sites_is_the_unnamed_ones(tmp_path):
    running = Running(tmp_path)
    made = image()
    try:
        assert sent(running, made, "SESAMOID").Status == 0
    finally:
        running.stop()
    running = Running(tmp_path, sites=[NORTH])
    try:
        running.store.set_sites(["north"])
        assert running.store.site_of(str(made.StudyInstanceUID)) == ""
        assert sent(running, image(study=str(made.StudyInstanceUID)), "SESAMOID").Status == 0
        assert sent(running, image(study=str(made.StudyInstanceUID)), "NORTH").Status == 0xC003
    finally:
        running.stop()


def test_each_clinic_has_its_title_archive_and_peers():
    peers = ({"name": "pacs", "ae_title": "A", "port": 1, "site": "north"},
             {"name": "pacs", "ae_title": "B", "port": 2})  # fmt: skip
    settings = Settings.model_validate({
        "sites": [NORTH | {"archive": "pacs"}], "peers": peers, "archive": "pacs",
        "institution": "Here",
    })  # fmt: skip
    north, rest = settings.at("north"), settings.at("")
    assert (north.ae_title, north.archive, north.institution) == ("NORTH", "pacs", "Clinic North")
    assert [peer.ae_title for peer in north.peers] == ["A"]
    assert (rest.ae_title, rest.institution) == ("SESAMOID", "Here")
    assert settings.peer("north/pacs") == north.peers[0]
