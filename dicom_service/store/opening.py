"""Opening a data folder: is it usable, is it ours alone, is its schema one that we know."""

import os
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from dicom_service.errors import SetupError, StorageFull
from dicom_service.store.elsewhere import Elsewhere, begin, open_blobs, owner_of
from dicom_service.store.home import INCOMING, INDEX, JOURNAL, check_alone, join
from dicom_service.store.index import Heard, Index
from dicom_service.store.locking import FolderLock
from dicom_service.store.migrating import bring_up_to_date
from dicom_service.store.sqlite import SqliteIndex
from dicom_service.store.texts import mend

if TYPE_CHECKING:
    from dicom_service.store.spool import SpooledBlobs


class Shelf:
    """An open data folder; the base of every part of the store.

    Parameters
    ----------
    folder
        The data folder; made when it is not there.
    exclusive
        True for the node, of which there is one per folder (several with an index that they can
        share). False for a command that looks or changes a user while the node may be running.
    index_url
        Where the index is, when it is not in the folder; see `PostgresIndex`.
    elsewhere
        The bucket that has the objects, when they are not in the folder; see `SpooledBlobs`.

    Raises
    ------
    SetupError
        The folder cannot be used, another node has it, or its schema is newer than this program.
    """

    def __init__(
        self,
        folder: Path,
        *,
        exclusive: bool = True,
        index_url: str = "",
        elsewhere: Elsewhere | None = None,
    ) -> None:
        self.folder = folder.absolute()
        self.incoming = self.folder / INCOMING
        self.journal = self.folder / JOURNAL
        self.exclusive = exclusive
        self.low_water = 0
        """Bytes of free room below which no object is taken."""
        self._lock: FolderLock | None = None
        self._take_folder(shared=bool(index_url))
        try:
            self._blobs = open_blobs(self.folder, elsewhere, self.incoming)
            self._index = open_index(self.folder, index_url)
        except BaseException:
            self._unlock()
            raise
        try:
            bring_up_to_date(self._index, self.folder)
            number = ""
            if self._index.shared:
                number = join(self._index, self.folder, lambda: owner_of(self._blobs))
            mend(self._index)
            if exclusive:
                begin(self._blobs, self.folder, number)
        except BaseException:
            self.close()
            raise

    def _take_folder(self, *, shared: bool) -> None:
        """Make the folder usable and, for a node, this process's own.

        Raises
        ------
        SetupError
            It cannot be made or written to, or another node has it.
        """
        try:
            for part in (self.folder, self.incoming, self.folder / "blobs"):
                part.mkdir(parents=True, exist_ok=True)
            probe = self.incoming / f"probe-{os.getpid()}"
            probe.touch()
            probe.unlink()
            if self.exclusive:
                self._lock = FolderLock(self.folder, shared=shared)
                self.incoming = self._lock.own_room(self.folder / INCOMING)
        except OSError as error:
            raise SetupError(
                f"The data folder {self.folder} cannot be used: {error.strerror}. "
                "Make it writable for this user, or name another with data_folder."
            ) from error

    @property
    def in_bucket(self) -> "SpooledBlobs | None":
        """The blobs, when they are in a bucket."""
        blobs: Any = self._blobs
        return blobs if hasattr(blobs, "bucket") else None

    def changing(self) -> AbstractContextManager[Connection]:
        """One transaction, for what is put right by hand."""
        return self._index.write()

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
        self._blobs.check_room(times)
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

    @property
    def spooled(self) -> tuple[int, int]:
        """How many objects, and bytes, wait here for the bucket."""
        return self._blobs.owed

    @property
    def away(self) -> str:
        """Why the bucket cannot be used; "": it can, or there is none."""
        return self._blobs.trouble

    @property
    def refused(self) -> int:
        """Objects that were not taken because too much waited for the bucket."""
        return self._blobs.refused

    @property
    def spool_full(self) -> bool:
        """Whether no object is taken until the bucket is back."""
        return self._blobs.full

    def drain(self) -> None:
        """Have the bucket take what waits for it.

        Raises
        ------
        StoreAway
            It does not answer; the rest waits on.
        """
        self._blobs.drain()

    def close(self) -> None:
        """Close the index and let another node have the folder."""
        self._index.close()
        self._blobs.close()
        self._unlock()

    def listen(self, heard: Heard) -> Callable[[], None]:
        """Call `heard` with the kinds of work (`SETTLE`, `SEND`; none: it may be any) that a node
        which shares this index made; returns what ends that."""
        return self._index.listen(heard)

    @property
    def shared(self) -> bool:
        """Whether other nodes may be at work on the same."""
        return self._index.shared

    def _only_node(self) -> AbstractContextManager[bool]:
        """Whether no other node has this folder; none gets it meanwhile."""
        return nullcontext(True) if self._lock is None else self._lock.alone()

    def _unlock(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None


def open_index(folder: Path, url: str) -> Index:
    """The index of a data folder, which is in it unless a URL says where it is."""
    if url:
        # Not every installation has the driver.
        try:
            from dicom_service.store.postgres import PostgresIndex
        except ImportError as error:
            raise SetupError(
                f"index_url needs the driver for PostgreSQL ({error}): "
                "pip install 'sesamoid[postgres]'."
            ) from error
        return PostgresIndex(url)
    check_alone(folder)
    return SqliteIndex(folder / INDEX)
