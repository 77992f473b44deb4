"""The bytes of a connection in a preallocated buffer, seen PDU by PDU (PS3.8 9.3)."""

import contextlib
import mmap
import socket
import struct
import time

HEADER = 6
KINDS = range(0x01, 0x08)
P_DATA = 0x04
_QUICKACK = getattr(socket, "TCP_QUICKACK", None)


class Inlet:
    """What a peer has sent and nobody has taken yet.

    Parameters
    ----------
    peer
        A connected socket.
    most
        Largest PDU, its header not counted; bounds the buffer.
    """

    def __init__(self, peer: socket.socket, most: int) -> None:
        self._peer = peer
        self._most = most
        # The system gives pages of it when they are needed, most of them never.
        self._view = memoryview(mmap.mmap(-1, HEADER + most))
        self._start = self._end = 0
        self._began: float | None = None

    @property
    def capacity(self) -> int:
        """Bytes that it can hold."""
        return len(self._view)

    @property
    def pending(self) -> memoryview:
        """What nobody has taken; valid until there is made room."""
        return self._view[self._start : self._end]

    @property
    def room(self) -> memoryview:
        """Where more can be received; see `make_room`."""
        return self._view[self._end :]

    def fill(self) -> int:
        """Read what there is, without waiting; returns its length, 0 when the peer hung up.

        There must be room; see `make_room`.

        Raises
        ------
        BlockingIOError
            There is nothing.
        OSError
            The connection broke.
        """
        count = self.receive([self.room])
        self.filled(count)
        return count

    def receive(self, slots: list[memoryview]) -> int:
        """Read what there is into these, one after the other; see `fill`."""
        count = self._peer.recvmsg_into(slots, 0, socket.MSG_DONTWAIT)[0]
        # Many senders wait for each acknowledgement before the next small packet (Nagle); the
        # option lapses, so it is set after every read.
        if _QUICKACK is not None:
            with contextlib.suppress(OSError):
                self._peer.setsockopt(socket.IPPROTO_TCP, _QUICKACK, 1)
        return count

    def filled(self, count: int) -> None:
        """So many bytes are at the front of the `room`."""
        self._end += count
        if self._began is None:
            self._began = time.monotonic()

    def put(self, data: bytes) -> None:
        """Take bytes that were received elsewhere; nothing must be pending."""
        self._view[: len(data)] = data
        self._start, self._end = 0, len(data)
        self._began = time.monotonic()

    def waits(self) -> None:
        """What is pending was taken; a PDU has begun and its rest is received elsewhere."""
        self._start = self._end = 0
        self._began = time.monotonic()

    @property
    def header(self) -> tuple[int, int] | None:
        """Type and length of the first PDU; None before all of its header is here."""
        if self._end - self._start < HEADER:
            return None
        kind, _, length = struct.unpack_from(">BBL", self._view, self._start)
        return kind, length

    @property
    def lies(self) -> bool:
        """Whether the first PDU is of no known type, or longer than is accepted."""
        header = self.header
        return header is not None and (header[0] not in KINDS or header[1] > self._most)

    @property
    def pdu(self) -> memoryview | None:
        """The first PDU with its header, when it is complete; valid until there is made room."""
        header = self.header
        if header is None or self._end - self._start < HEADER + header[1]:
            return None
        return self._view[self._start : self._start + HEADER + header[1]]

    @property
    def pending_seconds(self) -> float:
        """For how long the rest of an unfinished PDU has been waited for."""
        return 0.0 if self._began is None else time.monotonic() - self._began

    def take(self, length: int) -> bytes:
        """Remove up to `length` bytes from the front."""
        taken = bytes(self._view[self._start : min(self._start + length, self._end)])
        self.drop(len(taken))
        return taken

    def drop(self, length: int) -> None:
        """Forget bytes at the front: a PDU is done, so the wait for the next begins anew."""
        self._start += length
        self._began = None if self._start == self._end else time.monotonic()

    def clear(self) -> None:
        """Forget everything."""
        self._start = self._end = 0
        self._began = None

    def make_room(self) -> None:
        """Move what nobody has taken to the front, over what was taken."""
        if self._start:
            held = self._end - self._start
            self._view[:held] = self._view[self._start : self._end]
            self._start, self._end = 0, held
