"""The archive's objects: one file each, and their headers in memory for queries."""

import hashlib
import os
import threading
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from pydicom import Dataset, dcmread


@dataclass(frozen=True)
class Entry:
    """One stored object."""

    path: Path
    header: Dataset
    """All elements before the pixel data."""
    sop_class_uid: str
    sop_instance_uid: str
    transfer_syntax_uid: str
    came_from: str = ""
    """AE title of the sender; empty after a restart."""

    @property
    def study_uid(self) -> str:
        """Study Instance UID of the object."""
        return str(self.header.get("StudyInstanceUID", ""))


class Catalog:
    """Objects of one folder; safe to use from several threads.

    Parameters
    ----------
    folder
        Created when missing; the objects in it are read, so a restart keeps them.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._lock = threading.Lock()
        self._entries: dict[str, Entry] = {}
        for path in sorted(folder.glob("*.dcm")):
            entry = _entry(path, path)
            self._entries[entry.sop_instance_uid] = entry

    def add(self, data: bytes, came_from: str = "") -> tuple[Entry, bool]:
        """Keep the DICOM file `data`; (entry, False) when its UID is here already."""
        name = hashlib.sha256(data).hexdigest()[:32] + ".dcm"
        entry = _entry(BytesIO(data), self.folder / name, came_from)
        with self._lock:
            if entry.sop_instance_uid in self._entries:
                return self._entries[entry.sop_instance_uid], False
            partial = entry.path.with_suffix(".part")
            with partial.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            partial.rename(entry.path)
            self._entries[entry.sop_instance_uid] = entry
        return entry, True

    def entries(self, study_uid: str | None = None) -> list[Entry]:
        """All objects, or those of one study, in the order of arrival."""
        with self._lock:
            everything = list(self._entries.values())
        return [e for e in everything if study_uid is None or e.study_uid == study_uid]

    def find(self, sop_instance_uid: str) -> Entry | None:
        """The object with this UID, or None."""
        with self._lock:
            return self._entries.get(sop_instance_uid)


def _entry(source: Path | BytesIO, path: Path, came_from: str = "") -> Entry:
    header = dcmread(source, stop_before_pixels=True)
    return Entry(
        path=path,
        header=header,
        sop_class_uid=str(header.SOPClassUID),
        sop_instance_uid=str(header.SOPInstanceUID),
        transfer_syntax_uid=str(header.file_meta.TransferSyntaxUID),
        came_from=came_from,
    )
