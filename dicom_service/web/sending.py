"""Stretches of files on their way to a browser: the system sends them, nothing is read here.

waitress puts what an application gives into buffers of its own, unless it is what its
`wsgi.file_wrapper` makes. A `Body` is one of these: bytes and stretches of files in turn. On a
plain connection each stretch goes from the file to the socket by sendfile; over TLS it is read in
pieces as the connection takes them. Either way memory does not grow with the image.
"""

import os
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from waitress.buffers import ReadOnlyFileBasedBuffer  # type: ignore[import-untyped]
from waitress.channel import HTTPChannel  # type: ignore[import-untyped]

_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Stretch:
    """Bytes of an open file."""

    file: int
    offset: int
    size: int

    def part(self, start: int, size: int) -> "Stretch":
        """Some of it, as with a slice."""
        return Stretch(self.file, self.offset + start, min(size, self.size - start))

    def __len__(self) -> int:
        return self.size

    def read(self, most: int) -> bytes:
        """The first bytes of it."""
        return os.pread(self.file, min(most, self.size), self.offset)


class Body(ReadOnlyFileBasedBuffer):  # type: ignore[misc]
    """The body of an answer: bytes, and (offset, size) of one file, in turn.

    The file is open from here on, so it is sent to its end also when it is removed meanwhile.
    """

    _open = -1

    def __init__(self, path: Path, pieces: Iterable[bytes | tuple[int, int]]) -> None:
        self._open = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        parts = (p if isinstance(p, bytes) else Stretch(self._open, *p) for p in pieces)
        self._pieces: deque[bytes | Stretch] = deque(part for part in parts if part)
        self.remain = sum(len(piece) for piece in self._pieces)
        for piece in self._pieces:
            if isinstance(piece, Stretch):  # the disk may begin
                os.posix_fadvise(self._open, piece.offset, piece.size, os.POSIX_FADV_WILLNEED)

    def prepare(self, size: int | None = None) -> int:  # noqa: ARG002 - the base class's
        """Bytes that there are; see the base class."""
        return self.remain

    def get(self, numbytes: int = -1, skip: bool = False) -> bytes | Stretch:
        """What comes next, of one piece; see the base class."""
        if not self._pieces:
            return b""
        first = _part(self._pieces[0], 0, numbytes if numbytes >= 0 else self.remain)
        if skip:
            self.skip(len(first))
        return first

    def skip(self, numbytes: int, allow_prune: int = 0) -> None:  # noqa: ARG002 - the base class's
        """Go on after what was sent; see the base class."""
        self.remain -= numbytes
        while numbytes:
            first = self._pieces.popleft()
            if numbytes < len(first):
                self._pieces.appendleft(_part(first, numbytes, len(first)))
            numbytes -= min(numbytes, len(first))

    def close(self) -> None:
        """Close the file; see the base class."""
        self._pieces.clear()
        self.remain = 0
        if self._open >= 0:
            os.close(self._open)
            self._open = -1

    def __iter__(self) -> Self:
        return self

    def __next__(self) -> bytes:
        """The next piece, for servers that know nothing of this class."""
        piece = self.get(_PIECE)
        data = as_bytes(piece)
        if not data:
            self.close()
            raise StopIteration
        self.skip(len(data))
        return data

    def __del__(self) -> None:
        self.close()


def _part(piece: bytes | Stretch, start: int, size: int) -> bytes | Stretch:
    if isinstance(piece, Stretch):
        return piece.part(start, size)
    return piece[start : start + size]


def as_bytes(piece: bytes | Stretch) -> bytes:
    """What must be read, for it passes through here."""
    return piece.read(_PIECE) if isinstance(piece, Stretch) else piece


class Channel(HTTPChannel):  # type: ignore[misc]
    """A plain connection that sends stretches of files by sendfile."""

    def __init__(self, server: Any, sock: Any, *rest: Any, **options: Any) -> None:
        super().__init__(server, _Plain(sock), *rest, **options)


class _Plain:
    """A socket as waitress's channel uses it."""

    def __init__(self, sock: Any) -> None:
        self._socket = sock

    def send(self, data: bytes | Stretch) -> int:
        if not isinstance(data, Stretch):
            return int(self._socket.send(data))
        sent = os.sendfile(self._socket.fileno(), data.file, data.offset, data.size)
        if not sent:
            raise ConnectionResetError(104, "a file is shorter than it was")
        return sent

    def __getattr__(self, name: str) -> Any:
        return getattr(self._socket, name)
