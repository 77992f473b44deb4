"""Who really calls, where a TCP balancer stands in between: the PROXY protocol, versions 1 and 2.

A balancer writes one header before everything else, TLS included. It is read to its last byte
and not one further, so whatever comes after it finds its connection untouched. Only connections
from the addresses in the setting `balancers` have one; anybody else who sends one sends bytes
that are no PDU.
"""

import ipaddress
import socket
import struct
import time
from collections.abc import Iterable

_SIGNATURE = b"\r\n\r\n\0\r\nQUIT\n"
_LONGEST_LINE = 107
"""Bytes of a header of version 1, its line end included."""
_SHORTEST = len(_SIGNATURE)
"""No header of either version is shorter than the signature of the second."""
_LONGEST_TAIL = 4096
"""Bytes after the fixed part of version 2: addresses, and what balancers add to them."""
_LOCAL, _PROXY = 0x20, 0x21
_ADDRESSES = {0x11: (socket.AF_INET, 4), 0x21: (socket.AF_INET6, 16)}
"""Family and protocol of TCP, each with the length of an address."""
_NOT_SAID = 0x00

Address = tuple[str, int]


class NoHeader(ValueError):
    """What a balancer sent is no header of the PROXY protocol; the sentence says why."""


class Balancers:
    """The balancers that are believed.

    Parameters
    ----------
    addresses
        Addresses or networks.
    seconds
        How long a header may take, however slowly it drips in.
    """

    def __init__(self, addresses: Iterable[str], seconds: float) -> None:
        self._networks = [ipaddress.ip_network(address) for address in addresses]
        self._seconds = seconds

    def __contains__(self, host: str) -> bool:
        try:
            address = _plain(host)
        except ValueError:
            return False
        return any(address in network for network in self._networks)

    def caller(self, connection: socket.socket, address: Address) -> Address | None:
        """Who is at the other end of a connection that was accepted from `address`.

        Returns
        -------
        tuple[str, int] or None
            `address` itself where no balancer is; None when one hung up without a word, as it
            does to see whether the port is open.

        Raises
        ------
        NoHeader
            It is a balancer, and its header is missing, wrong, too long or too late.
        """
        if address[0] not in self:
            return address
        before = connection.gettimeout()
        try:
            said = _Header(connection, time.monotonic() + self._seconds).source()
        finally:
            connection.settimeout(before)
        if said is None:
            return None
        return said or address


class _Header:
    """One header, read from a connection until a deadline."""

    def __init__(self, connection: socket.socket, deadline: float) -> None:
        self._connection, self._deadline = connection, deadline

    def source(self) -> Address | tuple[()] | None:
        """The caller; () when the balancer speaks for itself; None when it said nothing."""
        first = self._take(1, may_end=True)
        if not first:
            return None
        start = first + self._take(_SHORTEST - 1)
        if start == _SIGNATURE:
            return self._binary()
        if start.startswith(b"PROXY "):
            return self._line(start)
        raise NoHeader("it does not begin with a PROXY protocol header")

    def _line(self, text: bytes) -> Address | tuple[()]:
        while not text.endswith(b"\r\n"):
            if len(text) >= _LONGEST_LINE:
                raise NoHeader("its PROXY line has no end")
            text += self._take(1)
        words = text[:-2].decode("ascii", "replace").split(" ")
        if words[1] == "UNKNOWN":
            return ()
        if len(words) != 6 or words[1] not in ("TCP4", "TCP6"):
            raise NoHeader("its PROXY line is not PROXY TCP4 or TCP6, two addresses, two ports")
        try:
            source, ports = _plain(words[2]), [_port(word) for word in words[4:]]
            _plain(words[3])
            versions = {ipaddress.ip_address(word).version for word in words[2:4]}
        except ValueError as error:
            raise NoHeader("its PROXY line holds what is no address or port") from error
        if versions != {int(words[1][-1])}:
            raise NoHeader("its PROXY line holds addresses of another kind than it says")
        return str(source), ports[0]

    def _binary(self) -> Address | tuple[()]:
        command, kind, length = struct.unpack(">BBH", self._take(4))
        if command not in (_LOCAL, _PROXY):
            raise NoHeader(f"its PROXY header has version and command 0x{command:02x}")
        if length > _LONGEST_TAIL:
            raise NoHeader(f"its PROXY header announces {length} bytes")
        tail = self._take(length)
        if command == _LOCAL or kind == _NOT_SAID:
            return ()
        if kind not in _ADDRESSES:
            raise NoHeader(f"its PROXY header speaks of no TCP connection (0x{kind:02x})")
        family, size = _ADDRESSES[kind]
        if length < 2 * size + 4:
            raise NoHeader("its PROXY header is too short for its addresses")
        source = _plain(socket.inet_ntop(family, tail[:size]))
        return str(source), int(struct.unpack_from(">H", tail, 2 * size)[0])

    def _take(self, count: int, may_end: bool = False) -> bytes:
        """Exactly so many bytes; b"" at once when the other side may end here and did."""
        taken = b""
        while len(taken) < count:
            left = self._deadline - time.monotonic()
            if left <= 0:
                raise NoHeader("its PROXY header came too slowly")
            self._connection.settimeout(left)
            try:
                part = self._connection.recv(count - len(taken))
            except TimeoutError:
                continue
            except OSError:
                part = b""
            if not part and may_end:
                return b""
            if not part:
                raise NoHeader("it hung up within its PROXY header")
            taken += part
        return taken


def _plain(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """An address; an IPv4 one also where it is written as IPv6."""
    address = ipaddress.ip_address(text)
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address


def _port(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or int(text) > 65535:
        raise ValueError(text)
    return int(text)
