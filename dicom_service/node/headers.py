"""From a received file to what the index keeps of it, with everything checked on the way."""

import re
import struct

from pydicom.charset import convert_encodings, decode_bytes
from pydicom.valuerep import PN_DELIMS, TEXT_VR_DELIMS

from dicom_service.errors import BadObject
from dicom_service.node.limits import LIMITS
from dicom_service.node.services import IMPLICIT_LITTLE, plain
from dicom_service.node.structure import SupportsRead, walk
from dicom_service.store import InstanceHeader

_CHARACTER_SET = 0x00080005
_SOP_CLASS, _SOP_INSTANCE = 0x00080016, 0x00080018
_STUDY, _SERIES = 0x0020000D, 0x0020000E
_TEXTS = {
    "study_date": 0x00080020,
    "study_time": 0x00080030,
    "accession_number": 0x00080050,
    "modality": 0x00080060,
    "study_description": 0x00081030,
    "series_description": 0x0008103E,
    "patient_name": 0x00100010,
    "patient_id": 0x00100020,
}
_STRINGS = {"series_number": 0x00200011, "instance_number": 0x00200013}
_FRAMES = 0x00280008
_SHORTS = {"rows": 0x00280010, "columns": 0x00280011}
_WANTED = frozenset(
    {_CHARACTER_SET, _SOP_CLASS, _SOP_INSTANCE, _STUDY, _SERIES, _FRAMES}
    | set(_TEXTS.values())
    | set(_STRINGS.values())
    | set(_SHORTS.values())
)
_ESCAPE = b"\x1b"
"""Begins a change of the character set (PS3.5 6.1.2.5)."""
_UID = re.compile(r"[0-9]+(\.[0-9]+)+")
_LONGEST = 64
"""Longest UID (PS3.5 9.1)."""


def read_header(
    stream: SupportsRead,
    size: int,
    offset: int,
    transfer_syntax: str,
    sop_class_uid: str,
    sop_instance_uid: str,
) -> InstanceHeader:
    """Check a received file and read what the index keeps.

    Parameters
    ----------
    stream, size
        The whole file, and its length.
    offset
        Where the data set begins.
    transfer_syntax
        As negotiated.
    sop_class_uid, sop_instance_uid
        As the command set names them; the data set must say the same.

    Raises
    ------
    BadObject
        The sentence says what is wrong.
    """
    explicit = transfer_syntax != IMPLICIT_LITTLE
    raw = walk(stream, offset, size, explicit, _WANTED)
    if not raw:
        raise BadObject("This is not a DICOM object: none of its identifiers can be found.")
    for tag, name, expected in (
        (_SOP_CLASS, "SOP Class UID", sop_class_uid),
        (_SOP_INSTANCE, "SOP Instance UID", sop_instance_uid),
    ):
        if _uid(raw, tag, name) != expected:
            raise BadObject(f"The {name} in the object is not the one it was sent under.")
    encodings = _encodings(raw.get(_CHARACTER_SET, b""))
    fields = {name: _text(raw.get(tag, b""), encodings) for name, tag in _TEXTS.items()}
    numbers = {name: _integer(raw.get(tag, b"")) for name, tag in _STRINGS.items()}
    shorts = {name: _short(raw.get(tag, b"")) for name, tag in _SHORTS.items()}
    return InstanceHeader(
        sop_instance_uid=sop_instance_uid,
        sop_class_uid=sop_class_uid,
        study_uid=_uid(raw, _STUDY, "Study Instance UID"),
        series_uid=_uid(raw, _SERIES, "Series Instance UID"),
        transfer_syntax=transfer_syntax,
        number_of_frames=_integer(raw.get(_FRAMES, b"")) or int(all(shorts.values())),
        **numbers,
        **shorts,
        **fields,
    )


def valid_uid(text: str) -> bool:
    """Whether this has the form of a UID; leading zeros, which some machines write, pass."""
    return len(text) <= _LONGEST and _UID.fullmatch(text) is not None


def _uid(raw: dict[int, bytes], tag: int, name: str) -> str:
    text = raw.get(tag, b"").decode("ascii", "replace").strip("\0 ")
    if not text:
        raise BadObject(f"The object has no {name}.")
    if not valid_uid(text):
        # What stands there instead may be a name, and this sentence goes to the log.
        raise BadObject(
            f"The {name} is not a valid UID: its {len(text)} characters are not numbers with "
            f"points between them, {_LONGEST} characters at most."
        )
    return text


def _encodings(raw: bytes) -> list[str]:
    names = raw.decode("ascii", "replace").strip("\0 ").split("\\")
    try:
        return list(convert_encodings([name.strip() for name in names]))
    except LookupError:
        return ["latin-1"]


def _text(raw: bytes, encodings: list[str]) -> str:
    if raw.isascii() and _ESCAPE not in raw:  # which is the same in every character set
        return plain(raw.decode("ascii").strip("\0 "), LIMITS.text)
    try:
        text = decode_bytes(raw, encodings, TEXT_VR_DELIMS | PN_DELIMS)
    except (LookupError, ValueError):
        text = raw.decode("latin-1")
    return plain(text.strip("\0 "), LIMITS.text)


def _integer(raw: bytes) -> int:
    try:
        number = int(raw.decode("ascii", "replace").strip("\0 ") or 0)
    except ValueError:
        return 0
    return number if abs(number) < 2**31 else 0


def _short(raw: bytes) -> int:
    return int(struct.unpack("<H", raw)[0]) if len(raw) == 2 else 0
