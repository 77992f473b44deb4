"""The secure port: a handshake in the connection's own thread, then a relay to the plain server.

The library shakes hands inside its accept loop, without a time limit: one silent caller keeps
everybody out. Here the listener only accepts. A connection that has shaken hands is handed to
the same server as a plain one, through a pair of sockets of this process, so that nothing that
handles DICOM has to know of TLS; one thread moves the bytes of both directions, because a TLS
connection is not for two threads at once.
"""

import contextlib
import logging
import select
import socket
import ssl
import threading
import time
from collections.abc import Callable

from dicom_service.errors import SetupError, port_advice
from dicom_service.node.balancer import Balancers
from dicom_service.node.limits import LIMITS
from dicom_service.node.secure import Certificate, ServerPapers, shown_by
from dicom_service.node.services import plain

log = logging.getLogger(__name__)
_AT_ONCE = 1 << 17
_LAST_SECONDS = 5.0
"""How long what is left is still delivered after one side has hung up."""
_LOOK_SECONDS = 0.5

HandOver = Callable[[socket.socket, tuple[str, int], Certificate], None]


class SecurePort:
    """Listens for TLS.

    Parameters
    ----------
    papers
        Give the context of the server's side.
    hand_over
        Takes the plain end of a connection that has shaken hands, the caller's address and the
        certificate that it has shown.
    balancers
        Those that say who calls before the handshake.

    Raises
    ------
    SetupError
        The port is in use, or the address is not one of this machine.
    """

    def __init__(
        self,
        host: str,
        port: int,
        papers: ServerPapers,
        hand_over: HandOver,
        balancers: Balancers,
    ) -> None:
        self._papers = papers
        self._balancers = balancers
        self._hand_over = hand_over
        self._stopping = threading.Event()
        self._open: dict[int, str] = {}
        self._lock = threading.Lock()
        try:
            self._socket = socket.create_server((host, port), backlog=128)
        except OSError as error:
            raise SetupError(
                f"The secure DICOM port {port} at {host} cannot be used: {error.strerror}. "
                f"{port_advice(error)} (port in [tls], dimse_host)."
            ) from error
        self.port = int(self._socket.getsockname()[1])
        self._thread = threading.Thread(target=self._listen, name="secure listener", daemon=True)

    def start(self) -> None:
        """Begin to accept."""
        self._thread.start()

    def stop(self) -> None:
        """Stop accepting; what is open ends with the associations in it."""
        self._stopping.set()
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join()

    def _listen(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, address = self._socket.accept()
            except OSError:
                if not self._stopping.wait(0.05):  # such as too many open files: go on
                    continue
                return
            if not self._room_for(connection, address[0]):
                connection.close()
                continue
            threading.Thread(
                target=self._serve, args=(connection, address[:2]), name="secure", daemon=True
            ).start()

    def _room_for(self, connection: socket.socket, host: str) -> bool:
        """Whether there is room for this caller too; also once a balancer has said who it is."""
        with self._lock:
            others = [other for key, other in self._open.items() if key != id(connection)]
            same = 0 if host in self._balancers else others.count(host)
            full = len(others) >= LIMITS.connections or same >= LIMITS.connections_per_peer
            if not full:
                self._open[id(connection)] = host
        return not full

    def _serve(self, connection: socket.socket, address: tuple[str, int]) -> None:
        try:
            with connection:
                caller = self._balancers.caller(connection, address)
                if caller is None or not self._room_for(connection, caller[0]):
                    return
                address = caller
                with self._shaken(connection) as secure:
                    ours, theirs = socket.socketpair()
                    with ours:
                        self._hand_over(theirs, address, shown_by(secure))
                        _Relay(secure, ours, self._stopping).run()
        except (OSError, ValueError) as error:
            reason = getattr(error, "reason", None) or str(error)
            log.warning(
                "no secure connection with %s: %s", address[0], plain(reason).replace("_", " ")
            )
        finally:
            with self._lock:
                self._open.pop(id(connection), None)

    def _shaken(self, connection: socket.socket) -> ssl.SSLSocket:
        connection.settimeout(LIMITS.handshake_seconds)  # of the whole handshake
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        secure = self._papers.context().wrap_socket(connection, server_side=True)
        secure.setblocking(False)
        return secure


class _Relay:
    """Moves bytes between a TLS connection and a plain one until one side has hung up."""

    def __init__(
        self, secure: ssl.SSLSocket, ours: socket.socket, stopping: threading.Event
    ) -> None:
        self._secure, self._ours = secure, ours
        self._stopping = stopping
        self._inward, self._outward = bytearray(), bytearray()
        self._secure_open = self._ours_open = True
        ours.setblocking(False)

    def run(self) -> None:
        """Return when both directions are done."""
        deadline: float | None = None
        while True:
            moved = self._turn()
            if self._stopping.is_set() or not (self._secure_open and self._ours_open):
                deadline = deadline or time.monotonic() + _LAST_SECONDS
                # What one side still has to say is of no use once that other side is gone.
                done = not (self._inward if self._ours_open else self._outward)
                if done or time.monotonic() > deadline:
                    return
            if not moved:
                self._wait()

    def _turn(self) -> bool:
        """Read and write what is possible now; whether anything moved."""
        moved = False
        if self._secure_open and len(self._inward) < _AT_ONCE:
            moved |= self._read(self._secure, self._inward, "_secure_open")
        if self._ours_open and len(self._outward) < _AT_ONCE:
            moved |= self._read(self._ours, self._outward, "_ours_open")
        moved |= self._write(self._ours, self._inward, "_ours_open")
        return self._write(self._secure, self._outward, "_secure_open") or moved

    def _read(self, side: socket.socket, into: bytearray, is_open: str) -> bool:
        try:
            data = side.recv(_AT_ONCE)
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return False
        except OSError:
            data = b""
        if not data:
            setattr(self, is_open, False)
        into += data
        return bool(data)

    def _write(self, side: socket.socket, data: bytearray, is_open: str) -> bool:
        if not data:
            return False
        try:
            with memoryview(data) as view, view[:_AT_ONCE] as part:
                count = side.send(part)
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return False
        except OSError:
            setattr(self, is_open, False)
            data.clear()
            return False
        del data[:count]
        return count > 0

    def _wait(self) -> None:
        poll = select.poll()
        for side, is_open, coming, going in (
            (self._secure, self._secure_open, self._inward, self._outward),
            (self._ours, self._ours_open, self._outward, self._inward),
        ):
            events = select.POLLOUT if going else 0
            if is_open and len(coming) < _AT_ONCE:
                events |= select.POLLIN
            if events:
                poll.register(side, events)
        poll.poll(1000 * _LOOK_SECONDS)
