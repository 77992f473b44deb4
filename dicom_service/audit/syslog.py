"""Syslog: RFC 5424 messages over UDP (RFC 5426), TCP (RFC 6587) and TLS (RFC 5425)."""

import select
import socket
import ssl
from contextlib import suppress
from datetime import datetime
from typing import NamedTuple
from urllib.parse import urlsplit

from dicom_service.errors import PeerAway, SetupError

PORTS = {"udp": 514, "tcp": 601, "tls": 6514}
PRIORITY = 10 * 8 + 5
"""Security and authorization messages, normal but significant."""
MESSAGE_ID = "DICOM+RFC3881"
LARGEST_DATAGRAM = 65_000


class Address(NamedTuple):
    """Where messages go."""

    kind: str
    host: str
    port: int


def parse_address(text: str) -> Address:
    """`udp://host`, `tcp://host:port` or `tls://host:port`.

    Raises
    ------
    SetupError
        It is none of these.
    """
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.scheme not in PORTS or not parts.hostname or parts.path.strip("/"):
        raise SetupError(
            f"audit_syslog = '{text}' is no address: write udp://, tcp:// or tls:// and the host."
        )
    return Address(parts.scheme, parts.hostname, port or PORTS[parts.scheme])


def frame(body: bytes, at: datetime, *, host: str, process: int) -> bytes:
    """One RFC 5424 message around `body`, which is UTF-8."""
    name = "".join(c if "!" <= c <= "~" else "-" for c in host)[:255] or "-"
    stamp = at.isoformat(timespec="microseconds").replace("+00:00", "Z")
    head = f"<{PRIORITY}>1 {stamp} {name} sesamoid {process} {MESSAGE_ID} - "
    return head.encode("ascii") + b"\xef\xbb\xbf" + body


class Line:
    """A connection to a syslog server, opened when something is sent.

    Parameters
    ----------
    address
        Of the server.
    authority
        File with the certificates that a TLS server is checked against; "": the system's.
    timeout
        Seconds to wait for the server.
    """

    def __init__(self, address: Address, authority: str = "", timeout: float = 10.0) -> None:
        self._address, self._timeout = address, timeout
        self._context: ssl.SSLContext | None = None
        if address.kind == "tls":
            try:
                self._context = ssl.create_default_context(cafile=authority or None)
            except (OSError, ssl.SSLError) as error:
                raise SetupError(
                    f"The certificates in audit_syslog_ca = '{authority}' cannot be read: {error}."
                ) from error
            self._context.minimum_version = ssl.TLSVersion.TLSv1_2
        self._socket: socket.socket | None = None

    def send(self, message: bytes) -> None:
        """Hand one message to the network.

        Raises
        ------
        PeerAway
            The server cannot be reached, or the message is too large for UDP.
        """
        kind, host, port = self._address
        try:
            if self._socket is not None and self._closed_by_peer():
                self.close()
            if self._socket is None:
                self._socket = self._opened()
            if kind == "udp":
                # What does not fit into a datagram is cut, so that what follows is still sent.
                self._socket.send(message[:LARGEST_DATAGRAM])
            else:
                self._socket.sendall(b"%d " % len(message) + message)
        except OSError as error:
            self.close()
            raise PeerAway(f"The syslog server {kind}://{host}:{port} is away: {error}.") from error

    def close(self) -> None:
        """End the connection."""
        if self._socket is not None:
            with suppress(OSError):
                self._socket.close()
            self._socket = None

    def _opened(self) -> socket.socket:
        kind, host, port = self._address
        if kind == "udp":
            family, _, _, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
            made = socket.socket(family, socket.SOCK_DGRAM)
            made.connect(place)
            return made
        made = socket.create_connection((host, port), self._timeout)
        if self._context is None:
            return made
        try:
            return self._context.wrap_socket(made, server_hostname=host)
        except OSError:
            made.close()
            raise

    def _closed_by_peer(self) -> bool:
        """A TCP server that has gone: what is written to it would be lost without an error."""
        if self._address.kind == "udp" or self._socket is None:
            return False
        if not select.select([self._socket], [], [], 0)[0]:
            return False
        self._socket.settimeout(0.05)
        try:
            return not self._socket.recv(4096)
        except (TimeoutError, ssl.SSLWantReadError):
            return False
        finally:
            self._socket.settimeout(self._timeout)
