"""Every event of the audit trail to a syslog server: once, in order, from where it stopped."""

import logging
import os
import socket
import threading
from datetime import UTC, datetime

from dicom_service.audit.messages import audit_message, origin_of
from dicom_service.audit.syslog import Line, frame, parse_address
from dicom_service.errors import PeerAway, SesamoidError
from dicom_service.settings import Settings
from dicom_service.store import AuditRow, Store

log = logging.getLogger(__name__)

EVERY_SECONDS = 1.0
LONGEST_SECONDS = 60.0
PIECE = 200
_LEASE_SECONDS = 600.0


class Forwarder:
    """A thread that sends what is new; does nothing when no server is set.

    Raises
    ------
    SetupError
        The address of the server or its certificates are wrong.
    """

    def __init__(self, settings: Settings, store: Store) -> None:
        self._store = store
        self._destination = settings.audit_syslog
        self._settings = settings
        self._line: Line | None = None
        if self._destination:
            self._line = Line(parse_address(self._destination), settings.audit_syslog_ca)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="audit", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        if self._line is not None:
            self._thread.start()

    def stop(self) -> None:
        """Send what there is, as far as the server takes it, and end."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(15)
        elif self._line is not None:
            self._line.close()

    def forward(self) -> int:
        """Send what is new now; how many events that were.

        Raises
        ------
        PeerAway
            The server is away; what it was sent before is remembered.
        """
        if self._line is None:
            return 0
        if not self._store.audit_after(self._store.audit_exported(self._destination), 1):
            return 0
        now = datetime.now(UTC)
        lease = self._store.claim("syslog", self._destination, now, _LEASE_SECONDS)
        if lease is None:
            return 0  # another node of this index is at it
        try:
            return self._forward(self._line)
        finally:
            self._store.give_back(lease)

    def _forward(self, line: Line) -> int:
        last, sent = self._store.audit_exported(self._destination), 0
        while rows := self._store.audit_after(last, PIECE):
            try:
                for row in rows:
                    line.send(self._framed(row))
                    last, sent = row.id, sent + 1
            finally:
                self._store.set_audit_exported(self._destination, last)
        return sent

    def _framed(self, row: AuditRow) -> bytes:
        study = self._store.study(row.study_uid) if row.study_uid else None
        body = audit_message(row, study, origin_of(self._settings, row))
        return frame(body, row.at, host=socket.gethostname(), process=os.getpid())

    def _run(self) -> None:
        wait, away = EVERY_SECONDS, False
        while True:
            ending = self._stop.wait(wait)
            try:
                self.forward()
                if away:
                    log.warning("the audit trail is sent again")
                wait, away = EVERY_SECONDS, False
            except PeerAway as error:
                if not away:
                    log.warning("the audit trail waits: %s", error)
                wait, away = min(LONGEST_SECONDS, wait * 2), True
            except SesamoidError as error:
                log.error("the audit trail could not be sent: %s", error)
                wait = LONGEST_SECONDS
            if ending:
                if self._line is not None:
                    self._line.close()
                return
