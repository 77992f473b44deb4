"""The digest by which an object is known again."""

import hashlib
import struct
from pathlib import Path

_CHUNK = 1 << 20
_PREAMBLE, _GROUP_LENGTH = 132, 12


def digest_of(file: Path) -> tuple[str, int]:
    """SHA-256 of the data set of a DICOM file, and the size of the whole file.

    The preamble and the file meta information are left out: the receiver writes them, so a new
    version of it must not make a known object look changed. The transfer syntax they name shows
    in the bytes of the data set.
    """
    digest = hashlib.sha256()
    with file.open("rb") as stream:
        stream.seek(dataset_offset(stream.read(_PREAMBLE + _GROUP_LENGTH)))
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
        return digest.hexdigest(), stream.tell()


def dataset_offset(start: bytes) -> int:
    """Where the data set begins in a DICOM file that starts with `start`; 0 when unknown."""
    group_length = start[_PREAMBLE : _PREAMBLE + 8]
    if len(start) < _PREAMBLE + _GROUP_LENGTH:
        return 0
    if start[128:132] != b"DICM" or group_length != b"\x02\x00\x00\x00UL\x04\x00":
        return 0
    (length,) = struct.unpack_from("<L", start, _PREAMBLE + 8)
    return _PREAMBLE + _GROUP_LENGTH + int(length)
