"""Multipart messages (RFC 2387): writing answers, and reading what is stored part by part."""

import secrets
from collections.abc import Iterable, Iterator
from typing import IO, TypeVar

from flask import Response

from dicom_service.errors import BadObject

Piece = TypeVar("Piece")

_CHUNK = 256 << 10
LARGEST_HEADER = 8 << 10
LARGEST_BOUNDARY = 70


def multipart_answer(parts: Iterable[tuple[str, Iterable[bytes]]], media: str) -> Response:
    """A multipart/related answer of parts (content type, chunks)."""
    boundary = secrets.token_hex(16)

    return Response(message(parts, boundary), content_type=related(media, boundary))


def related(media: str, boundary: str) -> str:
    """The content type of a message with parts of a media type."""
    return f'multipart/related; type="{media}"; boundary={boundary}'


def message(parts: Iterable[tuple[str, Iterable[Piece]]], boundary: str) -> Iterator[Piece | bytes]:
    """The parts with what stands between them."""
    for content_type, data in parts:
        yield f"--{boundary}\r\nContent-Type: {content_type}\r\n\r\n".encode()
        yield from data
        yield b"\r\n"
    yield f"--{boundary}--\r\n".encode()


class Parts:
    """The parts of a multipart message, read as they come; no part is held in memory.

    Parameters
    ----------
    stream
        Of the message's body.
    boundary
        From its content type.
    """

    def __init__(self, stream: IO[bytes], boundary: str) -> None:
        if not 0 < len(boundary) <= LARGEST_BOUNDARY or not boundary.isascii():
            raise BadObject("The multipart message has no valid boundary.")
        self._stream = stream
        self._delimiter = b"\r\n--" + boundary.encode()
        self._buffer = b"\r\n"  # so that the first delimiter looks like the others

    def __iter__(self) -> Iterator[Iterator[bytes]]:
        """The content of each part in chunks; a part that is not read to its end is skipped."""
        for _ in self._until_delimiter():
            pass  # text before the first part
        while not self._ended():
            self._skip_headers()
            content = self._until_delimiter()
            yield content
            for _ in content:
                pass

    def _ended(self) -> bool:
        while len(self._buffer) < 2 and self._fill():
            pass
        return self._buffer.startswith(b"--")

    def _skip_headers(self) -> None:
        while (end := self._buffer.find(b"\r\n\r\n")) < 0:
            if len(self._buffer) > LARGEST_HEADER or not self._fill():
                raise BadObject("A part of the multipart message has no end of its headers.")
        # The content may be empty: its last CRLF is then the one before the delimiter.
        self._buffer = self._buffer[end + 2 :] if self._empty(end) else self._buffer[end + 4 :]

    def _empty(self, end: int) -> bool:
        return self._buffer[end + 2 :].startswith(self._delimiter)

    def _until_delimiter(self) -> Iterator[bytes]:
        keep = len(self._delimiter) - 1
        while (at := self._buffer.find(self._delimiter)) < 0:
            if len(self._buffer) > keep:
                done, self._buffer = self._buffer[:-keep], self._buffer[-keep:]
                yield done
            if not self._fill():
                raise BadObject("The multipart message ends in the middle of a part.")
        done, self._buffer = self._buffer[:at], self._buffer[at + len(self._delimiter) :]
        if done:
            yield done

    def _fill(self) -> bool:
        data = self._stream.read(_CHUNK)
        self._buffer += data
        return bool(data)
