"""Waiting for signals: none is overlooked, whichever thread the system gives it to.

Python runs handlers in the main thread, but a main thread that waits for a lock or a queue is
not woken by a signal that another thread was given. A descriptor is.
"""

import os
import select
import signal
import time
from collections.abc import Iterable


class Told:
    """The signals that have come, in their order."""

    def __init__(self, numbers: Iterable[int]) -> None:
        self._reading, writing = os.pipe()
        os.set_blocking(writing, False)
        signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
        for number in numbers:
            signal.signal(number, lambda *_: None)

    def next(self, seconds: float | None = None) -> int | None:
        """Wait for the next signal; None when there was none in this time."""
        ends = None if seconds is None else time.monotonic() + seconds
        while True:
            left = None if ends is None else max(ends - time.monotonic(), 0)
            if select.select([self._reading], [], [], left)[0]:
                return os.read(self._reading, 1)[0]
            if left is not None and left <= 0:
                return None
