"""The journal of small objects: one sync of one file makes several of them durable.

A segment is a file of fixed length that is filled with zeros once: appending to it then changes
no metadata, so the sync has nothing but the bytes to write. What a record looks like is in
`records.py`.

A segment whose objects are in files of their own is written over. Old records in it have
numbers that the index knows as done.
"""

import os
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from dicom_service.errors import StorageFull, TryLater
from dicom_service.store.blobs import full_disk_named
from dicom_service.store.faults import reach
from dicom_service.store.group import Group
from dicom_service.store.records import BLOCK, OVERHEAD, ZEROS, Bytes, first_block, record_start
from dicom_service.store.syncing import sync_folder

SEGMENT = 32 << 20
SEGMENTS = 4


class Place(NamedTuple):
    """Where a record is."""

    segment: "Segment"
    number: int
    start: int
    length: int
    """Of the object's bytes, which begin at `start`."""

    def read(self) -> bytes:
        """The object's bytes.

        Raises
        ------
        TryLater
            The disk does not give them.
        """
        data = os.pread(self.segment.handle, self.length, self.start)
        if len(data) != self.length:
            raise TryLater(f"The journal {self.segment.file} is shorter than it was.")
        return data


class Segment:
    """One file of the journal, open for writing."""

    def __init__(self, file: Path, size: int) -> None:
        self.file = file
        self.size = size
        self.used = BLOCK
        self.last = 0
        """Number of its newest record."""
        self.taken = self.indexed = 0
        """Records in all, and those whose objects are in the index. Each is counted by one thread
        at a time, but not by the same."""
        self.made: list[tuple[str, Place]] = []
        """Blobs made from its records that are not synced yet."""
        self.doubted = False
        """A sync of these blobs failed: what the system remembers of them may not be on disk."""
        self.broken = False
        """A sync failed: nothing can be said about what is written to it from now on."""
        self.token = os.urandom(16)
        self.handle = os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o640)
        try:
            self._fill()
        except BaseException:
            self.remove()
            raise

    @property
    def waiting(self) -> bool:
        """Whether some of its objects are not in the index yet."""
        return self.taken > self.indexed

    def _fill(self) -> None:
        os.pwrite(self.handle, first_block(self.token), 0)
        for position in range(BLOCK, self.size, len(ZEROS)):
            os.pwrite(self.handle, ZEROS[: self.size - position], position)
        os.fsync(self.handle)
        sync_folder(self.file.parent)

    def remove(self) -> None:
        """Close and delete the file."""
        os.close(self.handle)
        self.file.unlink(missing_ok=True)


class _Item(NamedTuple):
    known: bytes
    data: Bytes
    noted: Callable[[Place], None]

    @property
    def span(self) -> int:
        return -(-(OVERHEAD + len(self.known) + len(self.data)) // BLOCK) * BLOCK


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
        self._writing = threading.Lock()
        self._shut = False
        self._free: list[Segment] = []
        self._sealed: list[Segment] = []
        self._active: Segment | None = None
        self._group = Group(self._write)

    def fits(self, known: bytes, length: int) -> bool:
        """Whether a segment has room for such a record."""
        return OVERHEAD + len(known) + length <= self._size - BLOCK

    def append(
        self,
        known: bytes,
        data: Bytes,
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
        TryLater
            The journal is shut.
        """
        self._group.commit(_Item(known, data, noted))

    def sealed(self) -> list[Segment]:
        """Segments that take no more records, the oldest first."""
        with self._lock:
            return list(self._sealed)

    def shut(self) -> None:
        """Take no more records; those that are being written are written when this returns."""
        with self._writing:
            self._shut = True
            self._seal()

    def _seal(self) -> None:
        """Let the next record begin another segment."""
        with self._lock:
            if self._active is not None:
                self._sealed.append(self._active)
                self._active = None

    def free(self, segment: Segment) -> None:
        """Its objects are safe elsewhere: it may be written over."""
        with self._lock:
            self._sealed.remove(segment)
            segment.used = BLOCK
            segment.taken = segment.indexed = 0
            if segment.broken:
                segment.remove()
                self._made -= 1
            else:
                self._free.append(segment)

    def close(self, *, empty: bool) -> None:
        """Close all segments; delete them when they are `empty`, else they are read at a start.

        The journal is `shut` before.
        """
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
        with self._writing, full_disk_named(self._folder):
            if self._shut:
                raise TryLater("The node is stopping.")
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
        pieces: list[Bytes] = []
        places, at = [], segment.used
        for item in items:
            self._number += 1
            head = record_start(segment.token, self._number, item.known, item.data)
            start = at + len(head)
            gap = item.span - len(head) - len(item.data)
            pieces += [head, item.data, ZEROS[:gap]]
            places.append(Place(segment, self._number, start, len(item.data)))
            at += item.span
        try:
            _write_all(segment.handle, pieces, segment.used)
            reach("journal.written")
            os.fdatasync(segment.handle)
        except OSError:
            segment.broken = True
            self._seal()
            raise
        reach("journal.synced")
        segment.used, segment.last = at, self._number
        segment.taken += len(items)
        for item, place in zip(items, places, strict=True):
            item.noted(place)

    def _with_room(self, span: int) -> Segment:
        active = self._active
        if active is not None and active.size - active.used >= span:
            return active
        self._seal()
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


def _write_all(handle: int, pieces: list[Bytes], at: int) -> None:
    rest = [memoryview(piece) for piece in pieces if len(piece)]
    while rest:
        count = os.pwritev(handle, rest, at)
        at += count
        while rest and count >= len(rest[0]):
            count -= len(rest.pop(0))
        if count:
            rest[0] = rest[0][count:]
