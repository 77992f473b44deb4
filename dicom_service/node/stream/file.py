"""An object on its way to disk: written as it arrives, its digest made on the way."""

import ctypes
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
from dicom_service.node.stream.scribe import Scribe
from dicom_service.store import full_disk_named
from dicom_service.store.digests import Digest

_START = 1 << 16
"""Bytes at the front kept in memory: the header is read from them, not from the disk."""
_WRITEBACK = 1 << 19
"""After so many bytes the system is told to begin writing them to the disk."""
_AT_ONCE = 512
"""Pieces of one write; the system takes 1024."""
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
    """

    def __init__(
        self,
        folder: Path,
        sop_class_uid: str,
        sop_instance_uid: str,
        syntax: str,
        limits: Limits,
        small: int = 0,
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
        self._scribe: Scribe | None = None
        """Who may be writing the last pieces."""
        self._start = bytearray()
        """What stays in memory: all of it, or the front, from which the header is read."""
        self._pieces: list[memoryview] = []
        self._handed_on = self._written_back = 0
        self._file = -1
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
    def digest(self) -> str:
        """Of the data set, as `store.accept` takes it. Complete after `flush`."""
        return self._digest.text

    @property
    def closed(self) -> bool:
        """Whether nothing more can be written."""
        return self._path is not None and self._file < 0

    def append(self, data: memoryview) -> None:
        """Take a piece; it is read no later than the next `flush` or `hand_to`."""
        if self.error is not None:
            return
        if self.size + len(data) > self._most:
            self.error = BadObject(f"The object is larger than {self._most} bytes.")
            return
        self.size += len(data)
        self._pieces.append(data)
        if len(self._pieces) >= _AT_ONCE:
            self.flush()

    def flush(self) -> None:
        """Hand all pieces to the system; the caller may then reuse their memory."""
        if self._scribe is not None:
            scribe, self._scribe = self._scribe, None
            scribe.wait()
        pieces, self._pieces = self._pieces, []
        if pieces and self.error is None:
            self._guarded(lambda: self._write(pieces))

    def hand_to(self, scribe: Scribe) -> bool:
        """Let `scribe` hand the pieces to the system.

        Returns
        -------
        bool
            Whether their memory is in use until the next call of this or of `flush` returns.
        """
        if not self._pieces or self.error is not None or self.size <= self._small:
            self.flush()
            return False
        pieces, self._pieces = self._pieces, []
        self._scribe = scribe
        scribe.begin(lambda: self._guarded(lambda: self._write(pieces)))
        return True

    def close(self) -> None:
        """Everything has been written."""
        self.flush()
        file, self._file = self._file, -1
        if file >= 0:
            self._guarded(lambda: os.close(file))

    def discard(self) -> None:
        """Remove the file, unless the store has taken it."""
        self._pieces = []
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
        self.offset = self.size = self._handed_on = len(self._start)
        if not self._small:
            self._spill()

    def _spill(self) -> None:
        """Begin a file with what is in memory so far."""
        self._path = self._folder / f"{uuid.uuid4().hex}.dcm"
        flags = os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC
        self._file = os.open(self._path, flags, 0o640)
        self._hand_on([memoryview(bytes(self._start))])

    def _write(self, pieces: list[memoryview]) -> None:
        if self._path is None and self.size > self._small:
            self._spill()
        for piece in pieces:
            self._digest.update(piece)
            if self._path is None:
                self._start += piece
            elif len(self._start) < _START:
                self._start += piece[: _START - len(self._start)]
            self._handed_on += len(piece)
        if self._path is not None:
            self._hand_on(pieces)
            self._begin_writeback()

    def _hand_on(self, pieces: list[memoryview]) -> None:
        while pieces:
            count = os.writev(self._file, pieces)
            while pieces and count >= len(pieces[0]):
                count -= len(pieces.pop(0))
            if count:  # a short write: the disk is nearly full, the next says so
                pieces[0] = pieces[0][count:]

    def _begin_writeback(self) -> None:
        """Let the disk work while the rest arrives: the sync at the end then has little to do."""
        behind = self._handed_on % _WRITEBACK
        whole = self._handed_on - behind
        if _sync_range is not None and whole > self._written_back:
            _sync_range(self._file, self._written_back, whole - self._written_back, _BEGIN_WRITING)
            self._written_back = whole

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
