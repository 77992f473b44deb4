"""How much a peer may ask of the node, in one place."""

from dicom_service.base import Frozen


class Limits(Frozen):
    """Bounds of everything that comes from the network."""

    associations: int = 25
    associations_per_peer: int = 16
    """Of these, with one address."""
    connections: int = 60
    """Open connections, negotiated or not; more are closed at once."""
    connections_per_peer: int = 30
    """Of these, from one address: no machine can keep all others out."""
    handshake_seconds: float = 20.0
    """From the connection to a complete association request, however slowly it drips in."""
    balancer_seconds: float = 5.0
    """From a balancer's connection to the end of its word on who calls."""
    pdu: int = 131072
    """Largest P-DATA PDU that we announce."""
    pdu_accepted: int = 1 << 20
    """Largest PDU of any kind that we read; a longer one ends the connection."""
    command: int = 1 << 16
    """Bytes of one command set."""
    message: int = 1 << 24
    """Bytes of a data set that is kept in memory (anything but C-STORE)."""
    object: int = 4 << 30
    """Bytes of one stored object."""
    elements: int = 500_000
    """Data elements of one stored object, nested ones included."""
    nesting: int = 32
    """Sequences within sequences."""
    text: int = 10_240
    """Bytes of one identifying value (UIDs, names, dates)."""
    idle_seconds: float = 60.0
    """Silence after which a connection is closed; also the time that one PDU may take."""


LIMITS = Limits()
