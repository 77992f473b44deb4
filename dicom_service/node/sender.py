"""The sender: carries the outbox to the peers, and asks them to commit to what they took."""

import logging
from datetime import UTC, datetime, timedelta

from dicom_service.errors import SesamoidError
from dicom_service.node.commitment import Reports
from dicom_service.node.delivery import Delivery, Outcome
from dicom_service.node.services import without_comment
from dicom_service.node.turns import Turns, seconds_until
from dicom_service.roster import Roster
from dicom_service.settings import Peer, Settings
from dicom_service.store import OutboxRow, Store

log = logging.getLogger(__name__)
_AT_ONCE = 32
"""Documents on one association."""


class Sender(Turns):
    """A thread that empties the outbox."""

    def __init__(self, settings: Settings, store: Store, reports: Reports, roster: Roster) -> None:
        super().__init__("sender", "the outbox could not be worked on")
        self._settings = settings
        self._store = store
        self._reports = reports
        self._roster = roster

    def start(self) -> None:
        """Begin, with whatever the last run left open."""
        if not self._store.shared:  # else the sweep did, when no other node was at work
            self._store.release_outbox()
        self._address()
        self._thread.start()

    def _address(self) -> None:
        """What was signed before there was an archive goes to the one that there is now."""
        for site in self._roster.sites():
            if archive := self._roster.at(site).archive:
                self._store.address_outbox(archive, site)

    def peers_changed(self) -> None:
        """Send what waited for an archive, if there is one now."""
        self._address()
        self.wake()

    def _turn(self) -> float:
        """Deliver what is due; returns how long to sleep."""
        now = datetime.now(UTC)
        # Long enough for every document to time out; a restart ends all leases anyway.
        lease = (_AT_ONCE + 2) * self._settings.peer_timeout_seconds
        rows = self._store.claim_outbox(now, lease, _AT_ONCE)
        for place in dict.fromkeys((row.site, row.destination) for row in rows):
            self._deliver(*place, [row for row in rows if (row.site, row.destination) == place])
        if rows:
            return 0.0
        return seconds_until(self._store.next_outbox_at(now))

    def _deliver(self, site: str, destination: str, rows: list[OutboxRow]) -> None:
        peer = self._roster.at(site).peer(destination)
        if peer is None:
            self._retry(rows, f"No peer is called '{destination}' any more; add it, or send anew.")
            return
        settings = self._settings.at(site)
        delivery = Delivery(
            settings, self._store, self._reports, peer, self._stopping, self._ask_again_at
        )
        try:
            outcome = delivery.run(rows)
        except SesamoidError as error:
            self._retry(rows, str(error))
            return
        self._record(peer, outcome)

    def _record(self, peer: Peer, outcome: Outcome) -> None:
        for row, reason in outcome.refused:
            log.error("%s refuses %s: %s", peer.name, row.sop_instance_uid, without_comment(reason))
            self._store.outbox_refused([row], reason)
        for reason in dict.fromkeys(reason for _, reason in outcome.later):
            self._retry([row for row, why in outcome.later if why == reason], reason)

    def _retry(self, rows: list[OutboxRow], reason: str) -> None:
        for row in rows:
            wait = self._wait(self._settings.retry_first_seconds, row.attempts)
            log.warning("%s waits %.0f s: %s", row.sop_instance_uid, wait, without_comment(reason))
            next_at = datetime.now(UTC) + timedelta(seconds=wait)
            self._store.outbox_retry([row], reason, next_at)

    def _ask_again_at(self, rows: list[OutboxRow]) -> datetime:
        asked = max((row.attempts for row in rows if row.state == "sent"), default=0)
        wait = self._wait(self._settings.commitment_seconds, asked)
        return datetime.now(UTC) + timedelta(seconds=wait)

    def _wait(self, first: float, attempts: int) -> float:
        longest = max(first, self._settings.retry_longest_seconds)
        return float(min(first * 2 ** min(attempts, 30), longest))
