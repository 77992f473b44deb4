"""The lock of a data folder: one node, or several that know of each other."""

import fcntl
import shutil
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

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
        self._key: IO[bytes] | None = None
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

    def own_room(self, folder: Path) -> Path:
        """A folder for the temporary files of this process: `folder`, or one in it beside others.

        Such a room has a lock of its own, so that others see when its owner is no more.
        """
        if not self._shared:
            return folder
        room = folder / uuid.uuid4().hex
        with _doorway(self._folder) as keys:
            self._key = (keys / room.name).open("ab")
            fcntl.flock(self._key, fcntl.LOCK_EX)
            room.mkdir()
        return room

    def close(self) -> None:
        """Let others have the folder."""
        if self._key is not None:
            self._key.close()
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


def sweep_rooms(folder: Path, rooms: Path) -> int:
    """Remove the rooms of processes that are no more; how many temporary files were in them."""
    swept = 0
    with _doorway(folder) as keys:
        for key in keys.iterdir():
            with key.open("ab") as lock:
                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    continue
                room = rooms / key.name
                swept += sum(1 for _ in room.glob("*"))
                shutil.rmtree(room, ignore_errors=True)
                if not room.exists():
                    key.unlink()
    return swept


@contextmanager
def _doorway(folder: Path) -> Iterator[Path]:
    """The folder of the keys, in which one at a time makes or removes some.

    Without it a key could be found between its making and its locking.
    """
    keys = folder / "keys"
    keys.mkdir(exist_ok=True)
    with (folder / "doorway").open("ab") as door:
        fcntl.flock(door, fcntl.LOCK_EX)
        yield keys
