"""The archive answers echoes and keeps every kind of object in every transfer syntax."""

from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest
from pydicom import Dataset, dcmread
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

from test_pacs.archive import Archive

CLASSES = {
    "CR": "1.2.840.10008.5.1.4.1.1.1",
    "DX for presentation": "1.2.840.10008.5.1.4.1.1.1.1",
    "DX for processing": "1.2.840.10008.5.1.4.1.1.1.1.1",
    "SC": "1.2.840.10008.5.1.4.1.1.7",
    "KOS": "1.2.840.10008.5.1.4.1.1.88.59",
    "GSPS": "1.2.840.10008.5.1.4.1.1.11.1",
    "Basic Text SR": "1.2.840.10008.5.1.4.1.1.88.11",
    "Enhanced SR": "1.2.840.10008.5.1.4.1.1.88.22",
    "Comprehensive SR": "1.2.840.10008.5.1.4.1.1.88.33",
    "Comprehensive 3D SR": "1.2.840.10008.5.1.4.1.1.88.34",
    "Encapsulated PDF": "1.2.840.10008.5.1.4.1.1.104.1",
}


def write(image: Dataset, folder: Path) -> Path:
    path = folder / f"{image.SOPInstanceUID}.dcm"
    image.save_as(path, enforce_file_format=True)
    return path


@pytest.mark.peer
def test_dcmtk_echo_is_answered(dcmtk: Callable) -> None:
    assert dcmtk("echoscu").returncode == 0


@pytest.mark.peer
@pytest.mark.parametrize("kind", CLASSES)
def test_each_storage_class_sent_by_dcmtk_is_kept(
    kind: str, archive: Archive, dcmtk: Callable, make_image: Callable, tmp_path: Path
) -> None:
    path = write(make_image(SOPClassUID=CLASSES[kind]), tmp_path)
    # -R proposes only what the files need; the default list lacks newer classes.
    sent = dcmtk("storescu", "-R", path)
    assert sent.returncode == 0, sent.stderr
    assert [str(d.SOPClassUID) for d in archive.stored()] == [CLASSES[kind]]


@pytest.mark.peer
@pytest.mark.parametrize(
    ("syntax", "option"),
    [
        (RLELossless, "-xr"),
        (JPEGLSLossless, "-xt"),
        (JPEG2000Lossless, "-xv"),
        (ImplicitVRLittleEndian, "-xi"),
        (DeflatedExplicitVRLittleEndian, "-xd"),
    ],
)
def test_a_transfer_syntax_is_kept_as_sent(
    syntax: str,
    option: str,
    archive: Archive,
    dcmtk: Callable,
    make_image: Callable,
    tmp_path: Path,
) -> None:
    image = make_image()
    pixels = image.PixelData
    if syntax.is_encapsulated:
        image.compress(syntax)
    else:
        image.file_meta.TransferSyntaxUID = syntax
    sent = dcmtk("storescu", option, write(image, tmp_path))
    assert sent.returncode == 0, sent.stderr
    (kept,) = archive.stored()
    assert kept.file_meta.TransferSyntaxUID == syntax
    assert kept.pixel_array.tobytes() == pixels


def test_a_second_copy_with_the_same_uid_leaves_the_first(
    archive: Archive, make_image: Callable
) -> None:
    first = make_image(PatientID="FIRST")
    archive.put(first, make_image(SOPInstanceUID=first.SOPInstanceUID, PatientID="SECOND"))
    assert [d.PatientID for d in archive.stored()] == ["FIRST"]


def test_objects_are_listed_by_study(archive: Archive, make_image: Callable) -> None:
    wanted = make_image()
    archive.put(wanted, make_image())
    (path,) = archive.paths(wanted.StudyInstanceUID)
    assert dcmread(path).SOPInstanceUID == wanted.SOPInstanceUID


def test_a_restart_keeps_the_objects_and_the_port(archive: Archive, make_image: Callable) -> None:
    image = make_image()
    archive.put(image)
    port = archive.port
    archive.restart()
    assert archive.port == port
    assert [d.SOPInstanceUID for d in archive.stored()] == [image.SOPInstanceUID]


def test_a_stored_file_is_the_file_that_was_put(archive: Archive, make_image: Callable) -> None:
    image = make_image()
    buffer = BytesIO()
    image.save_as(buffer, enforce_file_format=True)
    archive.put(image)
    assert archive.paths()[0].read_bytes() == buffer.getvalue()
