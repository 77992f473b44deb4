"""The lock of a data folder: one node, or several that know of each other."""

import fcntl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dicom_service.errors import SetupError

_PATIENCE_SECONDS = 60.0
"""A node that is alone may be tidying the folder for so long."""


class FolderLock:
    """Held as long as it is open; it goes with the process, so a killed node leaves none behind.

    Raises
    ------
    SetupError
        Another node has the folder, and it is not shared.
    """

    def __init__(self, folder: Path, *, shared: bool) -> None:
        self._folder, self._shared = folder, shared
        self._file = (folder / "lock").open("ab")
        if not (self._among_others() if shared else self._tried(fcntl.LOCK_EX)):
            self._file.close()
            raise SetupError(
                f"Another node is running on the data folder {folder}. "
                "Stop it first, or name another folder with data_folder."
            )

    @contextmanager
    def alone(self) -> Iterator[bool]:
        """Whether no other node has the folder; when true, none gets it within the block."""
        if not self._shared:
            yield True
            return
        # One lock becomes another by being let go first, so this is for before the work begins.
        alone = self._tried(fcntl.LOCK_EX)
        try:
            if not alone:
                self._among_others()
            yield alone
        finally:
            if alone and not self._file.closed:
                fcntl.flock(self._file, fcntl.LOCK_SH)

    def close(self) -> None:
        """Let others have the folder."""
        self._file.close()

    def _among_others(self) -> bool:
        """Wait until no node is alone with the folder any more; False when one stays it."""
        until = time.monotonic() + _PATIENCE_SECONDS
        while not self._tried(fcntl.LOCK_SH):
            if time.monotonic() > until:
                return False
            time.sleep(0.05)
        return True

    def _tried(self, how: int) -> bool:
        try:
            fcntl.flock(self._file, how | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
