"""Opening a data folder: is it usable, is it ours alone, is its schema one that we know."""

import fcntl
import os
from pathlib import Path
from typing import BinaryIO

from sqlalchemy import insert, select, update

from dicom_service.errors import SetupError, StorageFull, TryLater
from dicom_service.store.blobs import Blobs
from dicom_service.store.chain import seal_older
from dicom_service.store.schema import VERSION, metadata, schema_version
from dicom_service.store.sqlite import Index

SEALED_SINCE = 3
"""The schema version from which on events of the audit trail are sealed."""

_OLD_INDEXES = (
    "studies_by_state",
    "studies_by_arrival",
    "study_words_by_study",
    "list_lines_by_priority",
)
"""Indexes of earlier versions that others have replaced."""


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
        self.journal = self.folder / "journal"
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
        self._index = Index(self.folder / "index.sqlite")
        try:
            _prepare_schema(self._index)
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


def _prepare_schema(index: Index) -> None:
    try:
        with index.write() as connection:
            metadata.create_all(connection)
            for name in _OLD_INDEXES:
                connection.exec_driver_sql(f"DROP INDEX IF EXISTS {name}")
            for table in metadata.tables.values():  # of tables that were there before
                for made in table.indexes:
                    made.create(connection, checkfirst=True)
            found = connection.execute(select(schema_version.c.version)).scalar()
            if found is None:
                connection.execute(insert(schema_version).values(version=VERSION))
            elif found < VERSION:  # what is new so far are whole tables, made above
                if found < SEALED_SINCE:
                    seal_older(connection)
                connection.execute(update(schema_version).values(version=VERSION))
    except TryLater as error:
        raise SetupError(str(error)) from error
    if found is not None and found > VERSION:
        raise SetupError(
            f"The data folder {index.file.parent} was written by a newer version of this program "
            f"(schema {found}, this one knows {VERSION}). Install the newer version again."
        )
