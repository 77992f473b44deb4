"""How many requests an address may make: a bucket for each that fills up again with time."""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable

from dicom_service.errors import TryLater

BURST_SECONDS = 10
REMEMBERED = 10_000


class TooManyRequests(TryLater):
    """The caller must slow down."""

    def __init__(self) -> None:
        super().__init__("This address asks for more than this node serves at once.")
        self.seconds = 1


class Rates:
    """At most `per_second` requests from one address, and ten seconds' worth at once."""

    def __init__(self, per_second: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._rate, self._clock = per_second, clock
        self._lock = threading.Lock()
        self._used: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, address: str) -> None:
        """Count one request.

        Raises
        ------
        TooManyRequests
            There were too many.
        """
        now, largest = self._clock(), float(self._rate * BURST_SECONDS)
        with self._lock:
            left, at = self._used.pop(address, (largest, now))
            left = min(largest, left + (now - at) * self._rate)
            self._used[address] = (max(left - 1, 0.0), now)
            while len(self._used) > REMEMBERED:
                self._used.popitem(last=False)
        if left < 1:
            raise TooManyRequests
