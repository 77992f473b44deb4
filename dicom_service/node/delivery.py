"""One association with one peer: store documents, then ask for commitment."""

import contextlib
import logging
import socket
import threading
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any, NamedTuple

import pydicom
from pydicom.uid import generate_uid
from pynetdicom import evt
from pynetdicom.association import Association

from dicom_service.errors import SesamoidError
from dicom_service.node.commitment import Reports, request_for
from dicom_service.node.echo import call, calling_entity
from dicom_service.node.outgoing import Carrier, NotOffered, NotRead, Prepared, read_ahead
from dicom_service.node.parting import partable
from dicom_service.node.services import (
    COMMITMENT,
    COMMITMENT_INSTANCE,
    UNCOMPRESSED,
    is_stored,
    is_transient,
    store_reason,
)
from dicom_service.settings import Peer, Settings
from dicom_service.store import OutboxRow, Store, reach

log = logging.getLogger(__name__)
_REPORT_SECONDS = 2.0
"""How long the association stays open for a report on it; later ones come on another."""


class Outcome(NamedTuple):
    """What could not be delivered; what could is recorded already."""

    later: list[tuple[OutboxRow, str]]
    refused: list[tuple[OutboxRow, str]]


class Delivery:
    """Delivers rows of the outbox to one peer.

    Parameters
    ----------
    reports
        Takes a commitment report that comes on the same association.
    stopping
        Set when the node stops: nothing is waited for any more.
    ask_again_at
        When to ask for commitment again if no report comes.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        reports: Reports,
        peer: Peer,
        stopping: threading.Event,
        ask_again_at: Callable[[list[OutboxRow]], datetime],
    ) -> None:
        self._settings = settings
        self._store = store
        self._reports = reports
        self._peer = peer
        self._stopping = stopping
        self._ask_again_at = ask_again_at
        self._reported = threading.Event()
        self._outcome = Outcome([], [])

    def run(self, rows: list[OutboxRow]) -> Outcome:
        """Store the owed rows and ask about all.

        Raises
        ------
        PeerAway
            No association; nothing was done.
        """
        association = self._associate(rows)
        release = partable(association)
        carrier = Carrier(association, self._settings.peer_timeout_seconds)
        try:
            with carrier:
                stored = self._store_all(carrier, association, rows)
            taken = [row for row in rows if row.state == "sent" or row in stored]
            reach("send.stored")
            if taken and self._peer.commitment:
                self._ask(association, taken)
            elif taken:
                self._store.outbox_sent([row.id for row in taken], "", None)
        finally:
            release()
            carrier.close()
        return self._outcome

    def _associate(self, rows: list[OutboxRow]) -> Association:
        entity = calling_entity(self._settings.ae_title, self._settings.peer_timeout_seconds)
        for sop_class in dict.fromkeys(row.sop_class_uid for row in rows):
            for syntax in UNCOMPRESSED:
                entity.add_requested_context(sop_class, syntax)
        handlers: list[Any] = []
        if self._peer.commitment:
            entity.add_requested_context(COMMITMENT, list(UNCOMPRESSED))
            handlers.append((evt.EVT_N_EVENT_REPORT, self._report))
        association = call(entity, self._peer, self._settings.tls, evt_handlers=handlers)
        connection = association.dul.socket
        if connection is not None and connection.socket is not None:
            connection.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return association

    def _store_all(
        self, carrier: Carrier, association: Association, rows: list[OutboxRow]
    ) -> list[OutboxRow]:
        """Send what is owed; returns what the peer has, the outcome says what follows else."""
        owed = [row for row in rows if row.state != "sent"]
        with contextlib.closing(read_ahead(association, owed)) as ready:
            return [row for row in owed if self._store_one(carrier, row, ready)]

    def _store_one(
        self, carrier: Carrier, row: OutboxRow, ready: Iterator[Prepared | NotRead]
    ) -> bool:
        if not carrier.is_open:  # and nothing more is read
            self._outcome.later.append((row, f"{self._peer.name} ended the association."))
            return False
        prepared = next(ready)
        if isinstance(prepared, OSError | SesamoidError):
            why = prepared.strerror if isinstance(prepared, OSError) else prepared
            reason = f"The stored document cannot be read: {why}".rstrip(".") + "."
            self._outcome.later.append((row, reason))
            return False
        if isinstance(prepared, NotOffered):
            reason = f"{self._peer.name} does not accept this kind of document."
            self._outcome.refused.append((row, reason))
            return False
        return self._judged(row, carrier.store(prepared))

    def _judged(self, row: OutboxRow, status: pydicom.Dataset) -> bool:
        code = status.get("Status")
        if code is None:
            self._outcome.later.append((row, f"{self._peer.name} did not answer in time."))
            return False
        if is_stored(code):
            return True
        reason = f"{self._peer.name}: {store_reason(code, status.get('ErrorComment', ''))}."
        target = self._outcome.later if is_transient(code) else self._outcome.refused
        target.append((row, reason))
        return False

    def _ask(self, association: Association, rows: list[OutboxRow]) -> None:
        """Request commitment under a fresh UID and wait a little for the report."""
        transaction_uid = str(generate_uid(prefix=None))
        ids = [row.id for row in rows]
        self._store.outbox_sent(ids, transaction_uid, self._ask_again_at(rows))
        problem = self._requested(association, rows, transaction_uid)
        if problem:
            now = {"lease": 0, "transaction_uid": transaction_uid}
            self._outcome.later.extend((row.model_copy(update=now), problem) for row in rows)
            return
        waited = 0.0
        while not self._stopping.is_set() and waited < _REPORT_SECONDS:
            if self._reported.wait(0.05) or not association.is_established:
                break
            waited += 0.05

    def _requested(
        self, association: Association, rows: list[OutboxRow], transaction_uid: str
    ) -> str:
        """Send the N-ACTION request; returns what went wrong, or ""."""
        if not association.is_established:
            return f"{self._peer.name} ended the association before it was asked to commit."
        request = request_for(rows, transaction_uid)
        try:
            status, _ = association.send_n_action(request, 1, COMMITMENT, COMMITMENT_INSTANCE)
        except ValueError:
            return (
                f"{self._peer.name} has the document but offers no storage commitment; "
                "set commitment = false for it if that is right."
            )
        except RuntimeError:
            status = pydicom.Dataset()
        code = status.get("Status")
        if code is None:
            return f"{self._peer.name} has the document but did not answer when asked to commit."
        if code != 0x0000 and code >> 12 != 0xB:
            return f"{self._peer.name} has the document but will not commit (0x{code:04X})."
        return ""

    def _report(self, event: Any) -> tuple[int, None]:
        status = self._reports.take(event, self._peer.site)
        self._reported.set()
        return status, None
