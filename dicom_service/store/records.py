"""The records of a journal, as bytes in a segment, and found again there.

A record begins at a multiple of 4096, so that writing one never touches a block of another, with
a token of its segment that no peer knows, a number that only grows, and a checksum of everything.
What a power cut tore is known by the checksum; it was never acknowledged.
"""

import logging
import os
import struct
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from dicom_service.store.syncing import sync_folder

log = logging.getLogger(__name__)
BLOCK = 4096
ZEROS = bytes(1 << 20)
_START = struct.Struct("<8s16sL")  # magic, token, checksum
_HEAD = struct.Struct("<16sQLL")  # token, number, length of what is known of it, of the object
_CHECK = struct.Struct("<L")
_MAGIC = b"sesajrn1"
OVERHEAD = _HEAD.size + _CHECK.size
"""Bytes of a record before what is known of its object."""

Bytes = bytes | bytearray | memoryview


class Found(NamedTuple):
    """A whole record as found in a segment."""

    number: int
    known: bytes
    data: bytes


def first_block(token: bytes) -> bytes:
    """How a segment with this token begins."""
    return _START.pack(_MAGIC, token, zlib.crc32(token)).ljust(BLOCK, b"\0")


def record_start(token: bytes, number: int, known: bytes, data: Bytes) -> bytes:
    """What stands before the bytes of the object."""
    head = _HEAD.pack(token, number, len(known), len(data))
    check = zlib.crc32(data, zlib.crc32(known, zlib.crc32(head)))
    return head + _CHECK.pack(check) + known


def files_in(folder: Path) -> list[Path]:
    """The segments of a journal that nobody has open."""
    return sorted(folder.glob("*.segment")) if folder.is_dir() else []


def records_in(file: Path) -> Iterator[Found]:
    """Every whole record in a segment, old ones too, in the order of their places.

    A damaged block ends nothing: the next record is looked for behind it.
    """
    seen = _read(file)
    if len(seen) < 2 * BLOCK:
        return
    magic, token, check = _START.unpack_from(seen)
    if magic != _MAGIC or check != zlib.crc32(token):  # the power went while it was made
        return
    at = seen.find(token, BLOCK)
    while at >= 0:
        found = _record_at(seen, at) if at % BLOCK == 0 else None
        if found is None:
            at = seen.find(token, at + 1)
        else:
            yield found
            at = seen.find(token, at + OVERHEAD + len(found.known) + len(found.data))


def _read(file: Path) -> bytearray:
    """All that the disk gives; zeros for blocks that it cannot read."""
    seen = bytearray()
    with file.open("rb", buffering=0) as opened:
        size = os.fstat(opened.fileno()).st_size
        while len(seen) < size:
            try:
                piece = os.pread(opened.fileno(), len(ZEROS), len(seen))
            except OSError:
                piece = _blocks(opened.fileno(), len(seen), min(size, len(seen) + len(ZEROS)))
            if not piece:  # it was cut shorter meanwhile
                break
            seen += piece
    return seen


def _blocks(handle: int, start: int, end: int) -> bytes:
    pieces = []
    for at in range(start, end, BLOCK):
        try:
            pieces.append(os.pread(handle, min(BLOCK, end - at), at))
        except OSError as error:
            log.error("a block of the journal cannot be read (at %d): %s", at, error)
            pieces.append(bytes(min(BLOCK, end - at)))
    return b"".join(pieces)


def _record_at(seen: bytearray, at: int) -> Found | None:
    start = at + OVERHEAD
    if start > len(seen):
        return None
    head = bytes(seen[at : at + _HEAD.size])
    _, number, known_length, data_length = _HEAD.unpack(head)
    if start + known_length + data_length > len(seen):
        return None
    known = bytes(seen[start : start + known_length])
    data = bytes(seen[start + known_length : start + known_length + data_length])
    (check,) = _CHECK.unpack_from(seen, at + _HEAD.size)
    if check != zlib.crc32(data, zlib.crc32(known, zlib.crc32(head))):
        return None
    return Found(number, known, data)


def write_records(file: Path, records: Sequence[Found]) -> None:
    """Write a segment with just these records, for a backup; durable when this returns."""
    token = os.urandom(16)
    with file.open("xb") as opened:
        opened.write(first_block(token))
        for record in records:
            opened.write(record_start(token, record.number, record.known, record.data))
            opened.write(record.data)
            opened.write(bytes(-opened.tell() % BLOCK))
        opened.flush()
        os.fsync(opened.fileno())
    sync_folder(file.parent)
