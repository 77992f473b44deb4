"""Command sets of the few requests that this node answers (PS3.7 6.3 and 9.3).

Always implicit VR little endian, and always small: decoded and written by hand, because the
library's way through its data set classes takes longer than a small object takes to arrive.
"""

import struct
from typing import NamedTuple

C_STORE, C_ECHO, N_EVENT_REPORT, C_CANCEL = 0x0001, 0x0030, 0x0100, 0x0FFF
NO_DATA_SET = 0x0101
_RESPONSE = 0x8000
_SOP_CLASS, _FIELD, _MESSAGE_ID, _ANSWERED = 0x0002, 0x0100, 0x0110, 0x0120
_DATA_SET_TYPE, _STATUS, _COMMENT, _SOP_INSTANCE = 0x0800, 0x0900, 0x0902, 0x1000
_MOVER, _PRIORITY = 0x1030, 0x0700
_HAS_DATA_SET = 0x0001
_LOW = 2
"""A priority (PS3.7 9.3.1)."""
_COMMAND_LAST = 0x03
_OVERHEAD = 12
"""Bytes of a P-DATA PDU around one fragment: header, length, context, control."""


class Malformed(ValueError):
    """The peer broke the protocol: its association ends."""


class Command(NamedTuple):
    """A request as received."""

    field: int
    message_id: int
    has_data_set: bool
    sop_class_uid: str
    sop_instance_uid: str
    mover: str = ""
    """Who had the object moved here (C-MOVE), if anybody."""


def decode(data: bytes) -> Command:
    """Decode a command set.

    Raises
    ------
    Malformed
        It is none.
    """
    found: dict[int, bytes] = {}
    position = 0
    while position < len(data):
        if position + 8 > len(data):
            raise Malformed("a command set ends within an element")
        group, element, length = struct.unpack_from("<HHL", data, position)
        position += 8
        if group or position + length > len(data):
            raise Malformed("a command set holds what is no command element")
        found[element] = data[position : position + length]
        position += length
    return Command(
        _short(found, _FIELD),
        _short(found, _MESSAGE_ID) if _MESSAGE_ID in found else 0,
        _short(found, _DATA_SET_TYPE) != NO_DATA_SET,
        _uid(found, _SOP_CLASS),
        _uid(found, _SOP_INSTANCE),
        found.get(_MOVER, b"").decode("ascii", "replace").strip(" \0"),
    )


def response(
    context_id: int, command: Command, status: int, comment: str = "", most: int = 0
) -> bytes:
    """The P-DATA PDUs of the response to a C-STORE or C-ECHO request.

    Parameters
    ----------
    comment
        Printable ASCII, at most 64 characters.
    most
        Longest PDU that the peer takes; 0: any.
    """
    elements = [_element(_SOP_CLASS, _padded(command.sop_class_uid))]
    elements.append(_element(_FIELD, struct.pack("<H", command.field | _RESPONSE)))
    elements.append(_element(_ANSWERED, struct.pack("<H", command.message_id)))
    elements.append(_element(_DATA_SET_TYPE, struct.pack("<H", NO_DATA_SET)))
    elements.append(_element(_STATUS, struct.pack("<H", status)))
    if comment:
        elements.append(_element(_COMMENT, comment.encode("ascii").ljust(len(comment) + 1 & ~1)))
    if command.sop_instance_uid:
        elements.append(_element(_SOP_INSTANCE, _padded(command.sop_instance_uid)))
    body = b"".join(elements)
    return fragments(context_id, _element(0, struct.pack("<L", len(body))) + body, most)


def store_request(sop_class_uid: str, sop_instance_uid: str, message_id: int) -> bytes:
    """The command set of a C-STORE request."""
    elements = (
        _element(_SOP_CLASS, _padded(sop_class_uid)),
        _element(_FIELD, struct.pack("<H", C_STORE)),
        _element(_MESSAGE_ID, struct.pack("<H", message_id)),
        _element(_PRIORITY, struct.pack("<H", _LOW)),
        _element(_DATA_SET_TYPE, struct.pack("<H", _HAS_DATA_SET)),
        _element(_SOP_INSTANCE, _padded(sop_instance_uid)),
    )
    body = b"".join(elements)
    return _element(0, struct.pack("<L", len(body))) + body


def fragments(context_id: int, command: bytes, most: int) -> bytes:
    """A command set as P-DATA PDUs of one fragment each."""
    room = max(most - _OVERHEAD + 6, 1) if most else len(command)
    pdus = []
    for start in range(0, len(command), room):
        part = command[start : start + room]
        control = _COMMAND_LAST if start + room >= len(command) else _COMMAND_LAST & 1
        pdus.append(
            struct.pack(">BBLLBB", 4, 0, len(part) + 6, len(part) + 2, context_id, control) + part
        )
    return b"".join(pdus)


def _element(element: int, value: bytes) -> bytes:
    return struct.pack("<HHL", 0, element, len(value)) + value


def _padded(uid: str) -> bytes:
    text = uid.encode("ascii", "replace")
    return text + b"\0" * (len(text) % 2)


def _short(found: dict[int, bytes], element: int) -> int:
    value = found.get(element, b"")
    if len(value) != 2:
        raise Malformed(f"a command set has no usable element 0000,{element:04X}")
    return int(struct.unpack("<H", value)[0])


def _uid(found: dict[int, bytes], element: int) -> str:
    return found.get(element, b"").decode("ascii", "replace").strip("\0 ")
