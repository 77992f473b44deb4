"""All DICOM services of the node, started and stopped together."""

import logging
from collections.abc import Callable

from dicom_service.node.commitment import Reports
from dicom_service.node.priors import PriorFinder
from dicom_service.node.receiver import Receiver
from dicom_service.node.retention import RetentionKeeper
from dicom_service.node.secure import client_context
from dicom_service.node.sender import Sender
from dicom_service.node.settler import Settler
from dicom_service.roster import Roster
from dicom_service.settings import Settings
from dicom_service.store import Store
from dicom_service.store.index import SEND, SETTLE


class Node:
    """Receiver, settler, sender and the search for earlier studies, over one store.

    Parameters
    ----------
    settings
        A `dimse_port` of 0 means any free port.
    store
        Open; it stays open when the node stops.
    on_settled
        Called with the Study Instance UID of every study that is complete or has late images.
    roster
        The peers; None: those of the settings and of the store.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        on_settled: Callable[[str], None],
        roster: Roster | None = None,
    ) -> None:
        roster = roster or Roster(settings, store)
        self._priors = PriorFinder(settings, store, roster)
        self._retention = RetentionKeeper(settings, store, roster)
        self._on_settled = on_settled
        self._settler = Settler(
            store, settings.settle_seconds, self._settled, settings.lease_seconds
        )
        self._reports = Reports(store, settings)
        self._sender = Sender(settings, store, self._reports, roster)
        self._receiver = Receiver(
            settings, store, self._reports, self._settler.wake, self._priors.asked_for, roster
        )
        self._store = store
        self._end_listening: Callable[[], None] = lambda: None
        self.dimse_port = settings.dimse_port if "receive" in settings.roles else 0
        self.secure_port = 0
        self._settings = settings
        if settings.log_level != "DEBUG":
            # What it logs holds peers' text as it came; we log the same events in our words.
            logging.getLogger("pynetdicom").setLevel(logging.CRITICAL)

    def start(self) -> None:
        """Listen, settle and send, as far as these are roles of this process.

        Raises
        ------
        SetupError
            A port cannot be used, or what TLS needs is not there; nothing was started.
        """
        if any(peer.tls for peer in self._settings.peers):
            client_context(self._settings.tls)
        if "receive" in self._settings.roles:
            self.dimse_port = self._receiver.start()
            self.secure_port = self._receiver.secure_port
        self._end_listening = self._store.listen(self._told)
        if "settle" in self._settings.roles:
            self._settler.start()
        if "send" in self._settings.roles:
            self._sender.start()
            self._priors.start()
            self._retention.start()

    @property
    def listening(self) -> bool:
        """Whether peers can call, if that is a role of this process."""
        return self._receiver.listening or "receive" not in self._settings.roles

    @property
    def ports(self) -> tuple[int, int]:
        """The plain and the secure port; those of the settings where another process listens."""
        if "receive" in self._settings.roles:
            return self.dimse_port, self.secure_port
        return self._settings.dimse_ports

    def drain(self) -> None:
        """Let no new peer in; open associations go on, what came is settled and sent."""
        self._receiver.drain()

    def wake(self) -> None:
        """Look into the outbox, and for what archives are to be asked, now."""
        self._sender.wake()
        self._priors.wake()

    def peers_changed(self) -> None:
        """A peer was added, changed or removed."""
        self._sender.peers_changed()
        self._priors.wake()

    def arrived(self) -> None:
        """Look for studies to settle: an object came by another way than C-STORE."""
        self._settler.wake()

    def _told(self, work: frozenset[str]) -> None:
        """Some node of this index made work, of these kinds or, with none, of any."""
        if not work or SETTLE in work:
            self.arrived()
        if not work or SEND in work:
            self.wake()

    def stop(self) -> None:
        """Stop all; what is under way is finished or given back to the outbox."""
        self._receiver.stop()
        self._end_listening()
        self._priors.stop()
        self._retention.stop()
        self._settler.stop()
        self._sender.stop()
        self._reports.close()

    def _settled(self, study_uid: str) -> None:
        self._on_settled(study_uid)
        self._priors.wake()
