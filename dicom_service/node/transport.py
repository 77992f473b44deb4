"""The listening side of the transport: bounded, prompt, and closed to strangers.

What the library's own classes do not do: bound the number of open connections in all and per
peer, and close a socket in every case. What is done with a connection is in `stream`.
"""

import contextlib
import logging
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from socketserver import TCPServer
from typing import Any
from weakref import WeakKeyDictionary

from pynetdicom import evt
from pynetdicom.association import Association
from pynetdicom.fsm import InvalidEventError
from pynetdicom.presentation import PresentationContext
from pynetdicom.transport import AssociationSocket, RequestHandler, ThreadedAssociationServer

from dicom_service.node.balancer import Balancers, NoHeader
from dicom_service.node.limits import LIMITS
from dicom_service.node.secure import Certificate
from dicom_service.node.stream import Answer, IncomingFile, attach

_AWAITING_REQUEST, _AWAITING_CLOSE = "Sta2", "Sta13"
"""States of the upper layer's state machine (PS3.8 9.2)."""
_IDLE = "Sta1"
_INVALID = "Evt19"
"""Its event: an unrecognized or invalid PDU."""

log = logging.getLogger(__name__)
StoreHandler = Callable[[Association, IncomingFile | None], Answer]
EchoHandler = Callable[[Association], Answer]


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

    server: "Server"

    def handle(self) -> None:
        """Start an association; see the base class."""
        with contextlib.suppress(OSError):  # the inner end of a secure connection is no TCP
            self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        association = self._create_association()
        evt.trigger(association, evt.EVT_CONN_OPEN, {"address": self.client_address})
        association.start()

    def _create_association(self) -> Association:
        association = super()._create_association()
        server = self.server
        attach(
            association,
            self.request,
            server.incoming,
            server.small,
            LIMITS,
            store=lambda file: server.store(association, file),
            echo=lambda: server.echo(association),
        )
        association.bind(evt.EVT_CONN_CLOSE, _closed)
        association.bind(evt.EVT_FSM_TRANSITION, _moved)
        keep_going(association)
        return association


def _closed(event: Any) -> None:
    """The connection ended before anything was asked: let its thread end now, not in a while."""
    dul = event.assoc.dul
    unasked = event.assoc.requestor.primitive is None
    if unasked and dul.state_machine.current_state in (_AWAITING_REQUEST, _AWAITING_CLOSE):
        dul.to_user_queue.put(None)


class _Shared(list[PresentationContext]):
    """The offered contexts: only ever read, so an association needs no deep copy of them."""

    def __deepcopy__(self, memo: object) -> "_Shared":
        return self


def keep_going(association: Association) -> None:
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

    request_queue_size = 128
    daemon_threads = True

    def __init__(
        self,
        *args: Any,
        incoming: Path,
        small: int,
        store: StoreHandler,
        echo: EchoHandler,
        balancers: Balancers,
        **options: Any,
    ) -> None:
        self.balancers = balancers
        self._certificates: WeakKeyDictionary[socket.socket, Certificate] = WeakKeyDictionary()
        self._declaring = threading.Lock()
        self._undeclared = threading.BoundedSemaphore(LIMITS.connections)
        self.incoming = incoming
        self.small = small
        self.store = store
        self.echo = echo
        super().__init__(*args, **options | {"request_handler": _Handler})
        self.contexts = _Shared(self.contexts)

    def verify_request(self, request: object, client_address: Any) -> bool:
        """Whether there is room for one more connection; see the base class."""
        if self._through_balancer(request, client_address):  # counted once it is known whose it is
            room = len(self.active_associations) < LIMITS.connections
            return room and self._undeclared.acquire(blocking=False)
        return self._room_for(client_address[0])

    def finish_request(self, request: Any, client_address: Any) -> None:
        """Learn from a balancer who calls, then serve the call; see the base class."""
        if self._through_balancer(request, client_address):
            try:
                caller = self.balancers.caller(request, client_address)
            except NoHeader as error:
                log.warning("refused a connection of the balancer %s: %s", client_address[0], error)
                caller = None
            finally:
                self._undeclared.release()
            with self._declaring:  # the calls of one caller are counted one after the other
                if caller is not None and self._room_for(caller[0]):
                    super().finish_request(request, caller)
                else:
                    self.shutdown_request(request)
        else:
            super().finish_request(request, client_address)

    def _through_balancer(self, request: Any, client_address: Any) -> bool:
        """Whether a header is to come first; the secure port has read those of its own."""
        return request.family != socket.AF_UNIX and client_address[0] in self.balancers

    def _room_for(self, address: str) -> bool:
        active = self.active_associations
        same = sum(1 for association in active if association.requestor.address == address)
        return len(active) < LIMITS.connections and same < LIMITS.connections_per_peer

    def take(
        self, connection: socket.socket, address: tuple[str, int], certificate: Certificate
    ) -> None:
        """Serve a connection that was accepted on the secure port."""
        self._certificates[connection] = certificate
        if self.verify_request(connection, address):
            self.process_request(connection, address)
        else:
            connection.close()

    def certificate_of(self, association: Association) -> Certificate | None:
        """What a caller has shown on the secure port; None: it came in by the plain one."""
        ours = association.dul.socket
        connection = ours.socket if ours else None
        return self._certificates.get(connection) if connection else None

    def shutdown(self) -> None:
        """Stop accepting and close the listening socket; see the base class."""
        TCPServer.shutdown(self)
        self.server_close()

    def handle_error(self, request: object, client_address: object) -> None:
        """A connection that broke while it was opened is no news; see the base class."""
