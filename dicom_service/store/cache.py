"""Copies of what the bucket has, to be read here; any of them may go at any time but soon."""

import contextlib
import os
import shutil
import time
from pathlib import Path

_READ_SECONDS = 300.0
"""Who has asked for a file may open it for so long."""


def free_on(folder: Path) -> int:
    """Bytes that its disk has left."""
    try:
        return shutil.disk_usage(folder).free
    except FileNotFoundError:  # nothing was ever kept in it
        return 0


class Cache:
    """Files under one folder, of which those go first that nobody asked for longest.

    Parameters
    ----------
    most
        Bytes that it should not exceed, but for what was asked for lately.
    """

    def __init__(self, folder: Path, most: int) -> None:
        self._folder = folder
        self._most = most

    def place(self, name: str) -> Path:
        """Where the copy of a blob is, or would be; its folder is made."""
        target = self._folder / name[:2] / name[2:4] / name
        target.parent.mkdir(parents=True, exist_ok=True)
        return target

    def find(self, name: str) -> Path | None:
        """The copy of a blob, which stays for a while now; None: there is none."""
        target = self._folder / name[:2] / name[2:4] / name
        try:
            os.utime(target)
        except FileNotFoundError:
            return None
        return target

    def remove(self, name: str) -> None:
        """Forget a copy."""
        (self._folder / name[:2] / name[2:4] / name).unlink(missing_ok=True)

    def trim(self, most: int | None = None) -> int:
        """Bring it down to its bytes, or to fewer; returns how many it then has.

        It has no more of the disk than it leaves free: what comes in needs room, too.
        """
        found: list[tuple[float, int, Path]] = []
        for folder, _, files in os.walk(self._folder):
            for file in files:
                with contextlib.suppress(FileNotFoundError):
                    state = (path := Path(folder, file)).stat()
                    found.append((state.st_mtime, state.st_size, path))
        size = sum(bytes_ for _, bytes_, _ in found)
        if most is None:
            most = min(self._most, (size + free_on(self._folder)) // 2)
        for asked_for, bytes_, path in sorted(found):
            if size <= most or asked_for > time.time() - _READ_SECONDS:
                break
            path.unlink(missing_ok=True)
            size -= bytes_
        return size
