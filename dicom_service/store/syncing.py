"""Making what was written durable: folders, and whole file systems where that can be trusted."""

import ctypes
import os
import platform
import re
import sys
from pathlib import Path
from typing import Any

_REPORTING = {0xEF53: "ext4", 0x58465342: "xfs", 0x9123683E: "btrfs"}
"""File systems whose `syncfs` says when something could not be written. Layered ones may not hear
of it from the one below."""
_SINCE = (5, 8)
"""The Linux in which `syncfs` began to report."""


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` durable."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_file(file: Path) -> None:
    """Make what is in `file` durable."""
    with file.open("rb") as opened:
        os.fsync(opened.fileno())


class FileSystem:
    """The file system of a folder, to be synced as a whole.

    For hundreds of files that is one wait for the disk instead of hundreds. What could not be
    written since this was made is noticed, also when the system tried long before the sync; so
    make it before the first write.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._call = _syncfs()
        self._handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        if self._call is not None and _kind(self._handle) not in _REPORTING:
            self._call = None

    def sync(self) -> bool:
        """Make everything on it durable; False: that cannot be done here, sync each file.

        Raises
        ------
        OSError
            Something could not be written; asked again, the system would not say so any more.
        """
        if self._call is None:
            return False
        if os.stat(self._folder).st_dev != os.fstat(self._handle).st_dev:  # noqa: PTH116 - pairs with fstat
            return False  # another disk is there now
        if self._call(self._handle) != 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        return True

    def close(self) -> None:
        """Let the file system go."""
        os.close(self._handle)


def _syncfs() -> Any:
    release = re.match(r"(\d+)\.(\d+)", platform.release())
    if sys.platform != "linux" or release is None:
        return None
    if (int(release[1]), int(release[2])) < _SINCE:
        return None
    return getattr(ctypes.CDLL(None, use_errno=True), "syncfs", None)


def _kind(handle: int) -> int:
    """The magic number of a file system: the first word of `struct statfs`."""
    call = getattr(ctypes.CDLL(None, use_errno=True), "fstatfs", None)
    found = (ctypes.c_long * 64)()
    if call is None or call(handle, found) != 0:
        return 0
    return int(found[0]) & 0xFFFFFFFF
