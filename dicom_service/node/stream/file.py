"""An object on its way to disk: written as it arrives, its digest made on the way.

The bytes of a large object are written to the disk past the system's cache (O_DIRECT) where the
file system allows that: they need not be copied once more, and the sync at the end has little
left to do. The cache would have to write them at once anyway.
"""

import contextlib
import ctypes
import errno
import fcntl
import os
import struct
import uuid
from collections.abc import Callable
from io import RawIOBase
from pathlib import Path
from typing import Any, cast

from pynetdicom import PYNETDICOM_IMPLEMENTATION_UID, PYNETDICOM_IMPLEMENTATION_VERSION

from dicom_service.errors import BadObject, SesamoidError
from dicom_service.node.headers import valid_uid
from dicom_service.node.limits import Limits
from dicom_service.node.stream.scribe import SHEET, Scribe
from dicom_service.store import full_disk_named
from dicom_service.store.digests import Digest

_START = 1 << 16
"""Bytes at the front kept in memory: the header is read from them, not from the disk."""
_ALIGNED = 4096
"""Place and length of what is written past the cache are multiples of this."""
_DIRECT = getattr(os, "O_DIRECT", 0)
_BEGIN_WRITING = 2  # SYNC_FILE_RANGE_WRITE


def file_start(sop_class_uid: str, sop_instance_uid: str, syntax: str) -> bytes:
    """Preamble, prefix and file meta information (PS3.10 7.1), in explicit little endian.

    Written by hand: by way of data set classes it takes longer than a small object to arrive.
    """
    uids = ((2, sop_class_uid), (3, sop_instance_uid), (0x10, syntax))
    body = struct.pack("<HH2sHL2s", 2, 1, b"OB", 0, 2, b"\0\1")
    for element, uid in (*uids, (0x12, str(PYNETDICOM_IMPLEMENTATION_UID))):
        value = uid.encode("ascii") + b"\0" * (len(uid) % 2)
        body += struct.pack("<HH2sH", 2, element, b"UI", len(value)) + value
    name = PYNETDICOM_IMPLEMENTATION_VERSION.encode("ascii")
    name += b" " * (len(name) % 2)
    body += struct.pack("<HH2sH", 2, 0x13, b"SH", len(name)) + name
    length = struct.pack("<HH2sHL", 2, 0, b"UL", 4, len(body))
    return bytes(128) + b"DICM" + length + body


def _sync_file_range() -> Any:
    call = getattr(ctypes.CDLL(None, use_errno=True), "sync_file_range", None)
    if call is not None:
        call.argtypes = [ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint]
    return call


_sync_range = _sync_file_range()


class IncomingFile:
    """A data set on its way to disk, or in memory as long as it is small.

    What goes wrong is remembered rather than raised: the sender should get a status and a
    reason, not an abort.

    Parameters
    ----------
    small
        Bytes of file that stay in memory; with more, a file is begun in `folder`.
    scribe
        Writes it; None: one of its own.
    """

    def __init__(
        self,
        folder: Path,
        sop_class_uid: str,
        sop_instance_uid: str,
        syntax: str,
        limits: Limits,
        small: int = 0,
        scribe: Scribe | None = None,
    ) -> None:
        self.error: SesamoidError | None = None
        self.transfer_syntax = syntax
        self.sop_class_uid = sop_class_uid
        self.sop_instance_uid = sop_instance_uid
        self.mover = ""
        self.offset = self.size = 0
        self._folder = folder
        self._most = limits.object
        self._small = small
        self._digest = Digest()
        self._scribe = scribe or Scribe()
        self._own_scribe = scribe is None
        self._start = bytearray()
        """What stays in memory: all of it, or the front, from which the header is read."""
        self._sheet: memoryview | None = None
        self._in_sheet = 0
        """Bytes at its front that are still to be written."""
        self._handed_on = self._written = 0
        self._digested = False
        self._file = -1
        self._direct = False
        """Whether it is written past the cache."""
        self._path: Path | None = None
        self._guarded(self._begin)

    @property
    def path(self) -> Path:
        """The file; only of an object that is not in `memory`."""
        return cast("Path", self._path)

    @property
    def memory(self) -> bytearray | None:
        """The whole file of a small object; None: it is on the disk. Complete after `close`."""
        return self._start if self._path is None else None

    @property
    def large(self) -> bool:
        """Whether it is on the disk, or would be but for its `error`."""
        return self._path is not None

    @property
    def digest(self) -> str:
        """Of the data set, as `store.accept` takes it. Complete after `complete`."""
        return self._digest.text

    @property
    def closed(self) -> bool:
        """Whether nothing more can be written."""
        return self._path is not None and self._file < 0

    def append(self, data: memoryview) -> None:
        """Take a copy of a piece."""
        if self._path is None and self.size + len(data) > self._small and self.error is None:
            self._guarded(self._spill)
        if self._path is None:
            if self._counted(len(data)):
                self._start += data
            return
        while data and self.error is None:
            room = self.room()
            count = min(len(room), len(data))
            room[:count] = data[:count]
            self.filled(count)
            data = data[count:]

    def room(self) -> memoryview:
        """Where the next bytes of a `large` object can be put, instead of `append`; waits until
        something of what was put there before is written."""
        if self._sheet is None:
            self._sheet = self._scribe.sheet()
        return self._sheet[self._in_sheet :]

    def filled(self, count: int) -> None:
        """So many bytes were put at the front of the `room`."""
        if self._counted(count):
            self._in_sheet += count
            if self._in_sheet == SHEET:
                self._hand_on()

    def complete(self) -> None:
        """Everything was taken: have all of it written."""
        if self._path is None:
            if not self._digested:
                self._digested = True
                self._digest.update(memoryview(self._start)[self.offset :])
            return
        if self._in_sheet and self.error is None:
            self._hand_on()
        self._leave_sheet()
        self._scribe.wait()
        if self._file >= 0:
            self._through_cache()  # it is read as it comes

    def close(self) -> None:
        """Everything has been written."""
        try:
            self.complete()
        finally:
            if self._own_scribe:
                self._scribe.close()
            file, self._file = self._file, -1
            if file >= 0:
                self._guarded(lambda: os.close(file))

    def discard(self) -> None:
        """Remove the file, unless the store has taken it."""
        self._in_sheet = 0
        try:
            self.close()
        finally:
            if self._path is not None:
                self._path.unlink(missing_ok=True)

    def reader(self) -> "Reader":
        """The finished file, its front in memory."""
        return Reader(bytes(self._start), self._file)

    def _begin(self) -> None:
        if not (valid_uid(self.sop_class_uid) and valid_uid(self.sop_instance_uid)):
            raise BadObject("The command names no valid SOP Class and Instance UID.")
        self._start += file_start(self.sop_class_uid, self.sop_instance_uid, self.transfer_syntax)
        self.offset = self.size = len(self._start)
        if not self._small:
            self._spill()

    def _counted(self, count: int) -> bool:
        """Whether so many bytes more are wanted."""
        if self.error is None and self.size + count > self._most:
            self.error = BadObject(f"The object is larger than {self._most} bytes.")
        if self.error is None:
            self.size += count
        return self.error is None

    def _spill(self) -> None:
        """Begin a file with what is in memory so far."""
        path = self._folder / f"{uuid.uuid4().hex}.dcm"
        flags = os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC
        self._file = os.open(path, flags, 0o640)
        self._path = path
        # Not when it is opened: then some systems leave an empty file behind when they refuse.
        with contextlib.suppress(OSError):
            fcntl.fcntl(self._file, fcntl.F_SETFL, _DIRECT)
            self._direct = _DIRECT != 0
        start, self._start = memoryview(self._start), bytearray()
        self.size = 0
        self.append(start)

    def _hand_on(self) -> None:
        """Digest what is in the sheet, and have it written."""
        sheet, count = cast("memoryview", self._sheet), self._in_sheet
        self._sheet, self._in_sheet = None, 0
        first = self._handed_on == 0
        self._handed_on += count
        if first:
            self._start[:] = sheet[: min(count, _START)]
        self._scribe.begin(lambda: self._guarded(lambda: self._write(sheet[:count])), sheet)
        self._digest.update(sheet[self.offset if first else 0 : count])

    def _leave_sheet(self) -> None:
        sheet, self._sheet = self._sheet, None
        self._in_sheet = 0
        if sheet is not None:
            self._scribe.give_back(sheet)

    def _write(self, data: memoryview) -> None:
        if self.error is not None:
            return
        whole = len(data) - len(data) % _ALIGNED
        self._write_all(data[:whole])
        if whole < len(data):  # the last bytes of all
            self._through_cache()
            self._write_all(data[whole:])
        if not self._direct:
            self._begin_writeback(len(data))
        self._written += len(data)

    def _write_all(self, data: memoryview) -> None:
        while data:
            try:
                data = data[os.write(self._file, data) :]
            except OSError as error:
                if not self._direct or error.errno != errno.EINVAL:
                    raise
                self._through_cache()  # this disk wants it otherwise

    def _through_cache(self) -> None:
        if self._direct:
            self._direct = False
            fcntl.fcntl(self._file, fcntl.F_SETFL, 0)

    def _begin_writeback(self, count: int) -> None:
        """Let the disk work while the rest arrives: the sync at the end then has little to do."""
        if _sync_range is not None:
            _sync_range(self._file, self._written, count, _BEGIN_WRITING)

    def _guarded(self, step: Callable[[], None]) -> None:
        try:
            with full_disk_named(self._folder):
                step()
        except SesamoidError as error:
            self.error = self.error or error


class Reader(RawIOBase):
    """A file whose front, or all, is in memory; the rest is read where it is asked for."""

    def __init__(self, start: bytes, file: int) -> None:
        self._start = start
        self._file = file
        self._position = 0

    def seek(self, position: int, whence: int = 0) -> int:  # noqa: ARG002 - from the start only
        """Go to a place counted from the start of the file."""
        self._position = position
        return position

    def read(self, length: int = -1) -> bytes:
        """Up to `length` bytes from here."""
        position, end = self._position, self._position + length
        self._position = end
        if end <= len(self._start) or self._file < 0:
            return self._start[position:end]
        return os.pread(self._file, length, position)
