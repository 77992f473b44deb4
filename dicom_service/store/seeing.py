"""What happens again and again: an entry in the audit trail once in a while, not each time."""

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable
from datetime import datetime, timedelta

from dicom_service.errors import SesamoidError
from dicom_service.store.audit import Audit

log = logging.getLogger(__name__)

AGAIN_AFTER = timedelta(minutes=10)
REMEMBERED = 10_000


class Seeing:
    """Notes what users look at or callers try; the same again only after `AGAIN_AFTER`.

    A full disk does not keep a reader from the images: it is logged, and noted as soon as it can.
    """

    def __init__(self, store: Audit, clock: Callable[[], datetime]) -> None:
        self._store, self._clock = store, clock
        self._lock = threading.Lock()
        self._seen: OrderedDict[tuple[str, str, str], datetime] = OrderedDict()

    def note(self, event: str, user: str, study_uid: str = "", detail: str = "") -> None:
        """Note that `user` saw something; without a user the detail says who it was."""
        key, now = (event, user or detail, study_uid), self._clock()
        with self._lock:
            last = self._seen.get(key)
            if last is not None and abs(now - last) < AGAIN_AFTER:
                return
            self._seen[key] = now
            self._seen.move_to_end(key)
            while len(self._seen) > REMEMBERED:
                self._seen.popitem(last=False)
        try:
            self._store.audit(event, user=user, study_uid=study_uid, detail=detail, at=now)
        except SesamoidError as error:
            with self._lock:
                self._seen.pop(key, None)
            log.error("what a user saw could not be noted: %s", error)
