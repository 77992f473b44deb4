"""An animal comes again, to a node that has never seen it: what was found before is shown."""

import io
from copy import deepcopy

import pydicom
import pytest

from dicom_service.service import Service
from dicom_service.settings import Peer, Settings
from dicom_service.store import PriorStudy
from test_pacs.archive import Archive
from test_pacs.clinic import Clinic
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.job.helpers import PASSWORD, read_and_save, signed_in
from tests.node.conftest import wait_for
from tests.peers import OutsideArchive, free_port


@pytest.fixture(scope="module")
def visit(tmp_path_factory) -> list:
    """Images and signed documents of the first visit, as an archive has them."""
    options = {"settle_seconds": 0.3, "retry_first_seconds": 0.2}
    with Clinic(tmp_path_factory.mktemp("first visit"), options=options) as clinic:
        reader = signed_in(clinic.service.store, clinic.service.address)
        images = small_study()
        uid = str(images[0].StudyInstanceUID)
        send(images, clinic.archive.port, clinic.archive.ae_title)
        reader.wait_for(uid, "waiting")
        reader.sign(uid, read_and_save(reader, uid, finding="radius_distal"), PASSWORD)
        reader.wait_for(uid, "committed")
        first = [pydicom.dcmread(io.BytesIO(p.read_bytes())) for p in clinic.archive.paths(uid)]
        remark = {"text": "The owner was telephoned.", "password": PASSWORD}
        reader.request("POST", f"api/studies/{uid}/addendum", remark)
        reader.wait_for(uid, "committed")
        wait_for(lambda: len(clinic.archive.paths(uid)) > len(first))
        return [pydicom.dcmread(io.BytesIO(p.read_bytes())) for p in clinic.archive.paths(uid)]


@pytest.fixture
def place(request, tmp_path):
    """An archive of the kind that the test names."""
    if request.param != "archive":
        yield request.getfixturevalue(request.param)
        return
    started = []

    def start(node_port: int) -> OutsideArchive:
        peers = {"SESAMOID": ("127.0.0.1", node_port)}
        started.append(Archive(tmp_path / "archive", peers=peers).start())
        return OutsideArchive(started[0].port, ae_title=started[0].ae_title)

    yield start
    for archive in started:
        archive.stop()


def _fresh_node(folder, place, retrieve):
    port = free_port()
    archive = place(port)
    peer = Peer(name="archive", ae_title=archive.ae_title, port=archive.port, retrieve=retrieve)
    return archive, Settings(
        data_folder=folder / "fresh", dimse_port=port, http_port=0, settle_seconds=0.3,
        peers=(peer,), retry_first_seconds=0.5,
    )  # fmt: skip


@pytest.mark.peer
@pytest.mark.parametrize(
    ("place", "retrieve"),
    [
        ("archive", "move"),
        ("dcmqrscp", "get"),
        ("dcmqrscp", "move"),
        ("orthanc", "get"),
        ("orthanc", "move"),
    ],
    indirect=["place"],
)
def test_a_second_visit_to_a_fresh_node_shows_what_the_first_report_found(
    visit, tmp_path, place, retrieve
):
    archive, settings = _fresh_node(tmp_path, place, retrieve)
    send(visit, archive.port, archive.ae_title)
    with Service(settings) as service:
        reader = signed_in(service.store, service.address)
        again = small_study()
        uid = str(again[0].StudyInstanceUID)
        send(again, service.dimse_port, "SESAMOID")
        reader.wait_for(uid, "waiting")

        def searched():
            answer = reader.request("GET", f"api/studies/{uid}/priors")
            return answer if answer["search"]["state"] in ("found", "failed") else None

        answer = wait_for(searched, 30)
        assert answer["search"]["words"] == "found 1", answer["search"]
        assert [row["study_uid"] for row in reader.studies()] == [uid]
        _shows_the_first_visit(answer, visit, reader.open(uid)["template"])


def _shows_the_first_visit(answer, visit, template) -> None:
    (study,) = answer["studies"]
    assert study["study_uid"] == str(visit[0].StudyInstanceUID)
    assert (study["state"], study["regions"], study["sides"]) == ("here", ["carpus"], ["R"]), study
    assert study["views"] == ["DPa", "ML"]
    report = study["report"]
    assert (report["kind"], report["impression"], report["versions"]) == (
        "addendum", "Fracture.", 2,
    )  # fmt: skip
    assert report["addenda"] == ["The owner was telephoned."]
    assert "fracture line" in report["findings"][0].lower()
    assert study["unreadable"] == []
    (item,) = [i["id"] for i in template["items"] if i["structure"] == "radius_distal"]
    (seen,) = answer["observations"][item]
    assert seen["value"] == "abnormal"
    assert [one["sentence"] for one in seen["findings"]] == report["findings"]
    assert [image["hung"] for image in study["images"]] == [True, True]
    (length,) = answer["measurements"][item]
    assert (length["meaning"], length["unit"]) == ("length", "mm")
    assert length["value"] > 0
    assert length["calibration"]


def test_a_node_with_its_own_earlier_report_shows_it_without_any_archive(clinic, reader):
    first, second = small_study(), small_study()
    uids = [str(images[0].StudyInstanceUID) for images in (first, second)]
    send(first, clinic.service.dimse_port, "SESAMOID")
    reader.wait_for(uids[0], "waiting")
    reader.sign(uids[0], read_and_save(reader, uids[0], finding="radius_distal"), PASSWORD)
    send(second, clinic.service.dimse_port, "SESAMOID")
    reader.wait_for(uids[1], "waiting")
    answer = reader.request("GET", f"api/studies/{uids[1]}/priors")
    assert answer["search"]["state"] == "off"
    (study,) = answer["studies"]
    assert study["report"]["impression"] == "Fracture."


def test_of_ten_thousand_earlier_studies_what_is_here_is_shown_and_the_rest_is_counted(
    clinic, reader
):
    uids = []
    for images in (small_study(), small_study()):
        send(images, clinic.service.dimse_port, "SESAMOID")
        uids.append(str(images[0].StudyInstanceUID))
        reader.wait_for(uids[-1], "waiting")
    listed = [PriorStudy(prior_uid=f"1.{n}", state="listed") for n in range(1, 10_001)]
    clinic.service.store.end_prior_search(uids[1], "found", listed)
    answer = reader.request("GET", f"api/studies/{uids[1]}/priors")
    assert len(answer["studies"]) == 60
    assert answer["studies"][0]["study_uid"] == uids[0]
    assert answer["studies"][0]["state"] == "here"
    assert answer["more"] == 10_001 - 60


def test_another_animals_study_a_false_report_and_a_foreign_one_are_shown_as_what_they_are(
    visit, tmp_path, clinic, reader
):
    documents = {d.ConceptNameCodeSequence[0].CodeValue: d for d in visit if d.Modality == "SR"}
    forged = pydicom.Dataset(documents["18748-4"])
    forged.file_meta = visit[0].file_meta.__class__()
    forged.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    forged.SOPInstanceUID = forged.file_meta.MediaStorageSOPInstanceUID = "1.2.3.4.5"
    forged.file_meta.MediaStorageSOPClassUID = forged.SOPClassUID
    forged.ContentSequence = forged.ContentSequence[:2]
    forged.Manufacturer = "Sesamoid"
    images = [d for d in visit if d.Modality == "CR"]
    foreign = deepcopy(documents["126000"])
    foreign.SOPInstanceUID = foreign.file_meta.MediaStorageSOPInstanceUID = "1.2.3.4.6"
    foreign.Manufacturer = "Somebody Else"
    for template in foreign.ContentTemplateSequence:
        template.TemplateIdentifier = "1500"
    stranger = small_study()
    for image in stranger:
        image.PatientName = "Okonkwo^Bella"
    send(stranger, clinic.service.dimse_port, "SESAMOID")
    send([*images, forged, foreign], clinic.service.dimse_port, "SESAMOID")
    again = small_study()
    uid = str(again[0].StudyInstanceUID)
    send(again, clinic.service.dimse_port, "SESAMOID")
    reader.wait_for(uid, "waiting")
    answer = reader.request("GET", f"api/studies/{uid}/priors")
    shown = {row["study_uid"]: row for row in answer["studies"]}
    other = shown.pop(str(stranger[0].StudyInstanceUID))
    assert other["state"] == "refused"
    assert "name 'Okonkwo^Bella'" in other["detail"]
    (study,) = shown.values()
    assert study["report"] is None
    assert [row["maker"] for row in study["foreign"]] == ["Somebody Else"]
    ((length,),) = answer["measurements"].values()
    assert (length["maker"], length["unit"]) == ("Somebody Else", "mm")
    assert length["site"]
    (said,) = study["unreadable"]
    assert said.startswith("A report that could not be read (1.2.3.4.5): ")
