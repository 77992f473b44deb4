"""Who may open an association: known titles at known addresses, and who can say who they are."""

import ipaddress
import logging
import socket
import threading
import time
from typing import Any, NamedTuple

from dicom_service.node.secure import Certificate
from dicom_service.node.services import plain
from dicom_service.passwords import password_fits
from dicom_service.roster import Roster
from dicom_service.settings import Peer, Settings
from dicom_service.store import Store

log = logging.getLogger(__name__)
DEVICE = "device"
"""Role of an account that a machine uses."""
_NAME_AND_PASSCODE = 2
"""User Identity Type (PS3.7 D.3.3.7.1)."""
_MOST_WRONG, _WINDOW_SECONDS = 10, 60.0
_MOST_ADDRESSES = 10_000


class Refusal(NamedTuple):
    """Result, source and reason of the rejection (PS3.8 9.3.4), and words for the log."""

    codes: tuple[int, int, int]
    words: str


_UNKNOWN_CALLER = (1, 1, 3)
_UNKNOWN_SITE = (1, 1, 7)  # called AE title not recognized
_LEAVING = (2, 3, 1)  # transient: whoever calls again is let in by then
_NOT_IDENTIFIED = (1, 2, 1)  # PS3.7 D.3.3.7: by the provider (ACSE), no reason given


class Admission:
    """The decision about each association request."""

    def __init__(self, settings: Settings, store: Store, roster: Roster) -> None:
        self._settings = settings
        self._roster = roster
        self._store = store
        self._wrong: dict[str, list[float]] = {}
        self._lock = threading.Lock()
        self.draining = False
        """Whether nobody new is let in, because the node is about to stop."""

    def refusal(self, association: Any, certificate: Certificate | None = None) -> Refusal | None:
        """Why this caller is turned away; None when it is welcome."""
        if self.draining:
            return Refusal(_LEAVING, "the node is about to stop")
        requestor = association.requestor
        title = str(requestor.primitive.calling_ae_title).strip()
        address = str(requestor.address)
        site = called_site(self._settings, association)
        if site is None:
            return Refusal(_UNKNOWN_SITE, "nobody here is called so")
        if words := self._unknown(site, title, address, certificate):
            return Refusal(_UNKNOWN_CALLER, words)
        if self._settings.user_identity:
            words = self._unidentified(site, requestor.user_identity, address)
            if words:
                return Refusal(_NOT_IDENTIFIED, words)
        return None

    def _unknown(self, site: str, title: str, address: str, certificate: Certificate | None) -> str:
        """Why nobody that we know calls so; "" when somebody does, or anybody may."""
        known = [peer for peer in self._roster.all_peers() if peer.ae_title == title]
        named = [peer for peer in known if peer.site == site]
        if known and not named:
            return "a peer of another site"
        if self._settings.peers_only:
            named = [peer for peer in named if comes_from(peer, address)]
            if not named:
                return "not one of the peers"
        if named and not any(_shows_its_own(peer, certificate) for peer in named):
            return "it does not show the certificate of this peer"
        return ""

    def _unidentified(self, site: str, item: Any, address: str) -> str:
        """Why a caller is not who it says; "" when it is."""
        if item is None or item.user_identity_type != _NAME_AND_PASSCODE:
            return "it gives no user name and passcode"
        if self._guessing(address):
            return "too many wrong passcodes from its address; it may try again in a minute"
        name = (item.primary_field or b"").decode("utf-8", "replace")
        passcode = (item.secondary_field or b"").decode("utf-8", "replace")
        user = self._store.user(name)
        if not password_fits(user.hash_in_use if user else None, passcode):
            self._note_wrong(address)
            return "wrong user name or passcode"
        if user is not None and DEVICE not in user.at(site):
            return "this user has not the role device"
        return ""

    def _guessing(self, address: str) -> bool:
        now = time.monotonic()
        with self._lock:
            recent = [at for at in self._wrong.get(address, ()) if at > now - _WINDOW_SECONDS]
            self._wrong[address] = recent
            return len(recent) >= _MOST_WRONG

    def _note_wrong(self, address: str) -> None:
        with self._lock:
            if len(self._wrong) > _MOST_ADDRESSES:
                self._wrong.clear()
            self._wrong.setdefault(address, []).append(time.monotonic())


def called_site(settings: Settings, association: Any) -> str | None:
    """The site that a caller has called; None: there is none of that title."""
    return settings.site_called(str(association.requestor.primitive.called_ae_title).strip())


def _shows_its_own(peer: Peer, certificate: Certificate | None) -> bool:
    if not peer.certificate:
        return True
    return certificate is not None and certificate.is_that_of(peer)


def comes_from(peer: Peer, address: str) -> bool:
    """Whether `address` is one that this peer may call from."""
    if not peer.addresses:
        return address in _addresses(peer.host)
    try:
        caller = ipaddress.ip_address(address)
    except ValueError:
        return False
    return any(caller in ipaddress.ip_network(network) for network in peer.addresses)


def _addresses(host: str) -> set[str]:
    try:
        return {str(info[4][0]) for info in socket.getaddrinfo(host, None)}
    except OSError:
        log.warning("the address of %s cannot be looked up", plain(host))
        return set()
