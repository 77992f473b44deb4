"""Waiting for news instead of looking for it every millisecond."""

import os
import queue
import threading
from collections.abc import Callable
from typing import Any

_LOOK_SECONDS = 1.0
"""How often the library's reactor looks at its timers when nothing happens."""


class Bell:
    """A file descriptor that becomes readable when somebody rings, for `poll`."""

    def __init__(self) -> None:
        self.handle = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._lock = threading.Lock()
        self._open = True

    def ring(self) -> None:
        """Wake the thread that polls; nothing happens when it is gone."""
        with self._lock:
            if self._open:
                os.eventfd_write(self.handle, 1)

    def silence(self) -> None:
        """Not readable until the next ring."""
        os.eventfd_read(self.handle)

    def close(self) -> None:
        """Give the descriptor back; its number may soon belong to something else."""
        with self._lock:
            self._open = False
            os.close(self.handle)


class TellingQueue(queue.Queue[Any]):
    """A queue that tells somebody when something was put into it."""

    def __init__(self, tell: Callable[[], None]) -> None:
        super().__init__()
        self._tell = tell

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        """Put and tell; see the base class."""
        super().put(item, block, timeout)
        self._tell()


class Checkpoint:
    """Stands where the library's reactor of an association passes once in every turn.

    The library has a `threading.Event` there, nearly always set. This one also holds the reactor
    back until there is news for it.
    """

    def __init__(self) -> None:
        self._free = threading.Event()
        self._news = threading.Event()
        self._free.set()

    def set(self) -> None:
        """Let the reactor go on."""
        self._free.set()
        self._news.set()

    def clear(self) -> None:
        """Hold the reactor until `set`."""
        self._free.clear()

    def is_set(self) -> bool:
        """Whether the reactor may go on."""
        return self._free.is_set()

    def wait(self, timeout: float | None = None) -> bool:
        """Wait for leave, then for news."""
        free = self._free.wait(timeout)
        self._news.wait(_LOOK_SECONDS)
        self._news.clear()
        return free

    def news(self) -> None:
        """Something happened that the reactor must look at."""
        self._news.set()
