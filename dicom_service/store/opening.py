"""Opening a data folder: is it usable, is it ours alone, is its schema one that we know."""

import fcntl
import os
from pathlib import Path
from typing import BinaryIO

from dicom_service.errors import SetupError, StorageFull
from dicom_service.store.blobs import Blobs
from dicom_service.store.index import Index
from dicom_service.store.migrating import bring_up_to_date
from dicom_service.store.sqlite import SqliteIndex
from dicom_service.store.texts import mend

INDEX, JOURNAL = "index.sqlite", "journal"
"""The index, and the folder of the journal, within a data folder or a backup."""


class Shelf:
    """An open data folder; the base of every part of the store.

    Parameters
    ----------
    folder
        The data folder; made when it is not there.
    exclusive
        True for the node, of which there is one per folder. False for a command that looks or
        changes a user while the node may be running.

    Raises
    ------
    SetupError
        The folder cannot be used, another node has it, or its schema is newer than this program.
    """

    def __init__(self, folder: Path, *, exclusive: bool = True) -> None:
        self.folder = folder.absolute()
        self.incoming = self.folder / "incoming"
        self.journal = self.folder / JOURNAL
        self.exclusive = exclusive
        self.low_water = 0
        """Bytes of free room below which no object is taken."""
        self._lock: BinaryIO | None = None
        try:
            for part in (self.folder, self.incoming, self.folder / "blobs"):
                part.mkdir(parents=True, exist_ok=True)
            probe = self.incoming / f"probe-{os.getpid()}"
            probe.touch()
            probe.unlink()
            if exclusive:
                self._lock = _locked(self.folder)
        except OSError as error:
            raise SetupError(
                f"The data folder {self.folder} cannot be used: {error.strerror}. "
                "Make it writable for this user, or name another with data_folder."
            ) from error
        self._blobs = Blobs(self.folder / "blobs", self.incoming)
        self._index: Index = SqliteIndex(self.folder / INDEX)
        try:
            bring_up_to_date(self._index, self.folder)
            mend(self._index)
        except BaseException:
            self.close()
            raise

    def check_room(self, times: int = 1, owed: int = 0) -> None:
        """Refuse in time: what is left of the disk belongs to readings and reports.

        Parameters
        ----------
        owed
            Bytes that are still to be written for objects that were taken.

        Raises
        ------
        StorageFull
            Less is free than `times` the low-water mark.
        """
        if not self.low_water:
            return
        disk = os.statvfs(self.folder)
        free = disk.f_bavail * disk.f_frsize - owed
        if free < times * self.low_water:
            raise StorageFull(
                f"The disk of {self.folder} has only {free >> 20} MB left, and the last "
                f"{times * self.low_water >> 20} are kept for readings and reports "
                "(low_water_mb). Free some room."
            )

    def close(self) -> None:
        """Close the index and let another node have the folder."""
        self._index.close()
        self._blobs.close()
        if self._lock is not None:
            self._lock.close()
            self._lock = None


def _locked(folder: Path) -> BinaryIO:
    # The lock goes with the process, so a killed node leaves none behind.
    file = (folder / "lock").open("ab")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        raise SetupError(
            f"Another node is running on the data folder {folder}. "
            "Stop it first, or name another folder with data_folder."
        ) from None
    return file
