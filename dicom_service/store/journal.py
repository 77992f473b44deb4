"""The journal of small objects: one sync of one file makes several of them durable.

A segment is a file of fixed length that is filled with zeros once: appending to it then changes
no metadata, so the sync has nothing but the bytes to write. A record begins at a multiple of
4096, so that writing one never touches a block of another, with a token of its segment that no
peer knows, a number that only grows, and a checksum of everything. What a power cut tore is
known by the checksum; it was never acknowledged.

A segment whose objects are in files of their own is written over. Old records in it have
numbers that the index knows as done.
"""

import mmap
import os
import struct
import threading
import zlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from dicom_service.errors import StorageFull
from dicom_service.store.blobs import full_disk_named, sync_folder
from dicom_service.store.faults import reach
from dicom_service.store.group import Group

BLOCK = 4096
SEGMENT = 32 << 20
SEGMENTS = 4
_START = struct.Struct("<8s16sL")  # magic, token, checksum
_HEAD = struct.Struct("<16sQLL")  # token, number, length of what is known of it, of the object
_CHECK = struct.Struct("<L")
_MAGIC = b"sesajrn1"
_OVERHEAD = _HEAD.size + _CHECK.size
_ZEROS = bytes(1 << 20)


class Found(NamedTuple):
    """A whole record as found in a segment."""

    number: int
    known: bytes
    data: bytes


class Place(NamedTuple):
    """Where a record is."""

    segment: "Segment"
    number: int
    start: int
    length: int
    """Of the object's bytes, which begin at `start`."""

    def read(self) -> bytes:
        """The object's bytes."""
        return os.pread(self.segment.handle, self.length, self.start)


class Segment:
    """One file of the journal, open for writing."""

    def __init__(self, file: Path, size: int) -> None:
        self.file = file
        self.size = size
        self.used = BLOCK
        self.last = 0
        """Number of its newest record."""
        self.waiting = 0
        """Records whose objects are not in the index yet."""
        self.names: list[str] = []
        """Blobs made from its records that are not synced yet."""
        self.broken = False
        """A sync failed: nothing can be said about what is written to it from now on."""
        self.token = os.urandom(16)
        self.handle = os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o640)
        try:
            self._fill()
        except BaseException:
            self.remove()
            raise

    def _fill(self) -> None:
        start = _START.pack(_MAGIC, self.token, zlib.crc32(self.token)).ljust(BLOCK, b"\0")
        os.pwrite(self.handle, start, 0)
        for position in range(BLOCK, self.size, len(_ZEROS)):
            os.pwrite(self.handle, _ZEROS[: self.size - position], position)
        os.fsync(self.handle)
        sync_folder(self.file.parent)

    def remove(self) -> None:
        """Close and delete the file."""
        os.close(self.handle)
        self.file.unlink(missing_ok=True)


class _Item(NamedTuple):
    known: bytes
    data: bytes | bytearray | memoryview
    noted: Callable[[Place], None]

    @property
    def span(self) -> int:
        return -(-(_OVERHEAD + len(self.known) + len(self.data)) // BLOCK) * BLOCK


class Journal:
    """The open segments of a folder.

    Parameters
    ----------
    make_room
        Called when every segment is in use; must let one be `free`d, or raise.
    """

    def __init__(
        self,
        folder: Path,
        make_room: Callable[[], None],
        *,
        first: int,
        size: int = SEGMENT,
        most: int = SEGMENTS,
    ) -> None:
        self._folder = folder
        self._make_room = make_room
        self._number = first
        self._size = size
        self._most = most
        self._made = 0
        self._lock = threading.Lock()
        self._free: list[Segment] = []
        self._sealed: list[Segment] = []
        self._active: Segment | None = None
        self._group = Group(self._write)

    def fits(self, known: bytes, length: int) -> bool:
        """Whether a segment has room for such a record."""
        return _OVERHEAD + len(known) + length <= self._size - BLOCK

    def append(
        self,
        known: bytes,
        data: bytes | bytearray | memoryview,
        noted: Callable[[Place], None],
    ) -> None:
        """Write a record, together with those that others hand in; durable when this returns.

        Parameters
        ----------
        known
            What is to be known of the object besides its bytes.
        noted
            Told where the record is once it is durable, in the order of the numbers.

        Raises
        ------
        StorageFull
            It could not be written.
        """
        self._group.commit(_Item(known, data, noted))

    def sealed(self) -> list[Segment]:
        """Segments that take no more records, the oldest first."""
        with self._lock:
            return list(self._sealed)

    def seal(self) -> None:
        """Let the next record begin another segment; nobody may append at the same time."""
        with self._lock:
            if self._active is not None:
                self._sealed.append(self._active)
                self._active = None

    def free(self, segment: Segment) -> None:
        """Its objects are safe elsewhere: it may be written over."""
        with self._lock:
            self._sealed.remove(segment)
            segment.used = BLOCK
            if segment.broken:
                segment.remove()
                self._made -= 1
            else:
                self._free.append(segment)

    def close(self, *, empty: bool) -> None:
        """Close all segments; delete them when they are `empty`, else they are read at a start."""
        self.seal()
        with self._lock:
            for segment in (*self._sealed, *self._free):
                if empty:
                    segment.remove()
                else:
                    os.close(segment.handle)
            self._sealed, self._free = [], []

    def _write(self, items: list[_Item]) -> list[None]:
        """Write all items; called by one thread at a time."""
        rest = list(items)
        with full_disk_named(self._folder):
            while rest:
                segment = self._with_room(rest[0].span)
                room, count = segment.size - segment.used, 0
                while count < len(rest) and rest[count].span <= room:
                    room -= rest[count].span
                    count += 1
                self._append(segment, rest[:count])
                rest = rest[count:]
        return [None] * len(items)

    def _append(self, segment: Segment, items: Sequence[_Item]) -> None:
        if not segment.file.exists():  # bytes written there would be nowhere
            raise StorageFull(f"The journal {segment.file} is gone. Is its disk there?")
        pieces: list[bytes | bytearray | memoryview] = []
        places, at = [], segment.used
        for item in items:
            self._number += 1
            head = _HEAD.pack(segment.token, self._number, len(item.known), len(item.data))
            check = zlib.crc32(item.data, zlib.crc32(item.known, zlib.crc32(head)))
            start = at + _OVERHEAD + len(item.known)
            gap = item.span - (start - at) - len(item.data)
            pieces += [head + _CHECK.pack(check) + item.known, item.data, _ZEROS[:gap]]
            places.append(Place(segment, self._number, start, len(item.data)))
            at += item.span
        try:
            _write_all(segment.handle, pieces, segment.used)
            reach("journal.written")
            os.fdatasync(segment.handle)
        except OSError:
            segment.broken = True
            self.seal()
            raise
        reach("journal.synced")
        segment.used, segment.last = at, self._number
        segment.waiting += len(items)
        for item, place in zip(items, places, strict=True):
            item.noted(place)

    def _with_room(self, span: int) -> Segment:
        active = self._active
        if active is not None and active.size - active.used >= span:
            return active
        self.seal()
        with self._lock:
            exhausted = not self._free and self._made >= self._most
        if exhausted:
            self._make_room()
        with self._lock:
            if self._free:
                self._active = self._free.pop(0)
                return self._active
            if self._made >= self._most:
                raise StorageFull(
                    f"The journal {self._folder} is full and cannot be emptied. "
                    "See the log; free some room on its disk."
                )
        self._folder.mkdir(exist_ok=True)
        sync_folder(self._folder.parent)
        made = Segment(self._folder / f"{os.urandom(8).hex()}.segment", self._size)
        with self._lock:
            self._made += 1
            self._active = made
        return made


def _write_all(handle: int, pieces: list[bytes | bytearray | memoryview], at: int) -> None:
    rest = [memoryview(piece) for piece in pieces if len(piece)]
    while rest:
        count = os.pwritev(handle, rest, at)
        at += count
        while rest and count >= len(rest[0]):
            count -= len(rest.pop(0))
        if count:
            rest[0] = rest[0][count:]


def files_in(folder: Path) -> list[Path]:
    """The segments of a journal that nobody has open."""
    return sorted(folder.glob("*.segment")) if folder.is_dir() else []


def records_in(file: Path) -> Iterator[Found]:
    """Every whole record in a segment, old ones too, in no order.

    A damaged block ends nothing: the next record is looked for behind it.
    """
    size = file.stat().st_size
    if size < 2 * BLOCK:
        return
    with file.open("rb") as opened, mmap.mmap(opened.fileno(), 0, prot=mmap.PROT_READ) as seen:
        magic, token, check = _START.unpack_from(seen)
        if magic != _MAGIC or check != zlib.crc32(token):  # the power went while it was made
            return
        at = seen.find(token, BLOCK)
        while at >= 0:
            found = _record_at(seen, at, size) if at % BLOCK == 0 else None
            if found is None:
                at = seen.find(token, at + 1)
            else:
                yield found
                length = _OVERHEAD + len(found.known) + len(found.data)
                at = seen.find(token, at + length)


def _record_at(seen: mmap.mmap, at: int, size: int) -> Found | None:
    if at + _OVERHEAD > size:
        return None
    head = seen[at : at + _HEAD.size]
    _, number, known_length, data_length = _HEAD.unpack(head)
    start = at + _OVERHEAD
    if start + known_length + data_length > size:
        return None
    known = seen[start : start + known_length]
    data = seen[start + known_length : start + known_length + data_length]
    (check,) = _CHECK.unpack_from(seen, at + _HEAD.size)
    if check != zlib.crc32(data, zlib.crc32(known, zlib.crc32(head))):
        return None
    return Found(number, known, data)


def write_records(file: Path, records: Sequence[Found]) -> None:
    """Write a segment with just these records, for a backup; durable when this returns."""
    token = os.urandom(16)
    with file.open("xb") as opened:
        opened.write(_START.pack(_MAGIC, token, zlib.crc32(token)).ljust(BLOCK, b"\0"))
        for record in records:
            head = _HEAD.pack(token, record.number, len(record.known), len(record.data))
            check = zlib.crc32(record.data, zlib.crc32(record.known, zlib.crc32(head)))
            opened.write(head + _CHECK.pack(check) + record.known + record.data)
            opened.write(bytes(-opened.tell() % BLOCK))
        opened.flush()
        os.fsync(opened.fileno())
    sync_folder(file.parent)
