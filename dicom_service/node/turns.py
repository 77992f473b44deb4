"""A thread that does what is due, sleeps until the next is, and can be woken before."""

import logging
import threading
from abc import ABC, abstractmethod
from datetime import UTC, datetime

log = logging.getLogger(__name__)
_LONGEST_SLEEP = 30.0
"""However far the next moment is: the wall clock may be set meanwhile."""
_AFTER_TROUBLE = 5.0


class Turns(ABC):
    """Turn after turn until it is stopped; trouble in one turn does not end the thread.

    Parameters
    ----------
    name
        Of the thread.
    trouble
        What could not be done when a turn fails, for the log.
    """

    def __init__(self, name: str, trouble: str) -> None:
        self._trouble = trouble
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def wake(self) -> None:
        """There is something new to do."""
        self._woken.set()

    def stop(self) -> None:
        """Stop after what is in hand."""
        self._stopping.set()
        self._woken.set()
        if self._thread.ident is not None:
            self._thread.join()

    @abstractmethod
    def _turn(self) -> float:
        """Do what is due; returns how long to sleep."""

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._woken.clear()
            try:
                sleep = self._turn()
            except Exception:
                log.exception("%s", self._trouble)
                sleep = _AFTER_TROUBLE
            if not self._stopping.is_set():
                self._woken.wait(sleep)


def seconds_until(moment: datetime | None) -> float:
    """How long to sleep until a moment; None: nothing is to be done."""
    if moment is None:
        return _LONGEST_SLEEP
    wait = (moment - datetime.now(UTC)).total_seconds()
    return min(max(wait, 0.01), _LONGEST_SLEEP)
