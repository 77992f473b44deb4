"""Walking through an encoded data set without recursion, values or trust.

Finds truncation, endless nesting and absurd lengths before anything else reads the file, and
collects the raw values of a few top-level elements. Little endian only; encoding is PS3.5 7.
"""

import struct
from collections.abc import Collection
from typing import NamedTuple, Protocol

from pydicom.datadict import dictionary_VR

from dicom_service.errors import BadObject
from dicom_service.node.limits import LIMITS

_LONG = {b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"SV", b"UC", b"UN", b"UR", b"UT", b"UV"}
_UNDEFINED = 0xFFFFFFFF
_ITEM, _ITEM_END, _SEQUENCE_END = 0xFFFEE000, 0xFFFEE00D, 0xFFFEE0DD
PIXEL_DATA = 0x7FE00010


class SupportsRead(Protocol):
    """What is asked of a file."""

    def seek(self, position: int, whence: int = 0, /) -> int:
        """Go to a place."""

    def read(self, length: int = -1, /) -> bytes:
        """Read from there."""


class _Level(NamedTuple):
    """An open sequence or item: where it ends (None: at its delimiter) and how it is encoded."""

    end: int | None
    explicit: bool
    fragments: bool  # items hold pixel fragments, not elements


def walk(
    file: SupportsRead, start: int, size: int, explicit: bool, wanted: Collection[int]
) -> dict[int, bytes]:
    """Check the structure of a data set and return the raw values of `wanted` elements.

    Parameters
    ----------
    file
        An open DICOM file.
    start, size
        Offset of the data set, and of the end of the file.
    explicit
        Whether value representations are written.

    Raises
    ------
    BadObject
        Truncated, nested too deeply, too many elements, or not DICOM at all.
    """
    found: dict[int, bytes] = {}
    levels = [_Level(size, explicit, False)]
    position = start
    for _ in range(LIMITS.elements):
        while levels and levels[-1].end is not None and position >= levels[-1].end:
            if position > levels[-1].end:
                raise BadObject("The object is damaged: an element is longer than what holds it.")
            levels.pop()
        if not levels:
            return found
        tag, vr, length, value = _header(file, position, levels[-1].explicit)
        if tag in (_ITEM_END, _SEQUENCE_END):
            _close(levels)
            position = value
        elif _opens(tag, vr, length, levels[-1]):
            end = None if length == _UNDEFINED else value + length
            _check_inside(end, size)
            if len(levels) > LIMITS.nesting * 2:
                raise BadObject(
                    f"The object nests more than {LIMITS.nesting} sequences; this is refused."
                )
            levels.append(_level(tag, vr, end, levels[-1]))
            position = value
        else:
            _check_inside(value + length, size)
            if len(levels) == 1 and tag in wanted:
                found[tag] = _value(file, tag, value, length)
            position = value + length
    raise BadObject(f"The object has more than {LIMITS.elements} elements; this is refused.")


def _header(file: SupportsRead, position: int, explicit: bool) -> tuple[int, bytes, int, int]:
    """Tag, VR ("" when implicit), length, and where the value begins."""
    file.seek(position)
    start = file.read(12)
    if len(start) < 8:
        raise BadObject("The object is truncated: it ends within an element.")
    group, element = struct.unpack_from("<HH", start)
    tag = group << 16 | element
    if not explicit or group == 0xFFFE:
        return tag, b"", struct.unpack_from("<L", start, 4)[0], position + 8
    vr = start[4:6]
    if not (vr.isalpha() and vr.isupper()):
        raise BadObject("The object is damaged: a value representation is no pair of letters.")
    if vr not in _LONG:
        return tag, vr, struct.unpack_from("<H", start, 6)[0], position + 8
    if len(start) < 12:
        raise BadObject("The object is truncated: it ends within an element.")
    return tag, vr, struct.unpack_from("<L", start, 8)[0], position + 12


def _opens(tag: int, vr: bytes, length: int, level: _Level) -> bool:
    if tag == _ITEM:
        return not level.fragments
    if length == _UNDEFINED or vr == b"SQ":
        return True
    return vr == b"" and not level.explicit and _is_sequence(tag)


def _is_sequence(tag: int) -> bool:
    try:
        return bool(dictionary_VR(tag) == "SQ")
    except KeyError:
        return False


def _level(tag: int, vr: bytes, end: int | None, parent: _Level) -> _Level:
    if tag == _ITEM:
        return _Level(end, parent.explicit, False)
    # A sequence of unknown VR is implicit inside (PS3.5 6.2.2, note on UN).
    fragments = end is None and (vr in (b"OB", b"OW") or tag == PIXEL_DATA)
    return _Level(end, parent.explicit and vr != b"UN", fragments)


def _close(levels: list[_Level]) -> None:
    """A delimiter: the innermost level ends here, if it was one that ends so."""
    if levels[-1].end is not None:
        raise BadObject("The object is damaged: a delimiter stands where nothing is open.")
    levels.pop()


def _check_inside(end: int | None, size: int) -> None:
    if end is not None and end > size:
        raise BadObject(
            f"The object is truncated: at least {end - size} bytes are missing at its end."
        )


def _value(file: SupportsRead, tag: int, position: int, length: int) -> bytes:
    if length > LIMITS.text:
        raise BadObject(f"The element {tag >> 16:04X},{tag & 0xFFFF:04X} is absurdly long.")
    file.seek(position)
    return file.read(length)
