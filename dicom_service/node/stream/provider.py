"""The upper layer of one association: the library's, but it waits, and its P-DATA path is ours.

The state machine (PS3.8 9.2) stays in charge. Every PDU that is not P-DATA, and P-DATA in any
state but Sta6, is decoded by the library and becomes one of its events.
"""

import contextlib
import logging
import select
import socket
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, cast

from pynetdicom.association import Association
from pynetdicom.dimse_messages import DIMSEMessage
from pynetdicom.dul import DULServiceProvider
from pynetdicom.pdu_primitives import P_DATA
from pynetdicom.transport import AssociationSocket

from dicom_service.node.limits import Limits
from dicom_service.node.services import plain
from dicom_service.node.stream.command import Command, Malformed, response
from dicom_service.node.stream.file import IncomingFile
from dicom_service.node.stream.inlet import P_DATA as P_DATA_PDU
from dicom_service.node.stream.inlet import Inlet
from dicom_service.node.stream.messages import Answer, Gone, Messages, Services
from dicom_service.node.stream.straight import Straight
from dicom_service.node.stream.waking import Bell, Checkpoint, TellingQueue
from dicom_service.quiet_logs import said_in_log

log = logging.getLogger(__name__)
_TRANSFER, _AWAITING_CLOSE = "Sta6", "Sta13"
_CLOSED, _INVALID = "Evt17", "Evt19"
_LOOK_SECONDS = 0.5
_FRAGMENT_OF_COMMAND, _FRAGMENT_OF_DATA = b"\x03", b"\x02"


def attach(
    association: Association,
    peer: socket.socket,
    folder: Path,
    small: int,
    limits: Limits,
    store: Callable[[IncomingFile | None], Answer],
    echo: Callable[[], Answer],
) -> None:
    """Give an association, before it is started, the streaming upper layer.

    Parameters
    ----------
    peer
        The accepted connection.
    folder
        Where objects are written while they arrive.
    small
        Bytes of an object that stay in memory instead.
    store
        Takes each finished object, in the connection's thread, and says what to answer.
    echo
        Answers a C-ECHO request.
    """
    peer.setblocking(False)
    checkpoint = Checkpoint()
    association._reactor_checkpoint = cast("Any", checkpoint)
    upper = StreamingDUL(association, peer, limits, checkpoint)
    upper.serve(folder, small, store, echo)
    association.dul = upper
    upper.socket = InletSocket(association, peer, upper.inlet, limits.idle_seconds)
    # The timers of the provider that was made with the association, for this one.
    association.acse_timeout = association.acse_timeout
    association.network_timeout = association.network_timeout
    association.dimse.msg_queue = TellingQueue(checkpoint.news)


class InletSocket(AssociationSocket):
    """The library's view of the connection: it reads what is in the buffer."""

    def __init__(
        self, assoc: Association, peer: socket.socket, inlet: Inlet, patience: float
    ) -> None:
        self._inlet = inlet
        self._patience = patience
        self.deaf = False
        """Whether something could not be sent, and the connection counts as closed."""
        super().__init__(assoc, client_socket=peer)

    @property
    def ready(self) -> bool:
        """Whether something can be read; see the base class.

        After an abort nothing is waited for: what the peer still sends is dropped, and the
        library, which finds nothing to read, closes the connection.
        """
        if self.assoc.dul.state_machine.current_state == _AWAITING_CLOSE and self.socket:
            self._inlet.clear()
            with contextlib.suppress(OSError):
                self._inlet.fill()
            self._inlet.clear()
        return False

    def recv(self, nr_bytes: int) -> bytearray:
        """The next bytes of the buffered PDU; see the base class."""
        return bytearray(self._inlet.take(nr_bytes))

    def send(self, bytestream: bytes) -> None:
        """Send all, to a peer that takes something now and then; see the base class."""
        rest = memoryview(bytestream)
        try:
            while rest and self.socket is not None:
                with contextlib.suppress(BlockingIOError):
                    rest = rest[self.socket.send(rest) :]
                    continue
                writable = select.poll()
                writable.register(self.socket, select.POLLOUT)
                if not writable.poll(1000 * self._patience):
                    raise TimeoutError
        except (OSError, ValueError):
            self.deaf = True
            self.event_queue.put(_CLOSED)


class StreamingDUL(DULServiceProvider):
    """The upper layer service provider of one association that this node accepted."""

    def __init__(
        self, assoc: Association, peer: socket.socket, limits: Limits, checkpoint: Checkpoint
    ) -> None:
        super().__init__(assoc)
        self.inlet = Inlet(peer, limits.pdu_accepted)
        self._limits = limits
        self._checkpoint = checkpoint
        self._bell = Bell()
        self.to_provider_queue = TellingQueue(self._bell.ring)
        self.event_queue = TellingQueue(self._bell.ring)
        self.to_user_queue = TellingQueue(checkpoint.news)
        self._run_loop_delay = 0.0  # the waiting is done below
        self._poll = select.poll()
        self._poll.register(peer, select.POLLIN)
        self._poll.register(self._bell.handle, select.POLLIN)
        self._accepted: dict[int, str] | None = None

    def serve(
        self,
        folder: Path,
        small: int,
        store: Callable[[IncomingFile | None], Answer],
        echo: Callable[[], Answer],
    ) -> None:
        """Say what answers the requests."""
        services = Services(store, echo, self._hand_over, self._respond)
        self._messages = Messages(folder, small, self._limits, self._syntaxes, services)
        self._straight = Straight(self.inlet, self._messages)

    def run_reactor(self) -> None:
        """The library's loop; see the base class. Afterwards nothing half-received is left."""
        try:
            super().run_reactor()
        finally:
            self._messages.close()
            self._bell.close()
            self._checkpoint.news()

    def kill_dul(self) -> None:
        """End the loop; see the base class."""
        super().kill_dul()
        self._bell.ring()

    def stop_dul(self) -> bool:
        """Wait a moment for the loop to have ended; see the base class."""
        if threading.current_thread() is self:  # a service ends its own association
            return True
        if self.state_machine.current_state == "Sta1":
            self.kill_dul()
        self.join(0.1)
        return not self.is_alive()

    def _is_transport_event(self) -> bool:
        """Wait for the peer or for ourselves; True when the peer was heard; see the base class."""
        if self.state_machine.current_state == _AWAITING_CLOSE:
            return super()._is_transport_event()
        if not self.event_queue.empty():  # one event after the other: this may change the state
            return False
        heard = False
        while self.inlet.pdu is not None or self.inlet.lies or self._heard():
            heard = True
            self._proceed()
            if not self._undisturbed():
                break
            self._idle_timer.restart()
        return heard

    def _undisturbed(self) -> bool:
        """Whether the library has nothing to do: its loop sleeps in every turn, if only for a
        moment, and that would be with every piece of an object.
        """
        return (
            self.state_machine.current_state == _TRANSFER
            and self.event_queue.empty()
            and self.to_provider_queue.empty()
            and not self._kill_thread
        )

    def _heard(self) -> bool:
        """Wait; True when bytes came in."""
        ready = {handle for handle, _ in self._poll.poll(1000 * self._patience())}
        if self._bell.handle in ready:
            self._bell.silence()
            ready.remove(self._bell.handle)
        if self.inlet.pending_seconds > self._limits.idle_seconds:
            log.warning("a peer stopped within a PDU, its association ends")
            self.event_queue.put(_INVALID)
            return False
        if not ready:
            return False
        slots = self._straight.slots()
        try:
            count = self.inlet.receive(slots)
        except BlockingIOError:
            return False
        except OSError:
            count = 0
        self._straight.sort(slots, count)
        if not count:
            self.event_queue.put(_CLOSED)
        return count > 0

    def _patience(self) -> float:
        """Seconds until a timer must be looked at."""
        timer = self.artim_timer
        running = timer._start_time is not None and timer._end_time is None
        return max(0.0, min(_LOOK_SECONDS, timer.remaining if running else _LOOK_SECONDS))

    def _proceed(self) -> None:
        """Deal with the first PDU, and with all P-DATA that is complete."""
        if self.inlet.lies:
            log.warning("a peer announces a PDU that is not accepted, its association ends")
            self.inlet.clear()
            self.event_queue.put(_INVALID)
        elif self._transferring():
            self._stream()
        elif self.inlet.pdu is not None:
            self._read_pdu_data()

    def _transferring(self) -> bool:
        header = self.inlet.header
        state = self.state_machine.current_state
        return state == _TRANSFER and header is not None and header[0] == P_DATA_PDU

    def _stream(self) -> None:
        """Evt10 in Sta6, many times: indicate P-DATA, stay in Sta6."""
        try:
            while self._transferring() and not self.inlet.lies:
                pdu = self.inlet.pdu
                if pdu is None:
                    self._straight.foretell()
                    break
                self._messages.take(pdu)
                self.inlet.drop(len(pdu))
        except Gone:
            self.inlet.clear()
        except Exception as error:  # noqa: BLE001 - whatever a peer's bytes do to the decoder
            said = plain(said_in_log(error))
            log.warning("a message cannot be taken, its association ends: %s", said)
            self.inlet.clear()
            self.event_queue.put(_INVALID)

    def _respond(self, context_id: int, command: Command, answer: Answer) -> None:
        """Evt9 in Sta6: send P-DATA, stay in Sta6."""
        most = self.assoc.requestor.maximum_length or 0
        data = response(context_id, command, answer.status, answer.comment, most)
        if self.socket is not None:
            self.socket.send(data)
        if self.socket is None or cast("InletSocket", self.socket).deaf:
            raise Gone

    def _hand_over(self, context_id: int, command: bytes, data_set: bytes | None) -> None:
        """Let the library decode and serve a request, in this thread: it is answered in order."""
        message = DIMSEMessage()
        parts = [_FRAGMENT_OF_COMMAND + command]
        if data_set is not None:
            parts.append(_FRAGMENT_OF_DATA + data_set)
        for part in parts:
            primitive = P_DATA()
            primitive.presentation_data_value_list = cast("Any", [[context_id, part]])
            message.decode_msg(primitive, self.assoc)
        request = cast("Any", message.message_to_primitive())
        if not request.is_valid_request:
            raise Malformed("a request without what it must have")
        self.assoc._serve_request(request, context_id)

    def _syntaxes(self) -> Mapping[int, str]:
        """Transfer syntaxes of the accepted contexts, settled before Sta6."""
        if self._accepted is None:
            contexts = self.assoc._accepted_cx.items()
            self._accepted = {number: str(cx.transfer_syntax[0]) for number, cx in contexts}
        return self._accepted
