"""WADO-RS: metadata, frames, whole objects, pictures and documents."""

import io
import json
import tracemalloc

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.uid import ImplicitVRLittleEndian, JPEGLSLossless, RLELossless, generate_uid

from dicom_service.web.dicomweb.metadata import metadata_text
from tests.web.conftest import FOR_PROCESSING, PDF, SR, address, dataset, file_of, image

FRAMES = "multipart/related; type=application/octet-stream; transfer-syntax=*"


def _parts(answer):
    """Headers and content of each part; splits independently of the code under test."""
    boundary = answer.content_type.split("boundary=")[1].encode()
    body = answer.data
    assert body.endswith(b"--" + boundary + b"--\r\n")
    parts = []
    for piece in body.split(b"--" + boundary + b"\r\n")[1:]:
        piece = piece.split(b"\r\n--" + boundary)[0] if boundary in piece else piece[:-2]
        headers, content = piece.split(b"\r\n\r\n", 1)
        parts.append((headers.decode(), content))
    return parts


def _compressed(syntax: str, **values) -> Dataset:
    made = image(np.tile(np.arange(64, dtype=np.uint16), (64, 1)) * 50, **values)
    made.compress(syntax, generate_instance_uid=False)
    return made


def test_metadata_are_the_header_without_pixels(reader, keep):
    made = image(ImagerPixelSpacing=[0.1, 0.2], ViewPosition="DPA")
    path = keep(made)
    series = path.partition("/instances/")[0]
    answer = reader.get(f"{series}/metadata", headers={"Accept": "application/dicom+json"})
    assert answer.content_type == "application/dicom+json"
    (found,) = answer.json
    assert "7FE00010" not in found
    assert found["00181164"] == {"vr": "DS", "Value": [0.1, 0.2]}
    assert found["00100010"]["Value"] == [{"Alphabetic": "Brandt^Bésame"}]
    assert found["00080005"]["Value"] == ["ISO_IR 192"], "JSON is UTF-8"
    assert found["00083002"]["Value"] == [made.file_meta.TransferSyntaxUID]
    study = path.partition("/series/")[0]
    assert reader.get(f"{study}/metadata").json == answer.json
    assert reader.get(f"{path}/metadata").json == answer.json


def test_the_content_of_a_report_is_in_its_metadata(reader, keep):
    item = Dataset()
    item.ValueType, item.TextValue, item.RelationshipType = "TEXT", "Normal.", "CONTAINS"
    report = dataset(sop_class=SR, Modality="SR", ContentSequence=[item])
    (found,) = reader.get(f"{keep(report)}/metadata").json
    assert found["0040A730"]["Value"][0]["0040A160"]["Value"] == ["Normal."]


def test_values_that_json_or_the_reader_cannot_take_do_not_break_the_rest(reader, keep):
    made = image(PatientOrientation=["L", "F"])
    made.add_new(0x00189305, "FD", float("nan"))
    made.add_new(0x00101020, "LO", "x")  # PatientSize is a DS
    answer = reader.get(f"{keep(made)}/metadata")
    (found,) = json.loads(answer.data, parse_constant=pytest.fail)
    assert found["00200020"]["Value"] == ["L", "F"]
    assert found["00189305"] == {"vr": "FD", "Value": [None]}


def test_metadata_of_large_images_come_without_their_pixels_being_read(app, reader, keep):
    big = np.zeros((3000, 2500), np.uint16)
    first = image(big)
    second = image(big, study=first.StudyInstanceUID, series=first.SeriesInstanceUID)
    series = keep(first, second).partition("/instances/")[0]
    reader.get("/api/session")
    metadata_text.cache_clear()
    tracemalloc.start()
    try:
        answer = reader.get(f"{series}/metadata")
        assert tracemalloc.get_traced_memory()[1] < big.nbytes / 5
    finally:
        tracemalloc.stop()
    assert len(answer.json) == 2


def test_uncompressed_frames_are_the_bytes_of_the_file(reader, keep):
    pixels = np.arange(96, dtype=np.uint16).reshape(2, 6, 8)
    path = keep(image(pixels))
    (one,) = _parts(reader.get(f"{path}/frames/2", headers={"Accept": FRAMES}))
    assert one[0] == "Content-Type: application/octet-stream; transfer-syntax=1.2.840.10008.1.2.1"
    assert one[1] == pixels[1].tobytes()
    both = _parts(reader.get(f"{path}/frames/2,1", headers={"Accept": FRAMES}))
    assert [content for _, content in both] == [pixels[1].tobytes(), pixels[0].tobytes()]


def test_implicit_vr_frames_are_sent_as_explicit(reader, keep):
    made = image(syntax=ImplicitVRLittleEndian)
    (one,) = _parts(reader.get(f"{keep(made)}/frames/1", headers={"Accept": FRAMES}))
    assert "transfer-syntax=1.2.840.10008.1.2.1" in one[0]
    assert one[1] == made.PixelData


@pytest.mark.parametrize("syntax", [JPEGLSLossless, RLELossless])
def test_compressed_frames_are_sent_as_stored_and_name_their_syntax(reader, keep, syntax):
    made = _compressed(syntax)
    (one,) = _parts(reader.get(f"{keep(made)}/frames/1", headers={"Accept": FRAMES}))
    assert f"transfer-syntax={syntax}" in one[0]
    assert encapsulate([one[1]]) == made.PixelData


def test_compressed_frames_of_several_are_told_apart(reader, keep):
    made = image(np.stack([np.full((64, 64), n, np.uint16) for n in (1, 2, 3)]))
    made.compress(RLELossless, generate_instance_uid=False)
    stored = list(pydicom.encaps.generate_frames(made.PixelData, number_of_frames=3))
    parts = _parts(reader.get(f"{keep(made)}/frames/1,3", headers={"Accept": FRAMES}))
    assert [content for _, content in parts] == [stored[0], stored[2]]


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("*/*", 200),
        ('multipart/related; type="application/octet-stream"', 200),
        ('multipart/related; type="image/jls"; transfer-syntax=1.2.840.10008.1.2.4.80', 200),
        ('multipart/related; type="application/octet-stream"; transfer-syntax="*"', 200),
        (
            "multipart/related; type=application/octet-stream; transfer-syntax=1.2.840.10008.1.2.1",
            406,
        ),
        ("multipart/related; type=image/jp2", 406),
        ("text/html", 406),
    ],
)
def test_frames_are_never_transcoded_behind_the_clients_back(reader, keep, accept, status):
    path = keep(_compressed(JPEGLSLossless))
    answer = reader.get(f"{path}/frames/1", headers={"Accept": accept})
    assert answer.status_code == status


@pytest.mark.parametrize(
    ("numbers", "status"),
    [("0", 404), ("2", 404), ("x", 400), ("1,", 400), ("-1", 400), (",".join("1" * 300), 400)],
)
def test_frames_that_do_not_exist_are_refused(reader, keep, numbers, status):
    assert reader.get(f"{keep(image())}/frames/{numbers}").status_code == status


def test_an_image_shorter_than_its_header_says_gets_a_sentence(reader, keep):
    made = image()
    made.Rows = 100
    answer = reader.get(f"{keep(made)}/frames/1")
    assert answer.status_code == 400
    assert "fewer pixels" in answer.json["detail"]


def test_frames_are_asked_again_but_not_sent_again(reader, keep):
    path = keep(image())
    first = reader.get(f"{path}/frames/1")
    assert first.headers["Cache-Control"] == "private, no-cache"
    again = reader.get(f"{path}/frames/1", headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304


def test_whole_objects_come_back_byte_for_byte(reader, keep):
    first = image()
    second = image(study=first.StudyInstanceUID, SeriesNumber=2)
    path = keep(first, second)
    study = path.partition("/series/")[0]
    accept = {"Accept": 'multipart/related; type="application/dicom"'}
    assert [c for _, c in _parts(reader.get(study, headers=accept))] == [
        file_of(first),
        file_of(second),
    ]
    (one,) = _parts(reader.get(path, headers=accept))
    assert one[0] == "Content-Type: application/dicom; transfer-syntax=1.2.840.10008.1.2.1"
    single = reader.get(path, headers={"Accept": "application/dicom"})
    assert single.data == file_of(second)
    assert reader.get(study, headers={"Accept": "application/dicom"}).status_code == 406


def test_an_image_that_nobody_reads_is_retrieved_by_its_own_address_only(reader, keep):
    raw = image(sop_class=FOR_PROCESSING, Modality="DX")
    path = keep(raw)
    assert reader.get(f"{path}/metadata").status_code == 200
    assert reader.get(path.partition("/series/")[0] + "/metadata").status_code == 404


def _picture(answer):
    return np.asarray(Image.open(io.BytesIO(answer.data)))


def test_a_picture_uses_the_whole_range_when_there_is_no_window(reader, keep):
    pixels = np.array([[0, 1000], [2000, 4000]], np.uint16)
    answer = reader.get(f"{keep(image(pixels))}/rendered", headers={"Accept": "image/png"})
    assert answer.content_type == "image/png"
    assert _picture(answer).tolist() == [[0, 64], [128, 255]]


def test_a_picture_uses_the_window_and_turns_monochrome1(reader, keep):
    pixels = np.array([[0, 1000, 1500, 2000, 4000]], np.uint16)
    made = image(
        pixels, PhotometricInterpretation="MONOCHROME1", WindowCenter=1500.5, WindowWidth=1001
    )
    path = keep(made)
    shown = _picture(reader.get(f"{path}/rendered", headers={"Accept": "image/png"}))
    assert shown.tolist() == [[255, 255, 127, 0, 0]]
    wider = reader.get(
        f"{path}/frames/1/rendered?window=2000.5,4001,linear", headers={"Accept": "image/png"}
    )
    assert _picture(wider).tolist() == [[255, 191, 159, 127, 0]]


def test_pictures_are_jpeg_by_default_and_thumbnails_small(reader, keep):
    path = keep(_compressed(JPEGLSLossless, SeriesNumber=3))
    answer = reader.get(f"{path}/rendered")
    assert answer.content_type == "image/jpeg"
    assert _picture(answer).shape == (64, 64)
    small = reader.get(f"{path}/thumbnail?viewport=16,16")
    assert _picture(small).shape == (16, 16)
    study = path.partition("/series/")[0]
    assert reader.get(f"{study}/thumbnail").status_code == 200


@pytest.mark.parametrize(
    "query", ["viewport=0x5,2", "viewport=1", "window=a,b", "window=1,0", "window=nan,nan"]
)
def test_a_wrong_wish_for_a_picture_is_refused(reader, keep, query):
    assert reader.get(f"{keep(image())}/rendered?{query}").status_code == 400


def test_an_image_that_claims_to_be_gigantic_is_not_decoded(reader, keep):
    made = _compressed(RLELossless)
    made.Rows = made.Columns = 60000
    answer = reader.get(f"{keep(made)}/rendered")
    assert answer.status_code == 406
    assert "3600000000 pixels" in answer.json["detail"]


@pytest.fixture
def document(keep):
    made = dataset(sop_class=PDF, Modality="DOC")
    made.MIMETypeOfEncapsulatedDocument = "application/pdf"
    made.EncapsulatedDocument = b"%PDF-1.7 small\0"
    made.EncapsulatedDocument += b"\0" if len(made.EncapsulatedDocument) % 2 else b""
    made.EncapsulatedDocumentLength = 14
    return keep(made)


def test_a_pdf_is_named_in_the_metadata_and_fetched_as_the_viewer_does(reader, document):
    (found,) = reader.get(f"{document}/metadata").json
    uri = found["00420011"]["BulkDataURI"]
    assert found["00420011"] == {"vr": "OB", "BulkDataURI": f"{document}/bulkdata/00420011"}
    accept = (
        'multipart/related; type="application/pdf", '
        'multipart/related; type="application/octet-stream"'
    )
    (one,) = _parts(reader.get(uri, headers={"Accept": accept}))
    assert one == ("Content-Type: application/pdf", b"%PDF-1.7 small")
    assert reader.get(uri, headers={"Accept": "application/pdf"}).data == b"%PDF-1.7 small"


def test_a_browser_gets_the_pdf_although_it_does_not_name_it(reader, document):
    answer = reader.get(f"{document}/rendered", headers={"Accept": "text/html,*/*;q=0.8"})
    assert answer.content_type == "application/pdf"
    assert answer.data == b"%PDF-1.7 small"
    assert "frame-ancestors 'self'" in answer.headers["Content-Security-Policy"]


def test_a_document_that_a_browser_would_run_is_not_shown(reader, keep):
    made = dataset(sop_class=PDF, Modality="DOC", MIMETypeOfEncapsulatedDocument="text/html")
    made.EncapsulatedDocument = b"<script>alert(1)</script> "
    path = keep(made)
    assert reader.get(f"{path}/rendered").status_code == 406
    answer = reader.get(f"{path}/bulkdata/00420011", headers={"Accept": "text/html"})
    assert answer.status_code == 406


@pytest.mark.parametrize(
    ("tag", "status"), [("00100010", 404), ("7FE00010", 404), ("xyz", 400), ("00420011", 404)]
)
def test_only_large_binary_values_are_bulk_data(reader, keep, tag, status):
    assert reader.get(f"{keep(image())}/bulkdata/{tag}").status_code == status


def test_a_report_has_no_frames_and_no_picture(reader, keep):
    path = keep(dataset(sop_class=SR, Modality="SR"))
    for what in ("frames/1", "rendered", "thumbnail"):
        assert reader.get(f"{path}/{what}").status_code == 406


@pytest.mark.parametrize("what", ["", "/metadata", "/frames/1", "/rendered", "/thumbnail"])
def test_an_unknown_object_is_a_problem(reader, what):
    answer = reader.get(address(image()) + what)
    assert answer.status_code == 404
    assert answer.content_type == "application/problem+json"


@pytest.mark.parametrize("uid", ["..%2f..%2fetc", "1.2;x", "a", "1" * 65])
def test_a_path_in_the_place_of_a_uid_is_refused(reader, uid):
    path = f"/dicomweb/studies/{uid}/series/1.2/instances/{generate_uid()}/frames/1"
    assert reader.get(path).status_code in (400, 404)
