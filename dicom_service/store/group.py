"""Group commit: what several threads hand in at the same time is committed once.

Nobody waits for others to come: the first thread commits what is there, and what is handed in
meanwhile is committed together by the next.
"""

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

_MOST = 64
"""Items of one commit."""

Item = TypeVar("Item")
Result = TypeVar("Result")


class _Entry(Generic[Item, Result]):
    """An item, and what became of it."""

    def __init__(self, item: Item) -> None:
        self.item = item
        self.results: list[Result] = []
        self.error: BaseException | None = None
        self.done = False


class Group(Generic[Item, Result]):
    """Hands items to a function, several at once when several threads come.

    Parameters
    ----------
    commit
        Commits all items or, when it raises, none; returns one result for each. After a failure
        with several items it is called again with each by itself, so that one that cannot be
        committed does not take the others with it.
    final
        Failures after which that is not done: some of the items may have been committed.
    """

    def __init__(
        self,
        commit: Callable[[list[Item]], list[Result]],
        *,
        final: tuple[type[Exception], ...] = (),
    ) -> None:
        self._commit = commit
        self._final = final
        self._waiting: list[_Entry[Item, Result]] = []
        self._handing_in = threading.Lock()
        self._committing = threading.Lock()

    def commit(self, item: Item) -> Result:
        """Return when `item` is committed, whoever did it; raises what its commit raised."""
        entry: _Entry[Item, Result] = _Entry(item)
        with self._handing_in:
            self._waiting.append(entry)
        with self._committing:
            while not entry.done:
                with self._handing_in:
                    batch, self._waiting = self._waiting[:_MOST], self._waiting[_MOST:]
                self._run(batch)
        if entry.error is not None:
            raise entry.error
        return entry.results[0]

    def __len__(self) -> int:
        """Items that wait for the commit that is under way."""
        with self._handing_in:
            return len(self._waiting)

    def _run(self, batch: list[_Entry[Item, Result]]) -> None:
        try:
            results = self._commit([entry.item for entry in batch])
        except BaseException as error:  # noqa: BLE001 - raised in the thread whose item it was
            if len(batch) > 1 and not isinstance(error, self._final):
                for entry in batch:
                    self._run([entry])
                return
            for entry in batch:
                entry.error = error
        else:
            for entry, result in zip(batch, results, strict=True):
                entry.results.append(result)
        for entry in batch:
            entry.done = True
