"""Ending an association on which the peer may be reporting at that moment.

The library serves such a report (N-EVENT-REPORT) in a thread of its own, and has two faults there:
it answers a report that crosses our release, and breaks on it; and when the report is done it
notes that the association's reactor runs, also where that stands still for whoever is about to
send or to release, who then waits for it to stand still for ever.
"""

import threading
from collections.abc import Callable
from typing import Any

from pynetdicom.association import Association

_RELEASE_SECONDS = 1.0
"""How long the answer to a release is waited for; then the association is aborted."""
_AGAIN_SECONDS = 0.05


class Standstill(threading.Event):
    """Where the reactor of an association waits; it says that it stands for as long as it does."""

    def __init__(self, association: Association) -> None:
        super().__init__()
        self._association = association
        self.set()

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until it is set; see the base class."""
        if timeout is not None:
            return super().wait(timeout)
        while not super().wait(_AGAIN_SECONDS):
            self._association._is_paused = True
        return True


def partable(association: Association) -> Callable[[], None]:
    """Prepare an established association for reports; returns how to release it.

    A report that crosses the release is taken, but gets no answer: the peer sends it again on an
    association of its own.
    """
    send, lock = association.dimse.send_msg, threading.Lock()
    released = False

    def send_unless_released(*message: Any) -> None:
        with lock:
            if not released:
                send(*message)

    def release() -> None:
        nonlocal released
        with lock:
            released = True
        if association.is_established:
            # A peer whose report crosses the release may wait for its answer and give none.
            association.acse_timeout = _RELEASE_SECONDS
            association.release()

    association._reactor_checkpoint = Standstill(association)
    association.dimse.send_msg = send_unless_released  # type: ignore[method-assign, assignment]
    return release
