"""Growing waits after wrong passwords, in bounded memory."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from datetime import datetime, timedelta

from dicom_service.errors import NotAllowed

FREE_TRIES = 3
LONGEST = timedelta(minutes=5)
REMEMBERED = 10_000


class TooManyTries(NotAllowed):
    """The caller must wait `seconds` before the next try."""

    def __init__(self, seconds: int) -> None:
        super().__init__(f"Too many wrong passwords. Try again in {seconds} s.")
        self.seconds = seconds


class Throttle:
    """Counts wrong passwords for each pair of user and address.

    After `FREE_TRIES` wrong ones the next try must wait 1 s, then 2, 4 ... up to `LONGEST`.
    The `REMEMBERED` newest pairs are kept; the oldest are forgotten first.
    """

    def __init__(self, clock: Callable[[], datetime]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._failures: OrderedDict[tuple[str, str], tuple[int, datetime]] = OrderedDict()

    def check(self, user: str, address: str) -> None:
        """Raise TooManyTries when this pair must still wait."""
        with self._lock:
            _, free_at = self._failures.get((user, address), (0, self._clock()))
        left = free_at - self._clock()
        if left > timedelta(0):
            raise TooManyTries(int(left.total_seconds()) + 1)

    def failed(self, user: str, address: str) -> None:
        """Count a wrong password."""
        key = (user, address)
        with self._lock:
            count = self._failures.pop(key, (0, None))[0] + 1
            late = max(0, count - FREE_TRIES)
            wait = min(LONGEST, timedelta(seconds=2 ** min(late - 1, 16))) if late else timedelta(0)
            self._failures[key] = (count, self._clock() + wait)
            while len(self._failures) > REMEMBERED:
                self._failures.popitem(last=False)

    def succeeded(self, user: str, address: str) -> None:
        """Forget the wrong ones."""
        with self._lock:
            self._failures.pop((user, address), None)

    def __len__(self) -> int:
        return len(self._failures)
