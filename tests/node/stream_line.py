"""P-DATA made by hand, and an upper layer with a peer that sends it."""

import socket
import struct

from pynetdicom import AE
from pynetdicom.association import Association
from pynetdicom.presentation import build_context
from pynetdicom.sop_class import Verification

from dicom_service.node.limits import Limits
from dicom_service.node.stream import Answer, attach

CR = "1.2.840.10008.5.1.4.1.1.1"
EXPLICIT = "1.2.840.10008.1.2.1"


def pdv(context: int, control: int, data: bytes) -> bytes:
    return struct.pack(">LBB", len(data) + 2, context, control) + data


def pdu(*values: bytes, kind: int = 4) -> bytes:
    body = b"".join(values)
    return struct.pack(">BBL", kind, 0, len(body)) + body


def command_set(field: int, data_set: int, uid: str = "1.2.3", sop_class: str = CR) -> bytes:
    def element(number: int, value: bytes) -> bytes:
        value += b"\0" * (len(value) % 2)
        return struct.pack("<HHL", 0, number, len(value)) + value

    body = element(2, sop_class.encode()) + element(0x100, struct.pack("<H", field))
    body += element(0x110, struct.pack("<H", 7)) + element(0x800, struct.pack("<H", data_set))
    return body + element(0x1000, uid.encode())


ECHO = pdu(pdv(1, 3, command_set(0x30, 0x0101, "", "1.2.840.10008.1.1")))


class Line:
    """An upper layer that is not started, and the peer at the other end of its connection."""

    def __init__(self, folder, **limits) -> None:
        self.peer, ours = socket.socketpair()
        self.peer.settimeout(5)
        self.association = Association(AE(), "acceptor")
        self.stored: list[tuple[bytes, str]] = []
        options = Limits(**limits)
        attach(self.association, ours, folder, 0, options, self._store, lambda: Answer(0))
        self.upper = self.association.dul
        while not self.upper.event_queue.empty():
            self.upper.event_queue.get()
        context = build_context(Verification, EXPLICIT)
        context.context_id = 1
        self.association._accepted_cx = {1: context}
        self.ours = ours
        waiting = self.upper._patience
        # In data transfer it goes on until nothing more comes.
        self.upper._patience = lambda: 0.05 if self._transfers() else waiting()

    def _transfers(self) -> bool:
        return self.upper.state_machine.current_state == "Sta6"

    def _store(self, file) -> Answer:
        file.complete()
        self.stored.append((file.path.read_bytes()[file.offset :], file.digest))
        file.discard()
        return Answer(0)

    def hear(self, data: bytes, state: str) -> list[str]:
        """Send bytes while the machine is in `state`; returns the events that come of it."""
        self.upper.state_machine.current_state = state
        if data:
            self.peer.sendall(data)
        self.upper._is_transport_event()
        events = []
        while not self.upper.event_queue.empty():
            events.append(self.upper.event_queue.get())
        return events

    def close(self) -> None:
        self.peer.close()
        self.ours.close()
        self.upper._bell.close()
