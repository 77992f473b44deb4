"""C-ECHO: is a peer there?"""

import socket
from typing import Any

from pynetdicom import AE
from pynetdicom.association import Association

from dicom_service.errors import PeerAway
from dicom_service.node.secure import tls_args
from dicom_service.node.services import UNCOMPRESSED, VERIFICATION
from dicom_service.settings import Peer, Tls


def calling_entity(ae_title: str, timeout: float) -> AE:
    """An application entity for calling peers; every wait is bounded."""
    entity = AE(ae_title)
    entity.acse_timeout = entity.dimse_timeout = timeout
    entity.network_timeout = entity.connection_timeout = timeout
    return entity


def call(entity: AE, peer: Peer, tls: Tls, **more: Any) -> Association:
    """An association with a peer, of the contexts that the entity asks for.

    Parameters
    ----------
    tls
        Our certificate, for a peer with `tls`.
    more
        For `AE.associate`.

    Raises
    ------
    PeerAway
        It is not established; the sentence says why.
    """
    try:
        association = entity.associate(
            peer.host,
            peer.port,
            **({"ae_title": peer.ae_title, "tls_args": tls_args(tls, peer)} | more),
        )
    except socket.gaierror as error:
        # The library asks for the address itself, before it begins.
        raise PeerAway(
            f"{place_of(peer)} cannot be reached: this machine knows no address of {peer.host}."
        ) from error
    if not association.is_established:
        raise PeerAway(why_not(association, peer))
    return association


def echo(peer: Peer, ae_title: str, timeout: float, tls: Tls | None = None) -> None:
    """Verify that a peer answers.

    Parameters
    ----------
    ae_title
        Our own title.
    timeout
        Seconds for each step.
    tls
        Our certificate, for a peer with `tls`.

    Raises
    ------
    PeerAway
        It does not; the sentence says how far it came.
    """
    entity = calling_entity(ae_title, timeout)
    entity.add_requested_context(VERIFICATION, list(UNCOMPRESSED))
    association = call(entity, peer, tls or Tls())
    try:
        status = association.send_c_echo()
    finally:
        association.release()
    if status.get("Status") != 0x0000:
        raise PeerAway(f"{peer.name} took the association but did not answer the echo.")


def why_not(association: object, peer: Peer) -> str:
    """Why an association with `peer` was not established."""
    place = place_of(peer)
    if getattr(association, "is_rejected", False):
        reasons = getattr(getattr(association, "acceptor", None), "primitive", None)
        said = getattr(reasons, "reason_str", "") or "no reason given"
        return f"{place} refuses the association: {said}."
    if getattr(association, "rejected_contexts", None):
        return f"{place} accepts none of the services asked for."
    return f"{place} cannot be reached."


def place_of(peer: Peer) -> str:
    """Which peer, and where it is called."""
    return f"{peer.name} ({peer.ae_title} at {peer.host}:{peer.port})"
