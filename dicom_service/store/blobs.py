"""The blob port: bytes by generated name, durable when a call returns.

A name is 32 hexadecimal digits made here, never anything that a peer sent; the first four are
two levels of folders.
"""

import errno
import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dicom_service.errors import StorageFull

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO}
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

    def adopt(self, temp: Path) -> str:
        """Make a finished temporary file a blob; the name is durable when this returns.

        Raises
        ------
        StorageFull
            The disk has no room; nothing was kept but the temporary file.
        """
        name = uuid.uuid4().hex
        with full_disk_named(self.folder):
            with temp.open("rb") as file:
                os.fsync(file.fileno())
            target = self._made(name)
            os.rename(temp, target)  # noqa: PTH104 - tests make exactly this call fail
            try:
                sync_folder(target.parent)
            except OSError:
                os.rename(target, temp)  # noqa: PTH104
                raise
        return name

    def create(self, data: bytes) -> str:
        """Keep `data`; durable when this returns."""
        temp = self.incoming / f"{uuid.uuid4().hex}.tmp"
        try:
            with full_disk_named(self.folder):
                temp.write_bytes(data)
            return self.adopt(temp)
        finally:
            temp.unlink(missing_ok=True)

    def path(self, name: str) -> Path:
        """The file of a blob."""
        return self.folder / name[:2] / name[2:4] / name

    def remove(self, name: str) -> None:
        """Forget a blob; nothing happens when it is not there."""
        self.path(name).unlink(missing_ok=True)

    def names(self) -> Iterator[str]:
        """All blobs, in no order."""
        for _, _, files in os.walk(self.folder):
            yield from files

    def set_aside(self, name: str, folder: Path) -> None:
        """Move a blob out of the way, into `folder`, for a person to look at."""
        folder.mkdir(exist_ok=True)
        shutil.move(self.path(name), folder / name)

    def _made(self, name: str) -> Path:
        target = self.path(name)
        for folder in (target.parent.parent, target.parent):
            if not folder.is_dir():
                folder.mkdir(exist_ok=True)
                sync_folder(folder.parent)
        return target


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` durable."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


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
