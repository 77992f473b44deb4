"""The peers of a node as they are at this moment: those of the settings file, which may be read
again, and those that an administrator has added on the page. Each is of one site.
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
    archives: dict[str, str]
    """By site."""


class SiteRoster:
    """The peers of one site."""

    def __init__(self, roster: "Roster", site: str) -> None:
        self._roster = roster
        self.site = site

    def at(self, site: str) -> "SiteRoster":
        """The peers of a site."""
        return SiteRoster(self._roster, site)

    def of_file(self) -> tuple[Peer, ...]:
        """Those that only the settings file can change."""
        return tuple(peer for peer in self._roster.all_of_file() if peer.site == self.site)

    def added(self) -> list[Added]:
        """Those that were added; a name that has since come into the file is the file's."""
        return [peer for peer in self._roster.all_added() if peer.site == self.site]

    def peers(self) -> list[Peer]:
        """All of them."""
        return [*self.of_file(), *self.added()]

    def peer(self, name: str) -> Peer | None:
        """The peer called `name`, or None."""
        return next((peer for peer in self.peers() if peer.name == name), None)

    @property
    def archive(self) -> str:
        """Name of the peer that reports go to; "" when there is none."""
        of_file = self._roster.archive_of_file(self.site)
        return of_file or next((p.name for p in self.added() if p.archive), "")

    def check(self, peer: Added, settings: Settings) -> None:
        """Refuse an added peer that does not fit the others.

        Raises
        ------
        Refused
            The sentence says why.
        """
        if any(known.name == peer.name for known in self.of_file()):
            raise Refused(f"The peer {peer.name} is in the settings file; change it there.")
        of_file = self._roster.archive_of_file(self.site)
        if peer.archive and of_file:
            raise Refused(f"The settings file names {of_file} as the archive; change it there.")
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


class Roster(SiteRoster):
    """Asked whenever a peer is needed, so that a change counts at once.

    As it is, the peers of the site without a name, which is all there is where there is but one;
    `at` gives those of another.

    Parameters
    ----------
    settings
        With the peers of the file.
    store
        Keeps those that were added.
    """

    def __init__(self, settings: Settings, store: Store) -> None:
        super().__init__(self, "")
        self._store = store
        self.read(settings)

    def read(self, settings: Settings) -> None:
        """Take the peers of the settings file from here on."""
        archives = {site.id: site.archive for site in settings.sites}
        self._file = _File(settings.peers, archives | {"": settings.archive})

    def sites(self) -> list[str]:
        """Ids of all sites, the one without a name first."""
        return sorted(self._file.archives)

    def all_of_file(self) -> tuple[Peer, ...]:
        """Peers of the settings file, of every site."""
        return self._file.peers

    def archive_of_file(self, site: str) -> str:
        """The archive that the settings file names for a site; "" when it names none."""
        return self._file.archives.get(site, "")

    def all_added(self) -> list[Added]:
        """Added peers of every site."""
        names = {(peer.site, peer.name) for peer in self._file.peers}
        found = []
        for said in self._store.added_peers():
            try:
                peer = Added.model_validate_json(said)
            except ValidationError:  # kept by a newer version of the program
                continue
            if peer.site in self._file.archives and (peer.site, peer.name) not in names:
                found.append(peer)
        return found

    def all_peers(self) -> list[Peer]:
        """Peers of every site."""
        return [*self.all_of_file(), *self.all_added()]


def full_name(site: str, name: str) -> str:
    """Under which a peer is kept; a name has no '/' in it."""
    return f"{site}/{name}" if site else name
