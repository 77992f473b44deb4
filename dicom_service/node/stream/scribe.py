"""A thread that writes one piece of an object while the next is received, and their memory."""

import contextlib
import mmap
import threading
from collections.abc import Callable
from queue import SimpleQueue
from typing import NamedTuple

SHEET = 1 << 20
"""Bytes of one piece."""
_SHEETS = 3
"""One is received into, one is written, one is between the two."""


class _Job(NamedTuple):
    work: Callable[[], None]
    sheet: memoryview


class _End(NamedTuple):
    sheet: memoryview
    error: BaseException | None


class Scribe:
    """Lends sheets of memory, and does jobs with them, in order, for a thread that goes on.

    Sheets begin at a page, as writing past the system's cache demands. Thread and sheets are made
    when they are first needed, so that a connection with small objects has none.
    """

    def __init__(self) -> None:
        self._jobs: SimpleQueue[_Job | None] = SimpleQueue()
        self._ends: SimpleQueue[_End] = SimpleQueue()
        self._begun = 0
        """Jobs whose end was not looked at."""
        self._made = 0
        self._free: list[memoryview] = []
        self._thread: threading.Thread | None = None

    def sheet(self) -> memoryview:
        """A sheet that nobody uses; waits for one. Raises what a job raised."""
        if not self._free and self._made < _SHEETS:
            self._made += 1
            self._free.append(memoryview(mmap.mmap(-1, SHEET)))
        while not self._free:
            self._end()
        return self._free.pop()

    def give_back(self, sheet: memoryview) -> None:
        """Take back a sheet that no job was begun with."""
        self._free.append(sheet)

    def begin(self, work: Callable[[], None], sheet: memoryview) -> None:
        """Do a job after those before it; the sheet is free when it has ended."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="scribe", daemon=True)
            self._thread.start()
        self._begun += 1
        self._jobs.put(_Job(work, sheet))

    def wait(self) -> None:
        """Return when all jobs have ended; raises what one of them raised."""
        while self._begun:
            self._end()

    def close(self) -> None:
        """End the thread, after its jobs."""
        while self._begun:
            with contextlib.suppress(Exception):  # nobody is left who wants what it was for
                self._end()
        if self._thread is not None:
            self._jobs.put(None)
            self._thread.join()
            self._thread = None

    def _end(self) -> None:
        end = self._ends.get()
        self._begun -= 1
        self._free.append(end.sheet)
        if end.error is not None:
            raise end.error

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                job.work()
            except BaseException as error:  # noqa: BLE001 - raised in the thread that waits for it
                self._ends.put(_End(job.sheet, error))
            else:
                self._ends.put(_End(job.sheet, None))
            del job  # it holds memory of the connection
