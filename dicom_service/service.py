"""A whole node: store, desk, DIMSE services and web pages, started and stopped together."""

import logging
import sys
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from dicom_service import __version__
from dicom_service.anatomy import use
from dicom_service.audit import Forwarder
from dicom_service.errors import SesamoidError, SetupError
from dicom_service.node import Node
from dicom_service.node.secure import client_context
from dicom_service.roster import Roster
from dicom_service.settings import Settings
from dicom_service.site import site_atlas, site_store
from dicom_service.store import SweepReport
from dicom_service.web import Server, create_app, serve
from dicom_service.workflow import Desk

_SWITCH_SECONDS = 0.0005
"""How long a busy thread may keep others from running: those that receive wait for the disk and
the network most of the time, and for a moment of the processor then. The default is ten times as
long, which is longer than all that a small object takes."""

log = logging.getLogger(__name__)


class Service:
    """A running node; also a context manager.

    Parameters
    ----------
    settings
        Of the node. A port of 0 means any free one; `dimse_port` and `http_port` tell which.
    viewer
        Folder with the host viewer's files; None: the panel's pages work, the viewer does not.
    """

    def __init__(self, settings: Settings, viewer: Path | None = None) -> None:
        self.settings = settings
        sys.setswitchinterval(_SWITCH_SECONDS)
        use(site_atlas(settings))
        self.store = site_store(settings, exclusive=True)
        try:
            self.store.set_sites(settings.site_ids)
        except SesamoidError:
            self.store.close()
            raise
        self.store.low_water = settings.low_water_mb << 20
        self.store.use_journal(settings.journal_below_kb << 10)
        self.roster = Roster(settings, self.store)
        self.desk = Desk(self.store, settings, roster=self.roster)
        self.node = Node(settings, self.store, self.desk.prepare, self.roster)
        self.desk.wake = self.node.wake
        try:
            self._forwarder = Forwarder(settings, self.store)
        except SetupError:
            self.store.close()
            raise
        self.app = create_app(
            settings,
            self.store,
            self.desk,
            viewer=viewer,
            on_stored=self.node.arrived,
            on_outbox=self.node.wake,
            on_peers=self.node.peers_changed,
            roster=self.roster,
            listening=lambda: self.node.listening,
            ports=lambda: self.node.ports,
        )
        self._server: Server | None = None
        self.swept: SweepReport | None = None

    def start(self) -> None:
        """Sweep the data folder, then listen.

        Raises
        ------
        SetupError
            A port is in use or an address cannot be used; nothing is left running.
        """
        self.swept = self.store.sweep()
        try:
            self.node.start()
            if "web" in self.settings.roles:
                self._server = serve(self.app, self.settings)
        except SetupError:
            self.stop()
            raise
        self._note("node started", __version__)
        if "send" in self.settings.roles:
            self._forwarder.start()
        log.info(
            "listening: DIMSE %s, secure DIMSE %s, web %s",
            self.dimse_port or "-",
            self.node.secure_port or "-",
            self.address or "-",
        )

    def drain(self) -> None:
        """Take nothing new in over DICOM and say so to balancers; what is open goes on."""
        self.node.drain()

    def stop(self) -> None:
        """Stop listening, finish what is in hand and close the data folder."""
        if self._server is not None:
            self._server.stop()
            self._server = None
        self.node.stop()
        self._note("node stopped")
        self._forwarder.stop()
        self.store.close()

    def reload(self, settings: Settings) -> list[str]:
        """Take the peers and the archive from settings that were read again.

        Returns
        -------
        list[str]
            What else has changed in them: it counts from the next start.
        """
        before = self.settings
        if any(peer.tls for peer in settings.peers):
            client_context(before.tls)
        self.roster.read(settings)
        self.node.peers_changed()
        self._note("settings read again", ", ".join(peer.name for peer in settings.peers))
        live = ("peers", "archive")
        names = [name for name in Settings.model_fields if name not in live]
        return [name for name in names if getattr(settings, name) != getattr(before, name)]

    def _note(self, event: str, detail: str = "") -> None:
        """A full disk must not keep the node from starting or stopping."""
        try:
            self.store.audit(event, detail=detail, at=datetime.now(UTC))
        except SesamoidError as error:
            log.error("%s, which could not be noted: %s", event, error)

    @property
    def dimse_port(self) -> int:
        """The port that DICOM peers call."""
        return self.node.dimse_port

    @property
    def address(self) -> str:
        """Address of the reading list; "" when the web is no role of this process."""
        if "web" not in self.settings.roles:
            return ""
        port = self._server.port if self._server else self.settings.http_port
        scheme = "https" if self.settings.http_tls_certificate else "http"
        return f"{scheme}://{self.settings.http_host}:{port}/"

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
