"""A sender that costs as little as possible: its PDUs are made before the clock starts.

Only the UIDs are written into them while sending, so that every object is a new one.
"""

import socket
import struct
import threading
import time

CR, ECHO = b"1.2.840.10008.5.1.4.1.1.1", b"1.2.840.10008.1.1"
EXPLICIT = b"1.2.840.10008.1.2.1"
_INSTANCE = b"1.2.826.0.1.3680043.9.7.%016d"
_PLACE = _INSTANCE % 0


def _item(kind: int, body: bytes) -> bytes:
    return struct.pack(">BBH", kind, 0, len(body)) + body


def _explicit(group: int, element: int, vr: bytes, value: bytes) -> bytes:
    if len(value) % 2:
        value += b"\0" if vr == b"UI" else b" "
    if vr == b"OW":
        return struct.pack("<HH2sHL", group, element, vr, 0, len(value)) + value
    return struct.pack("<HH2sH", group, element, vr, len(value)) + value


def _implicit(element: int, value: bytes) -> bytes:
    value += b"\0" * (len(value) % 2)
    return struct.pack("<HHL", 0, element, len(value)) + value


def _data_set(size: int, study: bytes) -> bytes:
    rows = max(size // 2 // 2500, 1)
    pixels = bytes(range(256)) * (rows * 2500 * 2 // 256 + 1)
    return b"".join(
        [
            _explicit(8, 0x16, b"UI", CR),
            _explicit(8, 0x18, b"UI", _PLACE),
            _explicit(8, 0x20, b"DA", b"20260101"),
            _explicit(8, 0x60, b"CS", b"CR"),
            _explicit(0x10, 0x10, b"PN", b"Bench^Mark"),
            _explicit(0x10, 0x20, b"LO", b"BENCH"),
            _explicit(0x20, 0x0D, b"UI", study),
            _explicit(0x20, 0x0E, b"UI", study + b".1"),
            _explicit(0x28, 0x02, b"US", struct.pack("<H", 1)),
            _explicit(0x28, 0x04, b"CS", b"MONOCHROME2"),
            _explicit(0x28, 0x10, b"US", struct.pack("<H", rows)),
            _explicit(0x28, 0x11, b"US", struct.pack("<H", 2500)),
            _explicit(0x28, 0x0100, b"US", struct.pack("<H", 16)),
            _explicit(0x28, 0x0101, b"US", struct.pack("<H", 16)),
            _explicit(0x28, 0x0102, b"US", struct.pack("<H", 15)),
            _explicit(0x28, 0x0103, b"US", struct.pack("<H", 0)),
            _explicit(0x7FE0, 0x10, b"OW", pixels[: rows * 2500 * 2]),
        ]
    )


def _pdus(context: int, command: bytes, data: bytes, most: int) -> bytearray:
    made = bytearray()
    for control, body in ((1, command), (0, data)):
        room = min(most or 131072, 131072) - 6
        for start in range(0, len(body), room):
            part = body[start : start + room]
            last = 2 if start + room >= len(body) else 0
            head = struct.pack(
                ">BBLLBB", 4, 0, len(part) + 6, len(part) + 2, context, control | last
            )
            made += head + part
    return made


def _store_pdus(size: int, study: bytes, most: int) -> bytearray:
    command = (
        _implicit(0x0002, CR)
        + _implicit(0x0100, struct.pack("<H", 1))
        + _implicit(0x0110, struct.pack("<H", 1))
        + _implicit(0x0700, struct.pack("<H", 0))
        + _implicit(0x0800, struct.pack("<H", 1))
        + _implicit(0x1000, _PLACE)
    )
    command = _implicit(0, struct.pack("<L", len(command))) + command
    return _pdus(1, command, _data_set(size, study), most)


class Association:
    """One association with context 1 for CR images and 3 for echo."""

    def __init__(self, port: int, no_delay: bool, title: str = "SESAMOID") -> None:
        self.peer = socket.create_connection(("127.0.0.1", port), timeout=60)
        if no_delay:
            self.peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        contexts = b"".join(
            _item(0x20, bytes([number, 0, 0, 0]) + _item(0x30, uid) + _item(0x40, EXPLICIT))
            for number, uid in ((1, CR), (3, ECHO))
        )
        user = _item(0x51, struct.pack(">L", 131072)) + _item(0x52, b"1.2.826.0.1.3680043.9.7")
        body = struct.pack(">HH", 1, 0) + title.encode().ljust(16) + b"BENCH".ljust(16) + bytes(32)
        body += _item(0x10, b"1.2.840.10008.3.1.1.1") + contexts + _item(0x50, user)
        self.peer.sendall(struct.pack(">BBL", 1, 0, len(body)) + body)
        kind, answer = self._pdu()
        if kind != 2:
            raise RuntimeError(f"no association (PDU type {kind})")
        at = answer.find(b"\x51\x00\x00\x04")
        self.most = struct.unpack_from(">L", answer, at + 4)[0]

    def _exactly(self, count: int) -> bytes:
        got = bytearray()
        while len(got) < count:
            more = self.peer.recv(count - len(got))
            if not more:
                raise ConnectionError("the receiver hung up")
            got += more
        return bytes(got)

    def _pdu(self) -> tuple[int, bytes]:
        kind, _, length = struct.unpack(">BBL", self._exactly(6))
        return kind, self._exactly(length)

    def _status(self) -> int:
        kind, body = self._pdu()
        at = body.find(struct.pack("<HHL", 0, 0x0900, 2))
        if kind != 4 or at < 0:
            raise RuntimeError(f"no response (PDU type {kind})")
        return int(struct.unpack_from("<H", body, at + 8)[0])

    def store(self, prepared: "Prepared", number: int) -> None:
        self.peer.sendall(prepared.numbered(number))
        status = self._status()
        if status:
            raise RuntimeError(f"status 0x{status:04X}")

    def echo(self) -> None:
        command = (
            _implicit(0x0002, ECHO)
            + _implicit(0x0100, struct.pack("<H", 0x30))
            + _implicit(0x0110, struct.pack("<H", 1))
            + _implicit(0x0800, struct.pack("<H", 0x0101))
        )
        command = _implicit(0, struct.pack("<L", len(command))) + command
        self.peer.sendall(_pdus(3, command, b"", self.most))
        self._status()

    def release(self) -> None:
        self.peer.sendall(struct.pack(">BBLL", 5, 0, 4, 0))
        self._pdu()
        self.peer.close()


class Prepared:
    """The PDUs of one object, with the places of its UID."""

    def __init__(self, pdus: bytearray) -> None:
        self._pdus = pdus
        first = pdus.find(_PLACE)
        self._places = (first, pdus.find(_PLACE, first + 1))

    def numbered(self, number: int) -> bytearray:
        for place in self._places:
            self._pdus[place : place + len(_PLACE)] = _INSTANCE % number
        return self._pdus


def send(port: int, size: int, count: int, associations: int, no_delay: bool, first: int) -> float:
    """Send `count` objects over some associations at once; returns the seconds it took."""
    # Some receivers serve one association after the other, so none is kept open here.
    probe = Association(port, no_delay)
    probe.release()
    prepared = [
        Prepared(_store_pdus(size, b"1.2.826.0.1.3680043.9.7.%d.%d" % (part, first), probe.most))
        for part in range(associations)
    ]
    troubles: list[BaseException] = []

    def run(part: int) -> None:
        try:
            association = Association(port, no_delay)
            for number in range(part, count, associations):
                association.store(prepared[part], first + number)
            association.release()
        except (OSError, RuntimeError) as trouble:
            troubles.append(trouble)

    threads = [threading.Thread(target=run, args=(part,)) for part in range(associations)]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if troubles:
        raise troubles[0]
    return time.perf_counter() - began
