"""The settler: when a study has had no new image for a while, its template is prepared."""

import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

from dicom_service.errors import SesamoidError, TryLater
from dicom_service.quiet_logs import said_in_log
from dicom_service.store import Store

log = logging.getLogger(__name__)
_LONGEST_SLEEP = 30.0
"""However far the next study is: the wall clock may be set meanwhile."""
_GATHER = 0.05
_GATHER_LONGEST = 1.0
"""A burst of objects wakes the settler once in a while, the less often the longer studies settle:
its questions take processor time from the receiving."""
_AGAIN = 1.0
"""Shortest time between two attempts at one study."""
_AGAIN_AFTER_TROUBLE = 10.0


class Settler:
    """A thread that hands settled studies on.

    Parameters
    ----------
    quiet
        Seconds without a new image after which a study counts as complete.
    on_settled
        Prepares a study; what it raises becomes the study's state, in words.
    lease_seconds
        After which another node prepares a study that this one began and never ended.
    """

    def __init__(
        self,
        store: Store,
        quiet: float,
        on_settled: Callable[[str], None],
        lease_seconds: float = 120.0,
    ) -> None:
        self._store = store
        self._lease_seconds = lease_seconds
        self._quiet = quiet
        self._gather = min(max(_GATHER, quiet / 10), _GATHER_LONGEST)
        self._on_settled = on_settled
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._not_before: dict[str, float] = {}
        self._thread = threading.Thread(target=self._run, name="settler", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def wake(self) -> None:
        """An object has arrived."""
        self._woken.set()

    def stop(self) -> None:
        """Stop after the study in hand."""
        self._stopping.set()
        self._woken.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                sleep = self._turn()
            except Exception:
                log.exception("the settler could not look for settled studies")
                sleep = _AGAIN_AFTER_TROUBLE
            if self._woken.wait(sleep) and not self._stopping.wait(self._gather):
                self._woken.clear()

    def _turn(self) -> float:
        """Prepare what is due; returns how long to sleep."""
        while not self._stopping.is_set():
            now = time.monotonic()
            self._not_before = {u: t for u, t in self._not_before.items() if t > now}
            lease = self._store.claim_study(
                datetime.now(UTC), self._quiet, self._lease_seconds, self._not_before
            )
            if lease is None:
                break
            try:
                self._not_before[lease.of] = time.monotonic() + self._prepare(lease.of)
            finally:
                self._store.give_back(lease)
        due = self._store.due_studies(datetime.now(UTC), self._quiet)
        moments = [
            self._not_before[uid] - time.monotonic() for uid in due if uid in self._not_before
        ]
        upcoming = self._store.next_settling(datetime.now(UTC), self._quiet)
        if upcoming is not None:
            moments.append((upcoming - datetime.now(UTC)).total_seconds())
        return min(max(min(moments, default=_LONGEST_SLEEP), 0.01), _LONGEST_SLEEP)

    def _prepare(self, study_uid: str) -> float:
        """Prepare one study; returns for how long it is then left alone."""
        try:
            self._on_settled(study_uid)
        except TryLater as error:
            log.warning("study %s is prepared later: %s", study_uid, said_in_log(error))
            return _AGAIN_AFTER_TROUBLE
        except SesamoidError as error:
            log.warning("study %s cannot be prepared: %s", study_uid, said_in_log(error))
            self._store.fail_preparation(study_uid, str(error))
        except Exception as error:
            log.exception("study %s cannot be prepared", study_uid)
            self._store.fail_preparation(
                study_uid,
                f"The template could not be prepared ({type(error).__name__}: {error}). "
                "Its images are safe; please send the node's log to the makers.",
            )
        return _AGAIN
