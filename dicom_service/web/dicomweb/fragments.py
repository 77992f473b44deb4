"""Where compressed frames lie in a file (PS3.5 A.4): the heads of items are read, no pixels.

A frame is found by the extended offset table, by the basic one, or by walking from item to item.
Without a table the fragments are one for each frame, all of the only frame, or as many for each
as it takes to the marker that ends an image.
"""

import os
import struct
from collections.abc import Iterator

from dicom_service.errors import BadObject

Stretch = tuple[int, int]
"""Offset and size."""
Table = tuple[bytes, bytes]
"""Extended offset table and its lengths, as they are stored."""

MOST = 100_000
"""Fragments that are walked through; images have a few for each frame."""
_ITEM, _DELIMITER = b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0"
_END_OF_IMAGE = b"\xff\xd9"
_TAIL = 10
"""Last bytes of a fragment in which the marker stands; there may be padding after it."""


class Encapsulated:
    """The pixel data of a file.

    Parameters
    ----------
    file
        Descriptor of the file.
    offset
        Where the value begins.
    frames
        How many there are by the header.
    table
        The extended offset table of the header.
    """

    def __init__(self, file: int, offset: int, frames: int, table: Table | None = None) -> None:
        self._file, self._size = file, os.fstat(file).st_size
        self._frames, self._table = frames, table
        self._offsets = self._item(offset)
        self._first = sum(self._offsets)

    def stretches(self, number: int) -> list[Stretch]:
        """Where the fragments of a frame (from 1) lie.

        Raises
        ------
        BadObject
            They cannot be found.
        """
        if self._frames == 1:
            return list(self._walk(self._first))
        if self._table is not None:
            return [self._by_extended_table(number, *self._table)]
        if self._offsets[1]:
            return self._by_basic_table(number)
        found = list(self._walk(self._first))
        if len(found) == self._frames:
            return [found[number - 1]]
        frames = self._by_markers(found)
        if len(frames) < number:
            raise BadObject(f"Frame {number} cannot be found in the image: it has {len(frames)}.")
        return frames[number - 1]

    def _by_extended_table(self, number: int, offsets: bytes, lengths: bytes) -> Stretch:
        entry = 8 * (number - 1)
        if entry + 8 > min(len(offsets), len(lengths)):
            raise BadObject(f"Frame {number} is not in the image's table of frames.")
        (place,), (length,) = (struct.unpack_from("<Q", t, entry) for t in (offsets, lengths))
        start, size = self._item(self._first + place)
        if length > size:
            raise BadObject(f"Frame {number} is shorter than the image's table of frames says.")
        return start, length

    def _by_basic_table(self, number: int) -> list[Stretch]:
        start, size = self._offsets
        entry = 4 * (number - 1)
        if entry + 4 > size:
            raise BadObject(f"Frame {number} is not in the image's table of frames.")
        raw = os.pread(self._file, min(8, size - entry), start + entry)
        places = struct.unpack(f"<{len(raw) // 4}L", raw)
        return list(self._walk(*(self._first + place for place in places)))

    def _by_markers(self, found: list[Stretch]) -> list[list[Stretch]]:
        frames: list[list[Stretch]] = [[]]
        for start, size in found:
            frames[-1].append((start, size))
            tail = os.pread(self._file, min(_TAIL, size), start + max(size - _TAIL, 0))
            if _END_OF_IMAGE in tail:
                frames.append([])
        return [frame for frame in frames if frame]

    def _walk(self, offset: int, end: int = -1) -> Iterator[Stretch]:
        """The fragments from here to the end of the value, or to the next frame."""
        for _ in range(MOST):
            if offset == end or self._head(offset)[:4] == _DELIMITER:
                return
            fragment = self._item(offset)
            yield fragment
            offset = sum(fragment)
        raise BadObject(f"The image is in more than {MOST} pieces.")

    def _item(self, offset: int) -> Stretch:
        head = self._head(offset)
        if head[:4] != _ITEM:
            raise BadObject("The pieces of the image do not follow each other to its end.")
        (size,) = struct.unpack_from("<L", head, 4)
        if offset + 8 + size > self._size:
            raise BadObject("The file of the image ends before its pixels do.")
        return offset + 8, size

    def _head(self, offset: int) -> bytes:
        head = os.pread(self._file, 8, offset) if offset < self._size else b""
        if len(head) < 8:
            raise BadObject("The pieces of the image do not follow each other to its end.")
        return head
