"""Frames as they are stored, without decoding: places in the file."""

import os
import struct
from pathlib import Path
from typing import IO, NamedTuple

import pydicom
from pydicom.dataset import Dataset
from pydicom.pixels.utils import get_expected_length
from pydicom.uid import UID, ExplicitVRLittleEndian, ImplicitVRLittleEndian

from dicom_service.errors import BadObject, NotFound, Refused
from dicom_service.web.dicomweb.fragments import Encapsulated, Stretch, Table
from dicom_service.web.problems import NotAcceptable

_PIXELS = (0x7FE0, 0x0010)
_UNDEFINED = 0xFFFFFFFF
LARGEST_LIST = 256


class Pixels(NamedTuple):
    """Where the pixel data of a file are."""

    header: Dataset
    offset: int
    """Of the first byte of the value."""
    length: int
    """Of the value; -1 when it is encapsulated."""

    @property
    def syntax(self) -> UID:
        """Transfer syntax of the file."""
        return UID(self.header.file_meta.TransferSyntaxUID)

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.header.get("NumberOfFrames") or 1)


def frame_numbers(text: str, count: int) -> list[int]:
    """The frame numbers of an address, "1" or "1,2,3".

    Raises
    ------
    Refused
        It is no such list.
    NotFound
        The object has no such frame.
    """
    parts = text.split(",")
    if len(parts) > LARGEST_LIST or not all(
        p.isascii() and p.isdigit() and len(p) < 8 for p in parts
    ):
        raise Refused("The frames must be given as whole numbers with commas, 256 at most.")
    numbers = [int(part) for part in parts]
    for number in numbers:
        if not 1 <= number <= count:
            raise NotFound(f"There is no frame {number}: the object has {count}.")
    return numbers


def find_pixels(path: Path) -> Pixels:
    """Find the pixel data of a file without reading them.

    Raises
    ------
    NotAcceptable
        The object has none.
    """
    with path.open("rb") as file:
        header = pydicom.dcmread(file, stop_before_pixels=True)
        return Pixels(header, *_value_place(file, header))


def sent_syntax(pixels: Pixels) -> str:
    """Transfer syntax of the frames as they are sent.

    Uncompressed frames are the same bytes whether VRs are written or not; explicit stands for
    both. (Other byte orders are not stored here.)
    """
    return str(pixels.syntax if pixels.length < 0 else ExplicitVRLittleEndian)


def frame_pieces(path: Path, pixels: Pixels, number: int) -> list[bytes | Stretch]:
    """One frame (from 1), as it is stored: where it lies in the file, nothing of it read.

    Raises
    ------
    BadObject
        The file has fewer pixels than its header says.
    """
    with path.open("rb", buffering=0) as file:
        if pixels.length < 0:
            table = _extended_table(pixels.header)
            whole = Encapsulated(file.fileno(), pixels.offset, pixels.frames, table)
            return list(whole.stretches(number))
        size = frame_length(pixels.header)
        place = pixels.offset + (number - 1) * size
        if number * size > pixels.length:
            raise BadObject("The image has fewer pixels than its header says.")
        if place + size > os.fstat(file.fileno()).st_size:
            raise BadObject("The file of the image ends before its pixels do.")
    return [(place, size)]


def frame_length(header: Dataset) -> int:
    """Bytes of one uncompressed frame."""
    count = int(header.get("NumberOfFrames") or 1)
    if int(header.get("BitsAllocated") or 0) not in (8, 16, 32):
        raise NotAcceptable("Frames of this image are not made of whole bytes.")
    return get_expected_length(header, unit="bytes") // count


def _extended_table(header: Dataset) -> Table | None:
    if "ExtendedOffsetTable" not in header or "ExtendedOffsetTableLengths" not in header:
        return None
    return bytes(header.ExtendedOffsetTable or b""), bytes(header.ExtendedOffsetTableLengths or b"")


def _value_place(file: IO[bytes], header: Dataset) -> tuple[int, int]:
    """Where reading stopped, the element of the pixel data begins."""
    implicit = header.file_meta.TransferSyntaxUID == ImplicitVRLittleEndian
    size = 8 if implicit else 12
    start = file.read(size)
    if len(start) < size or struct.unpack_from("<2H", start) != _PIXELS:
        raise NotAcceptable("The object has no pixel data.")
    (length,) = struct.unpack_from("<L", start, size - 4)
    return file.tell(), -1 if length == _UNDEFINED else int(length)
