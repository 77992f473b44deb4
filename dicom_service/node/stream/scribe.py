"""A thread that digests and writes one piece of an object while the next is received."""

import contextlib
import threading
from collections.abc import Callable
from queue import SimpleQueue


class Scribe:
    """Does one job at a time for another thread, which goes on meanwhile.

    Its thread is made with the first job, so that a connection with small objects has none.
    """

    def __init__(self) -> None:
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._ends: SimpleQueue[BaseException | None] = SimpleQueue()
        self._busy = False
        self._thread: threading.Thread | None = None

    def begin(self, job: Callable[[], None]) -> None:
        """Begin a job when the one before has ended; raises what that one raised."""
        self.wait()
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="scribe", daemon=True)
            self._thread.start()
        self._busy = True
        self._jobs.put(job)

    def wait(self) -> None:
        """Return when the job has ended; raises what it raised."""
        if self._busy:
            error = self._ends.get()
            self._busy = False
            if error is not None:
                raise error

    def close(self) -> None:
        """End the thread, after its job."""
        with contextlib.suppress(Exception):  # nobody is left who wants what it was for
            self.wait()
        if self._thread is not None:
            self._jobs.put(None)
            self._thread.join()
            self._thread = None

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                job()
            except BaseException as error:  # noqa: BLE001 - raised in the thread that waits for it
                self._ends.put(error)
            else:
                self._ends.put(None)
            del job  # it holds memory of the connection
