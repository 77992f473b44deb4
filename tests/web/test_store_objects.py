"""STOW-RS: objects that come in over the web, good and bad."""

import errno
import os

import pytest
from pydicom.uid import DeflatedExplicitVRLittleEndian

from dicom_service.web.dicomweb import stow
from tests.web.conftest import dataset, file_of, image

KIND = 'multipart/related; type="application/dicom"; boundary=cut'


def message(*files: bytes) -> bytes:
    parts = (b"--cut\r\nContent-Type: application/dicom\r\n\r\n" + f + b"\r\n" for f in files)
    return b"".join(parts) + b"--cut--\r\n"


def _store(reader, *files: bytes, path="/dicomweb/studies", kind=KIND):
    return reader.send("POST", path, data=message(*files), content_type=kind)


def _reasons(answer):
    return [item["00081197"]["Value"][0] for item in answer.json["00081198"]["Value"]]


def test_stored_objects_are_kept_and_named(reader, store, woken):
    first = image()
    second = image(study=first.StudyInstanceUID)
    answer = _store(reader, file_of(first), file_of(second))
    assert answer.status_code == 200
    assert answer.content_type == "application/dicom+json"
    assert "00081198" not in answer.json
    named = [i["00081155"]["Value"][0] for i in answer.json["00081199"]["Value"]]
    assert named == [first.SOPInstanceUID, second.SOPInstanceUID]
    assert answer.json["00081190"]["Value"][0].endswith(f"/studies/{first.StudyInstanceUID}")
    kept = store.instances(first.StudyInstanceUID)
    assert {row.sop_instance_uid for row in kept} == set(named)
    assert {row.path.read_bytes() for row in kept} == {file_of(first), file_of(second)}
    assert kept[0].source == "web: ida"
    assert woken == ["x"]
    assert list(store.incoming.iterdir()) == []


def test_a_content_that_holds_half_a_boundary_is_not_cut(reader, store):
    made = image(ImageComments="\r\n--cu\r\n--", PatientComments="--cut--")
    assert _store(reader, file_of(made)).status_code == 200
    (kept,) = store.instances(made.StudyInstanceUID)
    assert kept.path.read_bytes() == file_of(made)


def test_the_same_object_again_is_a_success(reader):
    data = file_of(image())
    assert _store(reader, data).status_code == 200
    assert _store(reader, data).status_code == 200


def test_another_object_under_the_same_uid_is_refused_and_the_first_kept(reader, store):
    made = image()
    _store(reader, file_of(made))
    first = file_of(made)
    made.PatientName = "Other"
    answer = _store(reader, file_of(made))
    assert answer.status_code == 409
    assert _reasons(answer) == [0x0111]
    (kept,) = store.instances(made.StudyInstanceUID)
    assert kept.path.read_bytes() == first


def test_one_bad_part_does_not_stop_the_others(reader, store):
    good = image()
    answer = _store(reader, b"not DICOM", file_of(good))
    assert answer.status_code == 202
    assert _reasons(answer) == [0xA900]
    assert len(store.instances(good.StudyInstanceUID)) == 1
    assert "not a DICOM file" in answer.headers["Warning"]


def test_an_object_of_another_study_than_the_address_is_refused(reader, store):
    made = image()
    answer = _store(reader, file_of(made), path="/dicomweb/studies/1.2.3")
    assert answer.status_code == 409
    assert store.instances(made.StudyInstanceUID) == []
    assert (
        _store(reader, file_of(made), path=f"/dicomweb/studies/{made.StudyInstanceUID}").status_code
        == 200
    )


def _deflated():
    made = image(syntax=DeflatedExplicitVRLittleEndian)
    return file_of(made)


def _path_uid():
    made = image()
    return file_of(made).replace(
        made.StudyInstanceUID.encode(),
        b"../" * (len(made.StudyInstanceUID) // 3) + b"." * (len(made.StudyInstanceUID) % 3),
    )


BAD = {
    "empty": lambda: b"",
    "noise": lambda: os.urandom(4096),
    "truncated": lambda: file_of(image())[:-10],
    "only a preamble": lambda: b"\0" * 128 + b"DICM",
    "deflated, which may inflate without bound": _deflated,
    "a path for a UID": _path_uid,
    "no series": lambda: file_of(dataset(SeriesInstanceUID="")),
}


@pytest.mark.parametrize("kind", BAD)
def test_a_bad_object_is_refused_and_leaves_nothing(reader, store, kind):
    answer = _store(reader, BAD[kind]())
    assert answer.status_code == 409, answer.text
    assert _reasons(answer) == [0xA900]
    assert list(store.incoming.iterdir()) == []
    assert store.count_studies() == 0


def test_endless_nesting_is_refused(reader, store):
    made = image()
    data = file_of(made)
    open_item = b"\x08\x00\x10\x11SQ\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\xff\xff\xff\xff"
    answer = _store(reader, data + open_item * 5000)
    assert answer.status_code == 409
    assert store.count_studies() == 0


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"", KIND),
        (b"--cut--\r\n", KIND),
        (b"nothing at all", KIND),
        (b"--cut\r\nContent-Type: x", KIND),
        (b"--cut\r\n" + b"x" * 20000 + b"\r\n\r\n", KIND),
        (b"--cut\r\n\r\nhalf a part", KIND),
        (message(b"x"), 'multipart/related; type="application/dicom"'),
        (message(b"x"), 'multipart/related; type="application/dicom"; boundary=' + "x" * 71),
        (message(b"x"), 'multipart/related; type="application/dicom+json"; boundary=cut'),
        (message(b"x"), "application/dicom"),
    ],
)
def test_a_malformed_message_is_refused(reader, store, body, kind):
    answer = reader.send("POST", "/dicomweb/studies", data=body, content_type=kind)
    assert answer.status_code in (400, 409)
    assert list(store.incoming.iterdir()) == []


def test_an_object_beyond_the_limit_is_refused_while_it_comes(reader, store, monkeypatch):
    monkeypatch.setattr(stow, "LARGEST_OBJECT", 1000)
    answer = _store(reader, file_of(image()) + b"\0" * 300_000)
    assert answer.status_code == 409
    assert "larger than" in answer.headers["Warning"]
    assert list(store.incoming.iterdir()) == []


def test_a_full_disk_is_told_and_nothing_is_half_kept(reader, store, monkeypatch):
    def full(_source, _target):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.rename", full)
    answer = _store(reader, file_of(image()))
    assert answer.status_code == 507
    assert _reasons(answer) == [0xA700]
    monkeypatch.undo()
    assert list(store.incoming.iterdir()) == []
    assert store.count_studies() == 0


def test_storing_needs_the_sessions_token(reader, store):
    answer = reader.client.post(
        "/dicomweb/studies", data=message(file_of(image())), content_type=KIND
    )
    assert answer.status_code == 403
    assert store.count_studies() == 0


def test_a_uid_in_the_address_that_is_none_is_refused(reader):
    assert _store(reader, b"x", path="/dicomweb/studies/abc").status_code == 400
