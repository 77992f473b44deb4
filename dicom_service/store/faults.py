"""Named points at which a test can make the process die, to prove that nothing is lost.

`SESAMOID_FAULT=name` or `name:n` kills the process (SIGKILL) when the point is reached for the
n-th time. Without the variable, reaching a point costs one dictionary look-up.
"""

import os
import signal
import threading

VARIABLE = "SESAMOID_FAULT"
POINTS = (
    "accept.renamed",
    "accept.committed",
    "journal.written",
    "journal.synced",
    "accept.journaled",
    "journal.placed",
    "journal.indexed",
    "journal.settled",
    "journal.freed",
    "settle.document",
    "settle.committed",
    "save.before",
    "save.committed",
    "sign.blobs",
    "sign.committed",
    "send.stored",
    "send.recorded",
    "commit.received",
)
BUCKET_POINTS = ("bucket.settled", "bucket.drained", "bucket.left")
"""Passed only where the objects are in a bucket."""

_lock = threading.Lock()
_reached: dict[str, int] = {}


def reach(name: str) -> None:
    """Die here when the environment asks for it."""
    wanted = os.environ.get(VARIABLE)
    if not wanted:
        return
    point, _, times = wanted.partition(":")
    if point != name:
        return
    with _lock:
        _reached[name] = _reached.get(name, 0) + 1
        if _reached[name] == int(times or 1):
            os.kill(os.getpid(), signal.SIGKILL)
