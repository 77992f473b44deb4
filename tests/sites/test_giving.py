"""A study goes to another site with its reports, on both trails, and nothing of it stays behind."""

from datetime import UTC, datetime, timedelta

import pytest

from dicom_service.cli import main
from dicom_service.errors import NotFound, NotReady, Refused
from dicom_service.review.model import Reading
from dicom_service.store.model import PriorStudy
from tests.node.conftest import Running, associate, image, wait_for
from tests.sites.conftest import NORTH, SOUTH
from tests.store.conftest import Kit
from tests.store.journalling import take, there_now

PEERS = tuple(
    {"name": f"{site}pacs", "ae_title": "PACS", "port": 9, "site": site}
    for site in ("south", "north")
)
SITES = [NORTH | {"archive": "northpacs"}, SOUTH | {"archive": "southpacs"}]
KINDS = ("sqlite", pytest.param("postgres", marks=pytest.mark.long))


@pytest.fixture(params=KINDS)
def url(request):
    if request.param == "sqlite":
        yield ""
        return
    server = request.getfixturevalue("postgres")
    url = server.database()
    yield url
    server.give_back(url)


@pytest.fixture
def node(url, tmp_path):
    """What is to be delivered stays owed: the archives are not there."""
    waits = {"retry_first_seconds": 60.0, "retry_longest_seconds": 60.0}
    running = Running(tmp_path, sites=SITES, peers=PEERS, index_url=url, **waits)
    running.store.set_sites(["north", "south"])
    yield running
    running.stop()


@pytest.fixture
def sqlite_kit(tmp_path):
    kit = Kit(tmp_path / "data")
    yield kit
    kit.store.close()


def sent(node, made, called) -> int:
    contexts = [(made.SOPClassUID, made.file_meta.TransferSyntaxUID)]
    association = associate(node.port, contexts, called=called)
    status = association.send_c_store(made).Status
    association.release()
    return status


def arrived(node, called="SOUTH"):
    made = image()
    assert sent(node, made, called) == 0
    study = str(made.StudyInstanceUID)
    wait_for(lambda: node.store.study(study).state == "waiting")
    return study


def save(node, study) -> None:
    version = node.store.study(study).version
    node.store.save_reading(study, Reading(), expected=version, user="ida", at=datetime.now(UTC))


def signed(node):
    """Its report is in the archive of the south."""
    study = arrived(node)
    save(node, study)
    object.__setattr__(node.settings, "archive", "southpacs")
    node.sign(study)
    ids = [row.id for row in node.store.outbox(study)]
    node.store.outbox_sent(ids, "", None)
    return study


def give(node, study, site="north", archive="northpacs"):
    return node.store.give_study(
        study, site, archive=archive, reason="Sold.", user="otto", at=datetime.now(UTC)
    )


def events(node, study, site):
    rows = node.store.audit_rows(sites=(site,))
    return [row.event for row in rows if row.study_uid == study]


def test_reports_go_with_it_and_are_owed_to_the_archive_there(node):
    study = signed(node)
    papers = [paper.sop_instance_uid for paper in node.store.documents(study)]
    assert give(node, study) == 1
    assert (node.store.site_of(study), node.store.study(study).state) == ("north", "signed")
    assert [paper.sop_instance_uid for paper in node.store.documents(study)] == papers
    (row,) = node.store.outbox(study)
    assert (row.destination, row.state, row.site) == ("northpacs", "owed", "north")
    assert "study given away" in events(node, study, "south")
    assert "final signed" in events(node, study, "south")
    assert events(node, study, "north") == ["study taken over"]
    assert node.store.audit_verify().why == ""
    for row in node.store.audit_rows(sites=("north", "south")):
        if row.event in ("study given away", "study taken over"):
            assert (row.user, row.detail) == ("otto", "Sold.")


def test_its_sender_is_refused_from_then_on_and_the_other_one_is_not(node):
    study = arrived(node)
    give(node, study)
    assert sent(node, image(study=study), "SOUTH") == 0xC003
    assert sent(node, image(study=study), "NORTH") == 0


def test_one_that_waits_is_prepared_again_and_what_was_said_of_earlier_ones_stays_behind(node):
    study = arrived(node)
    named = PriorStudy(prior_uid="1.2.5", peer="southpacs", state="listed")
    node.store.begin_prior_search(study, datetime.now(UTC))
    node.store.end_prior_search(study, "found", [named])
    before = node.store.study(study).template_revision
    give(node, study)
    node.node.arrived()  # else it looks by itself twice a minute
    wait_for(lambda: node.store.study(study).template_revision == before + 1)
    assert node.store.study(study).state == "waiting"
    assert node.store.prior_studies(study) == []
    assert node.store.prior_search(study) is None


def test_it_does_not_go_while_something_is_open(node):
    study = arrived(node)
    with pytest.raises(Refused, match="of the site south already"):
        give(node, study, "south", "southpacs")
    save(node, study)
    with pytest.raises(NotReady, match="ida has a draft of it open"):
        give(node, study)
    object.__setattr__(node.settings, "archive", "southpacs")
    node.sign(study)
    with pytest.raises(NotReady, match="still on their way to southpacs"):
        give(node, study)
    ids = [row.id for row in node.store.outbox(study)]
    node.store.outbox_sent(ids, "1.2.3", datetime.now(UTC) + timedelta(hours=1))
    with pytest.raises(NotReady, match="still on their way"):  # sent, and not yet committed to
        give(node, study)


def test_nor_while_it_arrives_or_its_report_is_being_corrected(node):
    study = signed(node)
    node.store.reopen(study, reason="Side.", user="ida", at=datetime.now(UTC))
    with pytest.raises(NotReady, match="ida has opened its report for correction"):
        give(node, study)
    object.__setattr__(node.settings, "settle_seconds", 600.0)
    made = image()
    assert sent(node, made, "SOUTH") == 0
    with pytest.raises(NotReady, match="still arriving"):
        give(node, str(made.StudyInstanceUID))
    with pytest.raises(NotFound):
        give(node, "1.2.3.4")


def test_an_object_that_was_acknowledged_before_goes_with_its_study(sqlite_kit):
    store = sqlite_kit.store
    store.set_sites(["north", "south"])
    store.accept(sqlite_kit.temp(), sqlite_kit.header("1.1"), source="CAMERA", site="south")
    sqlite_kit.prepare()
    store.use_journal(1 << 20, every=0, sizes=(1 << 16, 2))
    take(sqlite_kit, "1.2", site="south")
    give = {"archive": "", "reason": "Sold.", "user": "otto", "at": datetime.now(UTC)}
    # As another process does it: it knows nothing of the journal here.
    beside = sqlite_kit.open(exclusive=False)
    beside.give_study(sqlite_kit.study, "north", **give)
    beside.close()
    assert there_now(sqlite_kit) == {"1.1": b"pixels", "1.2": b"pixels"}
    assert store.site_of(sqlite_kit.study) == "north"


def test_by_command(fresh, tmp_path, capsys):
    config = tmp_path / "sesamoid.toml"
    blocks = "".join(
        f'[[sites]]\nid = "{one["id"]}"\nname = "x"\nae_titles = {one["ae_titles"]}\n'
        for one in (NORTH, SOUTH)
    )
    config.write_text(f'data_folder = "{fresh.store.folder}"\n{blocks}')
    words = ["--config", str(config), "give", fresh.south.study]
    assert main([*words, "west", "--reason", "x"]) == 1
    assert "There is no site west" in capsys.readouterr().err
    assert main([*words, "north", "--reason", "x"]) == 0
    assert "It is of north now, with its reports." in capsys.readouterr().out
    anna, bertha = fresh.as_("anna"), fresh.as_("bertha@south")
    address = f"/api/studies/{fresh.south.study}/reading"
    assert bertha.get(address).status_code == 404
    fresh.desk.prepare(fresh.south.study)
    assert anna.get(address).status_code == 200
