"""A small compressed image that unfolds to a huge one is refused before it is decoded."""

import struct
import tracemalloc

import pydicom
import pytest
from pydicom.data import get_testdata_file
from pydicom.encaps import encapsulate, get_frame

from dicom_service import imaging
from dicom_service.codestream import size_of
from dicom_service.errors import BadObject
from dicom_service.measure import NotMeasurable
from dicom_service.workflow import measuring


@pytest.mark.parametrize("name", ["JPEG2000.dcm", "JPEG-LL.dcm", "MR_small_jpeg_ls_lossless.dcm"])
@pytest.mark.parametrize(
    "use",
    [lambda path: imaging.picture(path, pydicom.dcmread(path)), measuring.load],
    ids=["shown", "measured"],
)
def test_an_image_larger_than_its_header_says_is_not_decoded(use, name, tmp_path, monkeypatch):
    image = pydicom.dcmread(get_testdata_file(name))
    image.Rows = image.Rows // 2
    path = tmp_path / "small.dcm"
    image.save_as(path)
    decoded: list[object] = []
    monkeypatch.setattr(pydicom.Dataset, "pixel_array", property(decoded.append))
    monkeypatch.setattr(imaging, "pixel_array", lambda *_, **__: decoded.append(path))
    with pytest.raises((BadObject, NotMeasurable), match=r"and its header says|cannot be decoded"):
        use(path)
    assert decoded == []


def _frame(name: str) -> tuple[pydicom.Dataset, bytes]:
    image = pydicom.dcmread(get_testdata_file(name))
    return image, get_frame(image.PixelData, 0, number_of_frames=1)


def test_the_frame_that_the_extended_table_names_is_the_one_that_is_looked_at(
    tmp_path, monkeypatch
):
    """A table that leads past the frame that was checked to a larger one is a way round it."""
    image, good = _frame("JPEG2000.dcm")
    _, other = _frame("JPEG2000-embedded-sequence-delimiter.dcm")
    assert size_of(other) != size_of(good)
    image.NumberOfFrames = 2
    image.PixelData = encapsulate([good, other], has_bot=False)
    padded = len(good) + len(good) % 2
    image.ExtendedOffsetTable = struct.pack("<2Q", padded + 8, 0)
    image.ExtendedOffsetTableLengths = struct.pack("<2Q", len(other), len(good))
    path = tmp_path / "two.dcm"
    image.save_as(path)
    decoded: list[object] = []
    monkeypatch.setattr(imaging, "pixel_array", lambda *_, **__: decoded.append(path))
    with pytest.raises(BadObject, match="it is not decoded"):
        imaging.picture(path, pydicom.dcmread(path, stop_before_pixels=True))
    assert decoded == []


def test_where_all_frames_are_decoded_all_are_looked_at():
    image, good = _frame("JPEG2000.dcm")
    _, other = _frame("JPEG2000-embedded-sequence-delimiter.dcm")
    image.NumberOfFrames = 2
    image.PixelData = encapsulate([good, good])
    imaging.check_streams(image)
    image.PixelData = encapsulate([good, other])
    with pytest.raises(BadObject, match="it is not decoded"):
        imaging.check_streams(image)


@pytest.mark.parametrize("compressed", [True, False])
def test_a_picture_of_one_frame_reads_no_other(compressed, tmp_path):
    image, frame = _frame("JPEG2000.dcm")
    if not compressed:
        image.decompress()
        frame = image.PixelData
    image.NumberOfFrames = 2
    image.PixelData = encapsulate([frame, b"\0\0"], has_bot=False) if compressed else frame * 2
    path = tmp_path / "large.dcm"
    image.save_as(path)
    large = 1 << 26
    with path.open("r+b") as file:
        data = file.read()
        if compressed:
            at = data.rindex(b"\xfe\xff\x00\xe0")
            file.seek(at + 4)
            file.write(struct.pack("<L", large))
            file.truncate(at + 8 + large)
            file.seek(0, 2)
            file.write(b"\xfe\xff\xdd\xe0\0\0\0\0")
        else:
            at = data.rindex(b"\xe0\x7f\x10\x00")
            file.seek(at + 8)
            file.write(struct.pack("<L", large))
            file.truncate(at + 12 + large)
    header = pydicom.dcmread(path, stop_before_pixels=True)
    if not compressed:
        header.NumberOfFrames = large // len(frame)
    imaging.picture(path, header)
    tracemalloc.start()
    try:
        shown = imaging.picture(path, header)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert shown.size == (header.Columns, header.Rows)
    assert peak < large // 2
