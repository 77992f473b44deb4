"""The whole job over the network: route, read, sign, deliver, commit, read back."""

import io
import subprocess
import time

import pydicom
import pytest

from dicom_service import report
from dicom_service.review.model import Reading
from dicom_service.service import Service
from dicom_service.settings import Peer, Settings
from test_pacs.clinic import Clinic
from test_pacs.reader import RequestRefused
from test_pacs.sending import send
from test_pacs.studies import late_image, small_study
from tests.job.helpers import PASSWORD, read_and_save, signed_in
from tests.peers import free_port


def _route(clinic: Clinic, **options) -> str:
    images = small_study(**options)
    send(images, clinic.archive.port, clinic.archive.ae_title)
    return str(images[0].StudyInstanceUID)


def test_a_routed_study_is_read_signed_and_committed(clinic, reader):
    uid = _route(clinic)
    reader.wait_for(uid, "waiting")
    version = read_and_save(reader, uid, finding="radius_distal")
    reader.sign(uid, version, PASSWORD)
    row = reader.wait_for(uid, "committed", "refused")
    assert row["delivery"] == "committed", row
    documents = [d for d in clinic.archive.stored(uid) if d.Modality == "SR"]
    titles = {d.ConceptNameCodeSequence[0].CodeValue: d for d in documents}
    assert set(titles) == {"18748-4", "126000"}
    read_back = report.read(titles["18748-4"])
    assert read_back.reading == Reading.model_validate(reader.open(uid)["reading"])
    assert report.read_tree(titles["18748-4"]).reading.findings == read_back.reading.findings


def test_an_addendum_continues_the_signed_report(clinic, reader):
    uid = _route(clinic)
    reader.wait_for(uid, "waiting")
    reader.sign(uid, read_and_save(reader, uid), PASSWORD)
    reader.wait_for(uid, "committed")
    reader.request(
        "POST",
        f"api/studies/{uid}/addendum",
        {"text": "Telephoned the owner's clinic.", "password": PASSWORD},
    )
    reader.wait_for(uid, "committed")
    reports = sorted(
        (d for d in clinic.archive.stored(uid) if d.Modality == "SR"), key=lambda d: d.SeriesNumber
    )
    assert len(reports) == 2
    first, second = reports
    predecessor = second.PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
    assert predecessor.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == first.SOPInstanceUID
    assert "Telephoned" in report.plain_text(report.read(second))


def test_a_late_image_reopens_the_study_and_keeps_what_was_entered(clinic, reader):
    images = small_study()
    uid = str(images[0].StudyInstanceUID)
    send(images, clinic.archive.port, clinic.archive.ae_title)
    reader.wait_for(uid, "waiting")
    read_and_save(reader, uid)
    before = reader.open(uid)
    send([late_image(images)], clinic.archive.port, clinic.archive.ae_title)
    deadline = time.monotonic() + 20
    while (after := reader.open(uid))["template"]["revision"] == 1:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert len(after["template"]["views"]) == 3
    kept = after["reading"]["observations"]
    for item, row in before["reading"]["observations"].items():
        for view, observation in row.items():
            assert kept[item][view] == observation
    assert any(gap["blocking"] for gap in after["gaps"])


def test_dcmtk_can_feed_the_node_like_a_camera(clinic, reader, program, tmp_path):
    images = small_study()
    files = []
    for number, dataset in enumerate(images):
        files.append(str(tmp_path / f"{number}.dcm"))
        dataset.save_as(files[-1], enforce_file_format=True)
    port = str(clinic.service.dimse_port)
    command = [program("storescu"), "-aet", "CAMERA", "-aec", "SESAMOID", "127.0.0.1", port, *files]
    subprocess.run(command, check=True, timeout=60)
    row = reader.wait_for(str(images[0].StudyInstanceUID), "waiting")
    assert row["species"] == "dog"


def test_what_is_open_stops_the_signature_and_says_what(clinic, reader):
    uid = _route(clinic)
    reader.wait_for(uid, "waiting")
    opened = reader.open(uid)
    with pytest.raises(RequestRefused) as refused:
        reader.sign(uid, opened["version"], PASSWORD)
    assert refused.value.status == 409
    assert "Not signed" in refused.value.problem["detail"]


def test_a_wrong_password_signs_nothing(clinic, reader):
    uid = _route(clinic)
    reader.wait_for(uid, "waiting")
    version = read_and_save(reader, uid)
    with pytest.raises(RequestRefused) as refused:
        reader.sign(uid, version, "not the password")
    assert refused.value.status == 403
    assert reader.open(uid)["state"] == "reading"


def test_two_tabs_cannot_overwrite_each_other(clinic, reader):
    uid = _route(clinic)
    reader.wait_for(uid, "waiting")
    opened = reader.open(uid)
    reading = Reading.model_validate(opened["reading"])
    first = reading.model_copy(update={"impression": "first tab"})
    reader.save(uid, opened["version"], first)
    with pytest.raises(RequestRefused) as refused:
        reader.save(uid, opened["version"], reading.model_copy(update={"impression": "second"}))
    assert refused.value.status == 412
    assert reader.open(uid)["reading"]["impression"] == "first tab"


def test_orthanc_as_the_archive_takes_and_commits_the_report(tmp_path, orthanc):
    node_port = free_port()
    archive = orthanc(node_port)
    settings = Settings(
        data_folder=tmp_path / "node",
        dimse_port=node_port,
        http_port=0,
        settle_seconds=0.5,
        archive="orthanc",
        peers=(Peer(name="orthanc", ae_title=archive.ae_title, port=archive.port),),
    )
    with Service(settings) as service:
        reader = signed_in(service.store, service.address)
        images = small_study()
        uid = str(images[0].StudyInstanceUID)
        send(images, service.dimse_port, "SESAMOID")
        reader.wait_for(uid, "waiting")
        reader.sign(uid, read_and_save(reader, uid, finding="radius_distal"), PASSWORD)
        row = reader.wait_for(uid, "committed", "refused")
        assert row["delivery"] == "committed", row
        held = [pydicom.dcmread(io.BytesIO(archive.file(i))) for i in archive.instances()]
    assert {d.Modality for d in held} == {"SR", "KO", "DOC"}
    documents = [d for d in held if d.Modality == "SR"]
    (back,) = [d for d in documents if d.ConceptNameCodeSequence[0].CodeValue == "18748-4"]
    assert report.read(back).kind == "final"


def test_a_reader_corrects_what_a_header_says_and_the_study_is_prepared_anew(clinic, reader):
    uid = _route(clinic, views=("DPa", "LM"))
    reader.wait_for(uid, "waiting")
    read_and_save(reader, uid)
    before = reader.open(uid)
    image = next(i for i in before["facts"]["images"] if i["view"] == "LM")
    after = reader.request(
        "POST", f"api/studies/{uid}/correction", {"image_uid": image["uid"], "view": "ML"}
    )
    assert after["template"]["revision"] == 2
    assert {view["view"] for view in after["template"]["views"]} == {"DPa", "ML"}
    assert after["reading"]["observations"] == before["reading"]["observations"]
    body = {"image_uid": image["uid"], "regions": ["carpus", "manus"]}
    again = reader.request("POST", f"api/studies/{uid}/correction", body)
    corrected = next(i for i in again["facts"]["images"] if i["uid"] == image["uid"])
    assert (corrected["view"], corrected["regions"]) == ("ML", ["carpus", "manus"])
    with pytest.raises(RequestRefused) as refused:
        reader.request(
            "POST", f"api/studies/{uid}/correction", {"image_uid": image["uid"], "view": "QQ"}
        )
    assert refused.value.status == 400
    send([late_image(_stored(clinic, uid))], clinic.archive.port, clinic.archive.ae_title)
    deadline = time.monotonic() + 20
    while (again := reader.open(uid))["template"]["revision"] == 3:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert {i["view"] for i in again["facts"]["images"] if i["uid"] == image["uid"]} == {"ML"}


def _stored(clinic: Clinic, uid: str) -> list:
    return [d for d in clinic.archive.stored(uid) if d.Modality == "CR"]


def test_rules_propose_and_the_reader_decides(clinic, reader):
    uid = _route(clinic)
    reader.wait_for(uid, "waiting")
    read_and_save(reader, uid, finding="radius_distal")
    advice = reader.open(uid)["advice"]
    proposed = {p["condition"]: p for p in advice["proposals"]}
    assert proposed["fracture"]["verdict"] == "supported"
    assert proposed["fracture"]["evidence"] == ["f-radius_distal"]
    assert reader.open(uid)["reading"]["rule_outs"] == []
    assert advice["next_steps"]
    assert advice["certainties"]["f-radius_distal"]["state"] == "confirmed"
