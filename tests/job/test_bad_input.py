"""Bad input: each gets a sentence, the right status, and loses nothing."""

import socket
import subprocess

import pytest
from pydicom.uid import generate_uid

from dicom_service.errors import SetupError
from dicom_service.service import Service
from dicom_service.settings import Peer, Settings
from test_pacs.clinic import Clinic
from test_pacs.reader import RequestRefused
from test_pacs.sending import send
from test_pacs.studies import BAD_STUDIES, small_study
from tests.job.helpers import PASSWORD, read_and_save


def _texts(opened) -> str:
    return " ".join(remark["text"] for remark in opened["facts"]["remarks"])


def _arrive(clinic: Clinic, reader, images) -> dict:
    send(images, clinic.service.dimse_port, "SESAMOID")
    uid = str(images[0].StudyInstanceUID)
    reader.wait_for(uid, "waiting")
    return reader.open(uid)


def test_a_file_that_is_not_dicom_or_cut_off_is_refused_and_others_are_served(
    clinic, reader, program, tmp_path
):
    images = small_study()
    whole = tmp_path / "whole.dcm"
    images[0].save_as(whole, enforce_file_format=True)
    cut = tmp_path / "cut.dcm"
    cut.write_bytes(whole.read_bytes()[:-1000])
    text = tmp_path / "note.txt"
    text.write_text("no radiograph")
    port = str(clinic.service.dimse_port)
    for file in (cut, text):
        result = subprocess.run(
            [program("storescu"), "-v", "-aec", "SESAMOID", "127.0.0.1", port, str(file)],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert "0x0000" not in result.stdout
    assert _arrive(clinic, reader, images)["template"]["items"]


def test_an_object_without_a_study_is_refused_by_its_status(clinic):
    dataset = small_study()[0]
    del dataset.StudyInstanceUID
    with pytest.raises(ConnectionError, match="0xA900"):
        send([dataset], clinic.service.dimse_port, "SESAMOID")


def test_an_image_without_pixels_is_said(clinic, reader):
    opened = _arrive(clinic, reader, BAD_STUDIES["no pixel data"]())
    assert "pixel" in _texts(opened).lower()


def test_an_unknown_species_is_said_and_reading_goes_on_by_hand(clinic, reader):
    opened = _arrive(clinic, reader, BAD_STUDIES["unknown species"]())
    assert "species" in _texts(opened).lower()
    assert opened["template"]["items"]


def test_one_view_only_is_said_and_asked_for(clinic, reader):
    opened = _arrive(clinic, reader, small_study(views=("ML",)))
    assert "orthogonal" in _texts(opened).lower()


def test_ten_views_make_one_template(clinic, reader):
    opened = _arrive(clinic, reader, BAD_STUDIES["ten views"]())
    assert len(opened["template"]["views"]) == 10
    assert len({view["label"] for view in opened["template"]["views"]}) == 10


def test_a_contradicting_side_is_said(clinic, reader):
    opened = _arrive(clinic, reader, BAD_STUDIES["contradicting side"]())
    assert "side" in _texts(opened).lower()


def test_script_tags_in_names_stay_text(clinic, reader):
    opened = _arrive(clinic, reader, BAD_STUDIES["script in names"]())
    assert "<script>" in opened["facts"]["signalment"]["patient_name"]
    assert opened["template"]["items"]


@pytest.mark.filterwarnings("ignore:Invalid value for VR", "ignore:The PN component length")
@pytest.mark.filterwarnings("ignore:The value length", "ignore:Value")
def test_values_that_break_the_standard_do_not_stop_a_report(clinic, reader, program):
    program("dciodvfy")
    opened = _arrive(clinic, reader, BAD_STUDIES["values against the standard"]())
    said = _texts(opened)
    assert "Patient's Name has more than 64 characters" in said
    assert "Patient ID has a backslash" in said
    assert "leading zeros" in said
    uid = opened["facts"]["study_uid"]
    reader.sign(uid, read_and_save(reader, uid), PASSWORD)
    reader.wait_for(uid, "committed")
    taken_back = {"reason": "safety", "text": "A test.", "password": PASSWORD}
    reader.request("POST", f"api/studies/{uid}/withdrawal", taken_back)
    reader.wait_for(uid, "committed")


def test_an_archive_that_is_down_is_said_and_gets_the_report_later(clinic, reader):
    opened = _arrive(clinic, reader, small_study())
    uid = opened["facts"]["study_uid"]
    clinic.archive.stop()
    reader.sign(uid, read_and_save(reader, uid), PASSWORD)
    for _ in range(100):
        row = reader.wait_for(uid, "owed")
        if row["delivery_detail"]:
            break
    assert row["delivery_detail"]
    clinic.archive.start()
    assert reader.wait_for(uid, "committed", "refused")["delivery"] == "committed"


def test_without_an_archive_the_report_waits(tmp_path):
    from tests.job.helpers import signed_in

    settings = Settings(data_folder=tmp_path, dimse_port=0, http_port=0, settle_seconds=0.3)
    with Service(settings) as service:
        assert service.node.ports == (service.dimse_port, 0)
        assert service.dimse_port
        reader = signed_in(service.store, service.address)
        images = small_study()
        uid = str(images[0].StudyInstanceUID)
        send(images, service.dimse_port, "SESAMOID")
        reader.wait_for(uid, "waiting")
        reader.sign(uid, read_and_save(reader, uid), PASSWORD)
        row = reader.wait_for(uid, "owed")
        assert "archive" in row["delivery_detail"]


def test_a_wrong_called_title_is_refused(clinic):
    with pytest.raises(ConnectionError):
        send(small_study(), clinic.service.dimse_port, "SOMEONE_ELSE")


def test_unknown_peers_are_refused_when_only_known_ones_may_call(tmp_path):
    peer = Peer(name="pacs", ae_title="PACS", port=11112)
    settings = Settings(
        data_folder=tmp_path, dimse_port=0, http_port=0, peers_only=True, peers=(peer,)
    )
    with Service(settings) as service, pytest.raises(ConnectionError):
        send(small_study(), service.dimse_port, "SESAMOID")


@pytest.mark.parametrize("name", ["dimse_port", "http_port"])
def test_a_port_in_use_is_said(tmp_path, name):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        ports = {"dimse_port": 0, "http_port": 0} | {name: port}
        service = Service(Settings(data_folder=tmp_path, **ports))
        with pytest.raises(SetupError, match=str(port)):
            service.start()


def test_a_second_node_on_the_same_folder_is_refused(clinic):
    with pytest.raises(SetupError, match="another"):
        Service(clinic.settings)


def test_a_data_folder_that_cannot_be_written_is_said(tmp_path):
    file = tmp_path / "a file, not a folder"
    file.write_text("")
    with pytest.raises(SetupError, match="a file, not a folder"):
        Service(Settings(data_folder=file / "data", dimse_port=0, http_port=0))


def test_an_unknown_study_is_a_sentence(reader):
    with pytest.raises(RequestRefused) as refused:
        reader.open(generate_uid(prefix=None))
    assert refused.value.status == 404


def test_a_reading_that_names_unknown_structures_is_refused(clinic, reader):
    opened = _arrive(clinic, reader, small_study())
    uid = opened["facts"]["study_uid"]
    body = opened["reading"] | {"observations": {"R.carpus.wing": {"1.2.3": {"value": "normal"}}}}
    with pytest.raises(RequestRefused) as refused:
        reader.request(
            "PUT", f"api/studies/{uid}/reading", body, **{"If-Match": f'"{opened["version"]}"'}
        )
    assert refused.value.status in (400, 422)
    assert "wing" in refused.value.problem["detail"]


def test_disk_full_refuses_in_time_and_keeps_the_node_up(clinic, reader, monkeypatch):
    import errno
    import os

    real = os.replace

    def full(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, "No space left on device")

    for name in ("replace", "rename", "link", "pwrite", "pwritev"):
        monkeypatch.setattr(os, name, full)
    with pytest.raises(ConnectionError, match="0xA7"):
        send(small_study(), clinic.service.dimse_port, "SESAMOID")
    monkeypatch.undo()
    assert os.replace is real
    assert _arrive(clinic, reader, small_study())["template"]["items"]
