"""Compressed frames, however they are encapsulated: found without reading the pixels."""

import os
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pydicom import config
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate, encapsulate_extended, get_frame
from pydicom.uid import JPEG2000Lossless

from dicom_service.errors import BadObject, SesamoidError
from dicom_service.web.dicomweb import fragments
from dicom_service.web.dicomweb.frames import find_pixels, frame_pieces
from tests.web.conftest import file_of, image
from tests.web.test_retrieve import FRAMES, _parts

COUNT = 4


def frames(size: int, *, marked: bool = False) -> list[bytes]:
    """Streams that no decoder would take: nothing here decodes."""
    chance = np.random.default_rng(5)
    end = b"\xff\xd9" if marked else b"\x00\x01"
    made = (chance.integers(0, 255, size + 2 * n, np.uint8).tobytes() for n in range(COUNT))
    return [one.replace(b"\xff\xd9", b"\xff\xd8") + end for one in made]


def _extended(made: Dataset, streams: list[bytes]) -> None:
    made.PixelData, table, lengths = encapsulate_extended(streams)
    made.ExtendedOffsetTable, made.ExtendedOffsetTableLengths = table, lengths


def _plain(**how) -> Callable[[Dataset, list[bytes]], None]:
    def put(made: Dataset, streams: list[bytes]) -> None:
        made.PixelData = encapsulate(streams, **how)

    return put


KINDS = {
    "one fragment each, with a table": _plain(),
    "one fragment each, without a table": _plain(has_bot=False),
    "three fragments each, with a table": _plain(fragments_per_frame=3),
    "three fragments each, without a table": _plain(fragments_per_frame=3, has_bot=False),
    "an extended table": _extended,
}


def encapsulated(kind: str, size: int) -> tuple[Dataset, list[bytes]]:
    marked = kind == "three fragments each, without a table"
    streams = frames(size, marked=marked)
    made = image(np.zeros((COUNT, 8, 8), np.uint16))
    made.file_meta.TransferSyntaxUID = JPEG2000Lossless
    KINDS[kind](made, streams)
    made["PixelData"].VR = "OB"
    made["PixelData"].is_undefined_length = True
    return made, streams


@pytest.mark.parametrize("kind", KINDS)
def test_each_frame_comes_as_it_is_stored(reader, keep, kind):
    made, streams = encapsulated(kind, 1000)
    path = keep(made)
    for number, stream in enumerate(streams, start=1):
        (part,) = _parts(reader.get(f"{path}/frames/{number}", headers={"Accept": FRAMES}))
        assert part[1].removesuffix(b"\0") == stream.removesuffix(b"\0")
        assert JPEG2000Lossless in part[0]
    several = _parts(reader.get(f"{path}/frames/4,1", headers={"Accept": FRAMES}))
    assert [one[:900] for _, one in several] == [streams[3][:900], streams[0][:900]]


@pytest.mark.parametrize("kind", KINDS)
def test_an_independent_reader_finds_the_same_bytes(tmp_path, kind):
    made, _ = encapsulated(kind, 1000)
    file = tmp_path / "image.dcm"
    file.write_bytes(file_of(made))
    pixels = find_pixels(file)
    table = None
    if "ExtendedOffsetTable" in made:
        table = (made.ExtendedOffsetTable, made.ExtendedOffsetTableLengths)
    for number in range(1, COUNT + 1):
        expected = get_frame(
            made.PixelData, number - 1, number_of_frames=COUNT, extended_offsets=table
        )
        assert _read(file, frame_pieces(file, pixels, number)) == expected


def test_several_fragments_of_the_only_frame_are_one_frame(tmp_path):
    stream = frames(1000)[0]
    made = image()
    made.file_meta.TransferSyntaxUID = JPEG2000Lossless
    made.PixelData = encapsulate([stream], fragments_per_frame=5)
    made["PixelData"].is_undefined_length = True
    file = tmp_path / "image.dcm"
    file.write_bytes(file_of(made))
    pieces = frame_pieces(file, find_pixels(file), 1)
    assert len(pieces) == 5
    assert _read(file, pieces) == stream


def _read(file: Path, pieces) -> bytes:
    data = file.read_bytes()
    return b"".join(p if isinstance(p, bytes) else data[p[0] : sum(p)] for p in pieces)


def _bytes_read() -> int:
    """What this process has read from files and sockets so far."""
    return int(Path("/proc/self/io").read_text().split()[1])


@pytest.mark.parametrize("kind", [*KINDS, "not compressed"])
def test_finding_a_frame_reads_next_to_nothing_of_a_large_file(tmp_path, kind):
    if kind == "not compressed":
        made = image(np.zeros((COUNT, 2000, 1000), np.uint16))
    else:
        made, _ = encapsulated(kind, 4_000_000)
    file = tmp_path / "image.dcm"
    file.write_bytes(file_of(made))
    assert file.stat().st_size > 15_000_000
    del made
    before = _bytes_read()
    pieces = frame_pieces(file, find_pixels(file), COUNT)
    assert _bytes_read() - before < 200_000
    assert sum(p[1] for p in pieces) >= 4_000_000
    # The control: reading the frame shows in the same count.
    before = _bytes_read()
    with file.open("rb", buffering=0) as opened:
        os.pread(opened.fileno(), pieces[0][1], pieces[0][0])
    assert _bytes_read() - before >= pieces[0][1]


def _all_found(file: Path) -> None:
    for number in range(1, COUNT + 1):
        frame_pieces(file, find_pixels(file), number)


def _damaged(file: Path, change: Callable[[bytearray, int], None]) -> None:
    """Change the bytes of a file; the second argument is where its pixel data begin."""
    data = bytearray(file.read_bytes())
    change(data, find_pixels(file).offset)
    file.write_bytes(data)


def _set(place: int, value: int) -> Callable[[bytearray, int], None]:
    def change(data: bytearray, offset: int) -> None:
        struct.pack_into("<L", data, offset + place, value)

    return change


def _cut(data: bytearray, _offset: int) -> None:
    del data[-3000:]


DAMAGES = {
    "a table that points outside": (KINDS["one fragment each, with a table"], _set(20, 1 << 31)),
    "a table that points into a frame": (KINDS["one fragment each, with a table"], _set(20, 55)),
    "a table without end": (KINDS["one fragment each, with a table"], _set(4, 0xFFFFFFF0)),
    "a fragment without end": (KINDS["one fragment each, without a table"], _set(12, 1 << 30)),
    "no end": (KINDS["one fragment each, without a table"], _cut),
    "fewer frames than said": (lambda d, s: _plain()(d, s[:2]), lambda *_: None),
    "an extended table that is too short": (
        lambda d, s: (_extended(d, s), setattr(d, "ExtendedOffsetTable", b"\0" * 8)),
        lambda *_: None,
    ),
    "an extended table of lengths that lie": (
        lambda d, s: (
            _extended(d, s),
            setattr(d, "ExtendedOffsetTableLengths", b"\xff" * 8 * COUNT),
        ),
        lambda *_: None,
    ),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_encapsulation_is_a_sentence(tmp_path, monkeypatch, damage):
    monkeypatch.setattr(config.settings, "reading_validation_mode", config.IGNORE)
    put, change = DAMAGES[damage]
    made = image(np.zeros((COUNT, 8, 8), np.uint16))
    made.file_meta.TransferSyntaxUID = JPEG2000Lossless
    put(made, frames(1000))
    made["PixelData"].VR, made["PixelData"].is_undefined_length = "OB", True
    file = tmp_path / "image.dcm"
    file.write_bytes(file_of(made))
    _damaged(file, change)
    with pytest.raises(BadObject):
        _all_found(file)


def test_countless_empty_fragments_are_not_walked_through(tmp_path, monkeypatch):
    monkeypatch.setattr(fragments, "MOST", 500)
    made = image()
    made.file_meta.TransferSyntaxUID = JPEG2000Lossless
    made.PixelData = b"\xfe\xff\x00\xe0\0\0\0\0" * 1000 + b"\xfe\xff\xdd\xe0\0\0\0\0"
    made["PixelData"].VR, made["PixelData"].is_undefined_length = "OB", True
    file = tmp_path / "image.dcm"
    file.write_bytes(file_of(made))
    with pytest.raises(SesamoidError, match="more than 500 pieces"):
        frame_pieces(file, find_pixels(file), 1)
