"""Two objects under one UID: what exactly differs, and what is in the second one."""

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pydicom
from pydicom.datadict import keyword_for_tag
from pydicom.dataset import Dataset
from pydicom.errors import InvalidDicomError

from dicom_service.errors import BadObject, NotFound
from dicom_service.node.headers import read_header
from dicom_service.node.services import plain
from dicom_service.store import InstanceHeader, QuarantineRow, Store, StoredInstance
from dicom_service.store.digests import dataset_offset

MOST = 200
"""Differences that are listed."""
_LONGEST = 80
_BULK = 1 << 16


class Difference(NamedTuple):
    """One attribute that is not the same in both."""

    tag: str
    name: str
    first: str
    second: str


class Conflict(NamedTuple):
    """A copy in quarantine beside the object that has its UID."""

    copy: QuarantineRow
    stored: StoredInstance
    differences: tuple[Difference, ...]


def conflict(store: Store, number: int) -> Conflict:
    """Compare a copy in quarantine with the stored object.

    Raises
    ------
    NotFound
        There is no such copy, or the stored object has lost its file.
    """
    copy = store.quarantined_copy(number)
    found = store.instances(copy.study_uid, sop_instance_uid=copy.sop_instance_uid)
    if not found:
        raise NotFound("The stored object has lost its file; have it sent again.")
    return Conflict(copy, found[0], differences(found[0].path, copy.path))


def differences(first: Path, second: Path) -> tuple[Difference, ...]:
    """Attributes that differ, in order of their tags, at most `MOST`."""
    one, other = _read(first), _read(second)
    found = []
    for difference in _differing(one, other):
        found.append(difference)
        if len(found) == MOST:
            break
    return tuple(found)


def copy_header(path: Path) -> InstanceHeader:
    """What the index keeps of a copy, checked as when it was received.

    Raises
    ------
    BadObject
        It cannot be read.
    """
    meta = _read(path).file_meta
    with path.open("rb") as file:
        return read_header(
            file,
            path.stat().st_size,
            dataset_offset(file.read(144)),
            str(meta.TransferSyntaxUID),
            str(meta.MediaStorageSOPClassUID),
            str(meta.MediaStorageSOPInstanceUID),
        )


def _read(path: Path) -> Any:
    try:
        return pydicom.dcmread(path)
    except (InvalidDicomError, OSError) as error:
        raise BadObject(f"A copy cannot be read: {plain(error)}.") from error


def _differing(one: Dataset, other: Dataset) -> Iterator[Difference]:
    for tag in sorted({*one.keys(), *other.keys()}):
        values = [data[tag].value if tag in data else None for data in (one, other)]
        if values[0] != values[1]:
            name = keyword_for_tag(tag) or "private or unknown"
            shown = [_shown(value) for value in values]
            yield Difference(f"({tag.group:04X},{tag.element:04X})", name, shown[0], shown[1])


def _shown(value: Any) -> str:
    if value is None:
        return "(not there)"
    if isinstance(value, bytes):
        digest = hashlib.sha256(value).hexdigest()[:12]
        return f"{len(value)} bytes, SHA-256 {digest}…"
    text = str(value)[:_BULK].replace("\n", " ")
    return plain(text, _LONGEST) or "(empty)"
