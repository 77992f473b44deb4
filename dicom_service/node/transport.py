"""The listening side of the transport: bounded, prompt, and closed to strangers.

What the library's own classes do not do: cap the length of an incoming PDU, bound the number of
open connections, time out a peer that stops in the middle of a PDU, and read in large pieces.
"""

import contextlib
import logging
import socket
import time
from pathlib import Path
from socketserver import TCPServer
from typing import Any, cast

from pynetdicom import evt
from pynetdicom.association import Association
from pynetdicom.fsm import InvalidEventError
from pynetdicom.transport import AssociationSocket, RequestHandler, ThreadedAssociationServer

from dicom_service.node.incoming import StreamingProvider
from dicom_service.node.limits import LIMITS

_AWAITING_REQUEST, _AWAITING_CLOSE = "Sta2", "Sta13"
"""States of the upper layer's state machine (PS3.8 9.2)."""
_IDLE = "Sta1"
_INVALID = "Evt19"
"""Its event: an unrecognized or invalid PDU."""
log = logging.getLogger(__name__)
_QUICKACK = getattr(socket, "TCP_QUICKACK", None)


class BoundedSocket(AssociationSocket):
    """Reads PDUs of a bounded length, without copying them piece by piece."""

    @property
    def ready(self) -> bool:
        """Whether something can be read; see the base class.

        After an abort nothing is waited for: what the peer still sends is dropped, and the
        library, which finds nothing to read, closes the connection.
        """
        if self.assoc.dul.state_machine.current_state != _AWAITING_CLOSE:
            return super().ready
        if self.socket is not None:
            with contextlib.suppress(OSError):
                self.socket.recv(LIMITS.pdu_accepted, socket.MSG_DONTWAIT)
        return False

    def recv(self, nr_bytes: int) -> bytearray:
        """Read `nr_bytes`, or fewer when the peer hangs up; see the base class."""
        if nr_bytes > LIMITS.pdu_accepted:
            raise OSError(f"a PDU of {nr_bytes} bytes is announced; {LIMITS.pdu_accepted} is most")
        peer = cast("socket.socket", self.socket)
        buffer = bytearray(nr_bytes)
        view = memoryview(buffer)
        got = 0
        asked = self.assoc.dul.state_machine.current_state != _AWAITING_REQUEST
        deadline = time.monotonic() + (LIMITS.idle_seconds if asked else LIMITS.handshake_seconds)
        while got < nr_bytes:
            if time.monotonic() > deadline:
                raise OSError("a PDU drips in too slowly")
            count = peer.recv_into(view[got:])
            if not count:
                break
            got += count
            # Many senders wait for each acknowledgement before the next small packet (Nagle);
            # the option lapses, so it is set after every read.
            if _QUICKACK is not None:
                with contextlib.suppress(OSError):
                    peer.setsockopt(socket.IPPROTO_TCP, _QUICKACK, 1)
        view.release()
        return buffer if got == nr_bytes else buffer[:got]


def close_socket(self: AssociationSocket) -> None:
    """Close a connection, also when the peer was first.

    The library's own method leaves the socket open when `shutdown` fails, until the garbage
    collector finds it; `dicom_service.node` puts this one in its place.
    """
    if self.socket is not None:
        with contextlib.suppress(OSError):
            self.socket.shutdown(socket.SHUT_RDWR)
        self.socket.close()


class _Handler(RequestHandler):
    """Makes the association of a connection; objects stream into the server's folder."""

    def handle(self) -> None:
        """Start an association; see the base class."""
        self.request.settimeout(LIMITS.idle_seconds)
        with contextlib.suppress(OSError):  # the inner end of a secure connection is no TCP
            self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        association = self._create_association()
        evt.trigger(association, evt.EVT_CONN_OPEN, {"address": self.client_address})
        association.start()

    def _create_association(self) -> Association:
        association = super()._create_association()
        association.dul.socket = BoundedSocket(association, client_socket=self.request)
        # Both sockets announce the connection; the association must hear of it once.
        association.dul.event_queue.get_nowait()
        provider = StreamingProvider(association, cast("Server", self.server).incoming)
        association.dimse = provider
        # Also how long a peer may stay silent before its request, and after an abort.
        association.dul.artim_timer.timeout = association.acse_timeout
        association.bind(evt.EVT_CONN_CLOSE, _closed)
        association.bind(evt.EVT_FSM_TRANSITION, _moved)
        _keep_going(association)
        serve = association.run

        def run() -> None:
            try:
                serve()
            finally:
                provider.close()

        association.run = run  # type: ignore[method-assign]
        return association


def _closed(event: Any) -> None:
    """The connection ended before anything was asked: let its thread end now, not in a while."""
    dul = event.assoc.dul
    unasked = event.assoc.requestor.primitive is None
    if unasked and dul.state_machine.current_state in (_AWAITING_REQUEST, _AWAITING_CLOSE):
        dul.to_user_queue.put(None)


def _keep_going(association: Association) -> None:
    """Close a connection on which something comes that its state does not know.

    The library's state machine raises then, and its thread dies with the socket open.
    """
    dul = association.dul
    act = dul.state_machine.do_action

    def guarded(event: str) -> None:
        try:
            act(event)
        except InvalidEventError as error:
            log.warning("refused what came out of turn, its connection ends: %s", error)
            if dul.socket is not None and dul.state_machine.current_state != _IDLE:
                dul.socket.close()  # and that is an event that every state knows

    dul.state_machine.do_action = guarded  # type: ignore[method-assign]


def _moved(event: Any) -> None:
    """The library says nothing, or too much, about bytes that are no PDU: say it in our words."""
    if event.fsm_event == _INVALID:
        address = event.assoc.requestor.address
        log.warning("refused bytes of %s that are no valid PDU, its connection ends", address)


class Server(ThreadedAssociationServer):
    """Accepts connections, up to a number in all and from one address."""

    request_queue_size = 64
    daemon_threads = True

    def __init__(self, *args: Any, incoming: Path, **options: Any) -> None:
        self.incoming = incoming
        super().__init__(*args, **options | {"request_handler": _Handler})

    def verify_request(self, request: object, client_address: Any) -> bool:  # noqa: ARG002
        """Whether there is room for one more connection; see the base class."""
        active = self.active_associations
        address = client_address[0]
        same = sum(1 for association in active if association.requestor.address == address)
        return len(active) < LIMITS.connections and same < LIMITS.connections_per_peer

    def take(self, connection: socket.socket, address: tuple[str, int]) -> None:
        """Serve a connection that was accepted elsewhere, such as on the secure port."""
        if self.verify_request(connection, address):
            self.process_request(connection, address)
        else:
            connection.close()

    def shutdown(self) -> None:
        """Stop accepting and close the listening socket; see the base class."""
        TCPServer.shutdown(self)
        self.server_close()

    def handle_error(self, request: object, client_address: object) -> None:
        """A connection that broke while it was opened is no news; see the base class."""
