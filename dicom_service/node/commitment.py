"""Storage commitment, push model, as its user (PS3.4 Annex J): asking, and taking the report."""

import logging
import threading
from typing import Any

from pydicom.dataset import Dataset

from dicom_service.errors import SesamoidError
from dicom_service.node.services import commitment_reason, plain
from dicom_service.quiet_logs import said_in_log
from dicom_service.settings import Settings
from dicom_service.store import OutboxRow, Store

log = logging.getLogger(__name__)
_SUCCESS, _PROCESSING_FAILURE, _INVALID_ARGUMENT = 0x0000, 0x0110, 0x0115


def request_for(rows: list[OutboxRow], transaction_uid: str) -> Dataset:
    """The action information of an N-ACTION request (PS3.4 Table J.3-1)."""
    request = Dataset()
    request.TransactionUID = transaction_uid
    request.ReferencedSOPSequence = []
    for row in rows:
        reference = Dataset()
        reference.ReferencedSOPClassUID = row.sop_class_uid
        reference.ReferencedSOPInstanceUID = row.sop_instance_uid
        request.ReferencedSOPSequence.append(reference)
    return request


class Reports:
    """Takes N-EVENT-REPORT requests, from whichever association they come on.

    The library serves each in a thread of its own, which may outlive the association; `close`
    makes sure that none touches the store afterwards.
    """

    def __init__(self, store: Store, settings: Settings) -> None:
        self._store = store
        self._settings = settings
        self._open = True
        self._taking = threading.Lock()

    def take(self, event: Any, site: str | None) -> int:
        """Take a report (PS3.4 Table J.3-2); returns the status to answer.

        Parameters
        ----------
        site
            Whose documents it may be about.
        """
        sender = plain(event.assoc.remote.get("ae_title", ""))
        try:
            report = event.event_information
            transaction_uid = str(report.get("TransactionUID", ""))
            kept = {
                str(item.ReferencedSOPInstanceUID)
                for item in report.get("ReferencedSOPSequence") or ()
            }
            failed = {
                str(item.ReferencedSOPInstanceUID): commitment_reason(int(item.FailureReason))
                for item in report.get("FailedSOPSequence") or ()
            }
        except Exception as error:  # noqa: BLE001 - whatever a peer's bytes do to the parser
            log.warning(
                "a commitment report of %s cannot be read: %s", sender, plain(said_in_log(error))
            )
            return _INVALID_ARGUMENT
        with self._taking:
            return self._record(sender, site or "", transaction_uid, kept, failed)

    def close(self) -> None:
        """Finish the report in hand and take no more."""
        with self._taking:
            self._open = False

    def _record(
        self, sender: str, site: str, transaction_uid: str, kept: set[str], failed: dict[str, str]
    ) -> int:
        if not self._open:
            return _PROCESSING_FAILURE
        wait = self._settings.retry_first_seconds
        try:
            matched = self._store.outbox_committed(
                transaction_uid, kept, failed, retry_seconds=wait, site=site
            )
        except SesamoidError as error:
            log.error("a commitment report of %s was not kept: %s", sender, error)
            return _PROCESSING_FAILURE
        if not matched:
            log.warning("%s reports on a transaction that is not ours", sender)
            return _INVALID_ARGUMENT
        log.info("%s commits to %d of %d documents", sender, len(kept), len(kept) + len(failed))
        return _SUCCESS
