"""The peers of a node as they are at this moment: those of the settings file, which may be read
again, and those that an administrator has added on the page.
"""

from typing import NamedTuple

from pydantic import ValidationError

from dicom_service.errors import Refused
from dicom_service.settings import Peer, Settings
from dicom_service.store import Store


class Added(Peer):
    """A peer that was added on the page."""

    archive: bool = False
    """Whether reports go there; only where the settings file names no archive."""


class _File(NamedTuple):
    peers: tuple[Peer, ...]
    archive: str


class Roster:
    """Asked whenever a peer is needed, so that a change counts at once.

    Parameters
    ----------
    settings
        With the peers of the file.
    store
        Keeps those that were added.
    """

    def __init__(self, settings: Settings, store: Store) -> None:
        self._store = store
        self.read(settings)

    def read(self, settings: Settings) -> None:
        """Take the peers of the settings file from here on."""
        self._file = _File(settings.peers, settings.archive)

    def of_file(self) -> tuple[Peer, ...]:
        """Those that only the settings file can change."""
        return self._file.peers

    def added(self) -> list[Added]:
        """Those that were added; a name that has since come into the file is the file's."""
        names = {peer.name for peer in self._file.peers}
        found = []
        for said in self._store.added_peers():
            try:
                peer = Added.model_validate_json(said)
            except ValidationError:  # kept by a newer version of the program
                continue
            if peer.name not in names:
                found.append(peer)
        return found

    def peers(self) -> list[Peer]:
        """All of them."""
        return [*self._file.peers, *self.added()]

    def peer(self, name: str) -> Peer | None:
        """The peer called `name`, or None."""
        return next((peer for peer in self.peers() if peer.name == name), None)

    @property
    def archive(self) -> str:
        """Name of the peer that reports go to; "" when there is none."""
        return self._file.archive or next((p.name for p in self.added() if p.archive), "")

    def check(self, peer: Added, settings: Settings) -> None:
        """Refuse an added peer that does not fit the others.

        Raises
        ------
        Refused
            The sentence says why.
        """
        if any(known.name == peer.name for known in self._file.peers):
            raise Refused(f"The peer {peer.name} is in the settings file; change it there.")
        if peer.archive and self._file.archive:
            raise Refused(
                f"The settings file names {self._file.archive} as the archive; change it there."
            )
        other = next((p.name for p in self.added() if p.archive and p.name != peer.name), "")
        if peer.archive and other:
            raise Refused(f"Reports go to {other} already: take that from it first.")
        if peer.certificate and not settings.tls.listen:
            raise Refused(
                f"The peer {peer.name} is to show a certificate, which needs the secure port "
                "(listen = true in [tls])."
            )
        if peer.tls and not (settings.tls.certificate and settings.tls.authority):
            raise Refused(
                f"The peer {peer.name} is to be called by TLS, which needs certificate and "
                "authority in [tls]."
            )
