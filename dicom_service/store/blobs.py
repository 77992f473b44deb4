"""The blob port: bytes by generated name, durable when a call returns.

A name is 32 hexadecimal digits made here, never anything that a peer sent; the first four are
two levels of folders. These four follow the clock, so that objects that come together share a
folder: it is made, and synced, once for many.
"""

import errno
import itertools
import os
import shutil
import threading
import time
import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from dicom_service.errors import StorageFull
from dicom_service.store.syncing import FileSystem, sync_folder

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO}
_FOLDER_SECONDS = 1024
"""How long a folder is filled; its name comes again after two years."""
_AWAY = {errno.ENOENT, errno.ENOTDIR, errno.EACCES, errno.EPERM, errno.ENODEV, errno.ESTALE}


class Blobs:
    """Files under one folder.

    Parameters
    ----------
    folder
        Holds the two levels of folders; made when it is not there.
    incoming
        On the same file system; temporary files are written here and renamed into place.
    """

    def __init__(self, folder: Path, incoming: Path) -> None:
        self.folder = folder
        self.incoming = incoming
        self.trouble = ""
        """Why what is here cannot be moved to where it belongs; "": it can, or belongs here."""
        self.refused = 0
        """Objects that `check_room` refused."""
        self._system: FileSystem | None = None
        self._opening = threading.Lock()

    def place(self, temp: Path) -> str:
        """Give a finished temporary file its name; `settle` makes the name durable.

        Raises
        ------
        StorageFull
            The disk has no room; nothing was kept but the temporary file.
        """
        name = _new_name()
        with full_disk_named(self.folder):
            file = os.open(temp, os.O_RDONLY)
            try:
                os.fsync(file)
            finally:
                os.close(file)
            os.rename(temp, self._made(name))  # noqa: PTH104 - tests make exactly this call fail
        return name

    def new_name(self) -> str:
        """A name for a blob that is to be written."""
        return _new_name()

    def write(self, name: str, data: bytes) -> None:
        """Write a blob whose name was decided before; `sync` makes several durable.

        Raises
        ------
        StorageFull
            The disk has no room.
        """
        with full_disk_named(self.folder):
            with self._opening:
                if self._system is None:
                    self._system = FileSystem(self.folder)
            _write(os.open(self._made(name), os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o640), data)

    def write_again(self, name: str, data: bytes) -> None:
        """Write the same bytes over those of a blob, which somebody may be reading; nothing
        happens when it is gone.

        Raises
        ------
        StorageFull
            The disk has no room.
        """
        with full_disk_named(self.folder):
            try:
                file = os.open(self._file(name), os.O_WRONLY)
            except FileNotFoundError:
                return
            _write(file, data)

    def sync(self, names: Sequence[str]) -> None:
        """Make written blobs and their names durable; those that are gone are not needed.

        Raises
        ------
        StorageFull
            Some may not last, whatever a second call says: they must be written again.
        """
        with full_disk_named(self.folder):
            if not names or (self._system is not None and self._system.sync()):
                return
            there = [self._file(name) for name in names if self._file(name).exists()]
            for path in there:
                with path.open("rb") as file:
                    os.fsync(file.fileno())
            for folder in {path.parent for path in there}:
                sync_folder(folder)

    def close(self) -> None:
        """Let the file system go."""
        with self._opening:
            if self._system is not None:
                self._system.close()
                self._system = None

    def settle(self, names: Iterable[str]) -> None:
        """Make names durable, each folder once.

        Raises
        ------
        StorageFull
            The disk has no room; the blobs may or may not last.
        """
        with full_disk_named(self.folder):
            for folder in {self._file(name).parent for name in names}:
                sync_folder(folder)

    def create(self, data: bytes) -> str:
        """Keep `data`; durable when this returns."""
        temp = self.incoming / f"{uuid.uuid4().hex}.tmp"
        try:
            with full_disk_named(self.folder):
                temp.write_bytes(data)
            name = self.place(temp)
            try:
                self.settle([name])
            except BaseException:
                self.remove(name)
                raise
            return name
        finally:
            temp.unlink(missing_ok=True)

    def path(self, name: str) -> Path:
        """The file of a blob."""
        return self._file(name)

    @property
    def owed(self) -> tuple[int, int]:
        """How many objects, and bytes, are still to be moved to where they belong."""
        return 0, 0

    @property
    def full(self) -> bool:
        """Whether `check_room` refuses everything."""
        return False

    def drain(self) -> None:
        """Move what is still to be moved."""

    def size(self, name: str) -> int:
        """Bytes of a blob; 0 when it is not there. Costs less than to ask for its file."""
        try:
            return self.path(name).stat().st_size
        except FileNotFoundError:
            return 0

    def remove(self, name: str) -> None:
        """Forget a blob; nothing happens when it is not there."""
        self._file(name).unlink(missing_ok=True)

    def names(self) -> Iterator[str]:
        """All blobs, in no order."""
        for _, _, files in os.walk(self.folder):
            yield from files

    def set_aside(self, name: str, folder: Path) -> None:
        """Move a blob out of the way, into `folder`, for a person to look at."""
        folder.mkdir(exist_ok=True)
        shutil.move(self._file(name), folder / name)
        with (folder / name).open("rb") as file:
            os.fsync(file.fileno())
        sync_folder(folder)

    def copy(self, name: str, to: Path) -> None:
        """Copy a blob into a new file."""
        shutil.copyfile(self.path(name), to)

    def lost(self, absent: set[str]) -> set[str]:
        """Which of these, that `names` did not have, are certainly nowhere."""
        return absent

    def check_room(self, times: int = 1) -> None:
        """Refuse what could not be kept for a reason other than the disk; `times` as in `Shelf`."""

    def _file(self, name: str) -> Path:
        return self.folder / name[:2] / name[2:4] / name

    def _made(self, name: str) -> Path:
        target = self._file(name)
        for folder in (target.parent.parent, target.parent):
            if not folder.is_dir():
                folder.mkdir(exist_ok=True)
                sync_folder(folder.parent)
        return target


class Blob:
    """One blob, to be brought where it can be read when somebody wants to read it."""

    __slots__ = ("_kept", "name")

    def __init__(self, kept: Blobs, name: str) -> None:
        self._kept = kept
        self.name = name

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Blob) and other.name == self.name

    def __hash__(self) -> int:
        return hash(self.name)

    @property
    def path(self) -> Path:
        """Its file on this machine."""
        return self._kept.path(self.name)

    @property
    def size(self) -> int:
        """How many bytes it has; 0 when it is not there."""
        return self._kept.size(self.name)


class _Names:
    """What names are made of: something that no other process has, and a number.

    To ask the system for chance each time takes longer than a small object's checksum.
    """

    def __init__(self) -> None:
        self.renew()

    def renew(self) -> None:
        """In a forked process, which would go on with the same numbers."""
        self.mine = os.urandom(8).hex()
        self.numbers = itertools.count(1)


_names = _Names()
os.register_at_fork(after_in_child=_names.renew)


def _write(file: int, data: bytes) -> None:
    try:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(file, rest) :]
    finally:
        os.close(file)


def _new_name() -> str:
    turn = int(time.time()) // _FOLDER_SECONDS % 0x10000
    return f"{turn:04x}{_names.mine}{next(_names.numbers) & 0xFFFFFFFFFFFF:012x}"


@contextmanager
def full_disk_named(folder: Path) -> Iterator[None]:
    """Turn the operating system's word for a disk that is full or away into a sentence."""
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            advice = "Free some room on its disk."
        elif error.errno in _AWAY:
            advice = "Is its disk there, and may this user write to it?"
        else:
            raise
        raise StorageFull(
            f"The data folder {folder} cannot take the object: {error.strerror}. {advice}"
        ) from error
