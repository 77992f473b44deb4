"""Storage Commitment Push Model as SCP (PS3.4 J)."""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from pydicom import Dataset
from pydicom.uid import generate_uid
from pynetdicom import AE, build_context, build_role
from pynetdicom.association import Association

from test_pacs.catalog import Catalog
from test_pacs.faults import Faults

_LOG = logging.getLogger(__name__)
PUSH_MODEL = "1.2.840.10008.1.20.1"
INSTANCE_UID = "1.2.840.10008.1.20.1.1"
NO_SUCH_INSTANCE = 0x0112
_GRACE_SECONDS = 0.1
"""A requester that still holds its association after this long waits for the report on it."""


@dataclass
class Commitment:
    """One request, and what became of it."""

    requester: str
    transaction_uid: str
    committed: list[str]
    failed: list[str]
    reported: Literal["", "same", "separate", "failed"] = ""
    """On which association the report was accepted; empty: not (yet) reported."""


class Committer:
    """Answers requests and reports, on the same association when it can.

    Parameters
    ----------
    peers
        Gives (host, port) of an AE title, or None.
    """

    def __init__(
        self,
        ae: AE,
        catalog: Catalog,
        faults: Faults,
        peers: Callable[[str], tuple[str, int] | None],
    ) -> None:
        self._ae = ae
        self._catalog = catalog
        self._faults = faults
        self._peers = peers
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self.log: list[Commitment] = []

    def request(self, action: Dataset, requester: str, association: Association) -> int:
        """Take a request; the report follows from a thread of its own. Returns the status."""
        references = action.get("ReferencedSOPSequence")
        if not references or not action.get("TransactionUID"):
            return 0x0115  # invalid argument value
        good, bad = self._judged(list(references))
        uids = [[str(item.ReferencedSOPInstanceUID) for item in items] for items in (good, bad)]
        entry = Commitment(requester, str(action.TransactionUID), uids[0], uids[1])
        self.log.append(entry)
        if self._faults.silent_commitment:
            return 0x0000
        another = self._faults.commitment_for_another
        report = _report(generate_uid() if another else entry.transaction_uid, good, bad)
        thread = threading.Thread(
            target=self._deliver, args=(entry, report, association), name="commitment report"
        )
        self._threads.append(thread)
        thread.start()
        return 0x0000

    def stop(self) -> None:
        """Drop what was not reported yet and wait for the threads."""
        self._stop.set()
        for thread in self._threads:
            thread.join()

    def _judged(self, references: list[Dataset]) -> tuple[list[Dataset], list[Dataset]]:
        good: list[Dataset] = []
        bad: list[Dataset] = []
        for item in references:
            entry = self._catalog.find(str(item.ReferencedSOPInstanceUID))
            kept = entry is not None and entry.sop_class_uid == str(item.ReferencedSOPClassUID)
            (good if kept and not self._faults.commitment_lies else bad).append(item)
        return good, bad

    def _deliver(self, entry: Commitment, report: Dataset, association: Association) -> None:
        if self._stop.wait(_GRACE_SECONDS + self._faults.slow_seconds):
            return
        if not self._faults.commitment_separate and _tell(association, report):
            entry.reported = "same"
        else:
            entry.reported = "separate" if self._tell_separately(entry, report) else "failed"

    def _tell_separately(self, entry: Commitment, report: Dataset) -> bool:
        address = self._peers(entry.requester)
        if address is None:
            _LOG.warning("no address of %s: its commitment report is lost", entry.requester)
            return False
        association = self._ae.associate(
            *address,
            ae_title=entry.requester,
            contexts=[build_context(PUSH_MODEL)],
            ext_neg=[build_role(PUSH_MODEL, scu_role=False, scp_role=True)],
        )
        told = _tell(association, report)
        if association.is_established:
            association.release()
        return told


def _tell(association: Association, report: Dataset) -> bool:
    if not association.is_established:
        return False
    kind = 2 if "FailedSOPSequence" in report else 1
    try:
        status, _ = association.send_n_event_report(report, kind, PUSH_MODEL, INSTANCE_UID)
    except (ValueError, RuntimeError) as error:  # no such context, or released meanwhile
        _LOG.info("commitment report not sent: %s", error)
        return False
    return "Status" in status and status.Status == 0x0000


def _report(transaction_uid: str, good: list[Dataset], bad: list[Dataset]) -> Dataset:
    report = Dataset()
    report.TransactionUID = transaction_uid
    if good:
        report.ReferencedSOPSequence = [_reference(item) for item in good]
    if bad:
        report.FailedSOPSequence = [_reference(item) for item in bad]
        for item in report.FailedSOPSequence:
            item.FailureReason = NO_SUCH_INSTANCE
    return report


def _reference(item: Dataset) -> Dataset:
    copy = Dataset()
    copy.ReferencedSOPClassUID = item.ReferencedSOPClassUID
    copy.ReferencedSOPInstanceUID = item.ReferencedSOPInstanceUID
    return copy
