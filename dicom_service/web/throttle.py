"""Growing waits after wrong passwords, in bounded memory."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import NamedTuple

from dicom_service.errors import NotAllowed

REMEMBERED = 10_000
FORGOTTEN = timedelta(hours=1)
"""After so long without a wrong password the counting starts anew."""


class Limit(NamedTuple):
    """How many wrong passwords are free, and how long the waits after them grow."""

    free: int
    longest: timedelta


LIMITS = {
    "pair": Limit(3, timedelta(minutes=5)),  # one user from one address
    "address": Limit(20, timedelta(minutes=5)),  # many users from one address
    # One user from many addresses. The wait is short: whoever knows a name must not be able to
    # lock its owner out.
    "user": Limit(30, timedelta(seconds=20)),
}


class TooManyTries(NotAllowed):
    """The caller must wait `seconds` before the next try."""

    def __init__(self, seconds: int) -> None:
        super().__init__(f"Too many wrong passwords. Try again in {seconds} s.")
        self.seconds = seconds


class _Count(NamedTuple):
    failures: int
    at: datetime
    free_at: datetime


class Throttle:
    """Counts wrong passwords of each user, each address and each pair of them.

    After the free ones the next try must wait 1 s, then 2, 4 ... up to the longest.
    The `REMEMBERED` newest of each kind are kept; the oldest are forgotten first.
    """

    def __init__(self, clock: Callable[[], datetime]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._counts: dict[str, OrderedDict[str, _Count]] = {kind: OrderedDict() for kind in LIMITS}

    def check(self, user: str, address: str) -> None:
        """Raise TooManyTries when this user or address must still wait."""
        now = self._clock()
        with self._lock:
            known = [self._counts[kind].get(key) for kind, key in _keys(user, address)]
        left = max((count.free_at - now for count in known if count), default=timedelta(0))
        if left > timedelta(0):
            raise TooManyTries(int(left.total_seconds()) + 1)

    def failed(self, user: str, address: str) -> None:
        """Count a wrong password."""
        now = self._clock()
        with self._lock:
            for kind, key in _keys(user, address):
                counts, limit = self._counts[kind], LIMITS[kind]
                before = counts.pop(key, None)
                count = before.failures + 1 if before and now - before.at < FORGOTTEN else 1
                late = max(0, count - limit.free)
                wait = timedelta(seconds=2 ** min(late - 1, 16)) if late else timedelta(0)
                counts[key] = _Count(count, now, now + min(limit.longest, wait))
                while len(counts) > REMEMBERED:
                    counts.popitem(last=False)

    def succeeded(self, user: str, address: str) -> None:
        """Forget the wrong ones of this user; those of the address stay, whoever else they were."""
        with self._lock:
            for kind, key in _keys(user, address):
                if kind != "address":
                    self._counts[kind].pop(key, None)

    def __len__(self) -> int:
        return max(len(counts) for counts in self._counts.values())


def _keys(user: str, address: str) -> Iterator[tuple[str, str]]:
    yield "pair", f"{address} {user}"
    yield "address", address
    yield "user", user
