"""Bytes of the upper layer and of commands, written by hand: right, or wrong on purpose."""

import socket
import struct

APPLICATION = b"1.2.840.10008.3.1.1.1"
IMPLICIT, EXPLICIT = b"1.2.840.10008.1.2", b"1.2.840.10008.1.2.1"

_HANG = 60.0
"""Seconds after which a test that waits for the node is given up; it measures nothing."""


def _item(kind: int, value: bytes) -> bytes:
    return struct.pack(">BBH", kind, 0, len(value)) + value


def associate_request(
    sop_classes: list[str], *, calling: str = "CAMERA", called: str = "SESAMOID"
) -> bytes:
    """An A-ASSOCIATE-RQ (PS3.8 9.3.2), contexts numbered 1, 3, 5…"""
    contexts = b"".join(
        _item(
            0x20,
            bytes([2 * number + 1, 0, 0, 0])
            + _item(0x30, uid.encode())
            + _item(0x40, EXPLICIT)
            + _item(0x40, IMPLICIT),
        )
        for number, uid in enumerate(sop_classes)
    )
    user = _item(0x50, _item(0x51, struct.pack(">L", 16384)) + _item(0x52, b"1.2.3"))
    titles = called.encode().ljust(16)[:16] + calling.encode("latin-1").ljust(16)[:16]
    body = struct.pack(">HH", 1, 0) + titles + bytes(32) + _item(0x10, APPLICATION)
    body += contexts + user
    return struct.pack(">BBL", 1, 0, len(body)) + body


def abort() -> bytes:
    """An A-ABORT of the service user."""
    return struct.pack(">BBLL", 7, 0, 4, 0)


def release() -> bytes:
    """An A-RELEASE-RQ."""
    return struct.pack(">BBLL", 5, 0, 4, 0)


def pdv(context: int, control: int, data: bytes) -> bytes:
    """A P-DATA-TF of one fragment; control 3: last of a command, 0 and 2: data and last of it."""
    return struct.pack(">BBLLBB", 4, 0, len(data) + 6, len(data) + 2, context, control) + data


def command(elements: dict[int, int | bytes]) -> bytes:
    """A command set in implicit little endian; numbers are US."""
    body = b""
    for element, value in sorted(elements.items()):
        data = struct.pack("<H", value) if isinstance(value, int) else value
        data += b"\0" * (len(data) % 2)
        body += struct.pack("<HHL", 0, element, len(data)) + data
    return struct.pack("<HHLL", 0, 0, 4, len(body)) + body


def store_command(sop_class: str, instance: str) -> bytes:
    """A C-STORE-RQ."""
    return command(
        {
            0x0002: sop_class.encode(),
            0x0100: 0x0001,
            0x0110: 1,
            0x0700: 0,
            0x0800: 0x0001,
            0x1000: instance.encode("latin-1"),
        }
    )


def connected(port: int, source: str = "127.0.0.1") -> socket.socket:
    """A plain connection from an address of this machine."""
    made = socket.create_connection(("127.0.0.1", port), _HANG, source_address=(source, 0))
    made.settimeout(_HANG)
    return made


def hung_up(connection: socket.socket) -> bool:
    """Whether the node has hung up; an abort PDU may come first."""
    try:
        while connection.recv(65536):
            pass
    except ConnectionError:
        return True
    except TimeoutError:
        return False
    return True
