"""Objects on their way to a peer: read ahead, and written to the connection as they are.

The library would decode and encode each object, cut it into primitives of one PDU and look at
its queues every millisecond. Here its state machine stays in charge, and its thread is still
the only one on the connection; but a whole object is one primitive, whose PDUs are written from
the bytes of the file, and waiting is for events.
"""

import contextlib
import os
import select
import ssl
import struct
import threading
import time
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Protocol, Self, cast

import pydicom
from pynetdicom.association import Association
from pynetdicom.dimse_primitives import C_STORE
from pynetdicom.dsutils import encode, split_dataset
from pynetdicom.pdu import P_DATA_TF
from pynetdicom.pdu_primitives import P_DATA

from dicom_service.errors import SesamoidError
from dicom_service.node.services import UNCOMPRESSED
from dicom_service.node.stream.command import fragments, store_request
from dicom_service.node.stream.waking import Bell, TellingQueue

_TRANSFER, _CLOSED = "Sta6", "Evt17"
_LARGEST_PDU = 131072
_BLOCK = 1 << 20
"""Bytes that are handed to the system at once."""
_LOOK_SECONDS = 0.02
"""How often the library's flag to stop is looked at when nothing happens."""


class NotOffered(ValueError):
    """The peer accepts no presentation context for an object."""


class Prepared(NamedTuple):
    """An object as it goes over the wire."""

    context_id: int
    sop_class_uid: str
    sop_instance_uid: str
    data: memoryview


def prepare(association: Association, path: Path) -> Prepared:
    """Read an object; it is encoded anew only where the peer takes another syntax.

    Raises
    ------
    NotOffered
        The peer takes neither the object's syntax nor one that it can be written in.
    OSError
        The file cannot be read.
    """
    meta, offset = split_dataset(path)
    sop_class = str(meta.MediaStorageSOPClassUID)
    stored = str(meta.TransferSyntaxUID)
    accepted = {
        str(context.transfer_syntax[0]): cast("int", context.context_id)
        for context in association.accepted_contexts
        if context.abstract_syntax == sop_class
    }
    uids = (sop_class, str(meta.MediaStorageSOPInstanceUID))
    if stored in accepted:
        return Prepared(accepted[stored], *uids, memoryview(path.read_bytes())[offset:])
    for syntax in UNCOMPRESSED if stored in UNCOMPRESSED else ():
        if syntax in accepted:
            uid = pydicom.uid.UID(syntax)
            made = encode(pydicom.dcmread(path), uid.is_implicit_VR, uid.is_little_endian)
            if made is not None:
                return Prepared(accepted[syntax], *uids, memoryview(made))
    raise NotOffered(f"no presentation context for {sop_class} in {stored}")


class Readable(Protocol):
    """Something in a file, which may have to be brought here first."""

    @property
    def path(self) -> Path:
        """The file."""


NotRead = NotOffered | OSError | SesamoidError
"""Why an object cannot be sent."""


def read_ahead(
    association: Association, objects: Sequence[Readable]
) -> Generator[Prepared | NotRead, None, None]:
    """Objects in turn, the next one read while the last is sent: two are in memory at most."""

    def attempt(one: Readable) -> Prepared | NotRead:
        try:
            return prepare(association, one.path)
        except (NotOffered, OSError, SesamoidError) as error:
            return error

    with ThreadPoolExecutor(1, thread_name_prefix="read-ahead") as reader:
        upcoming = reader.submit(attempt, objects[0]) if objects else None
        for one in (*objects[1:], None):
            if upcoming is None:
                return
            ready = upcoming.result()
            upcoming = reader.submit(attempt, one) if one else None
            yield ready


class Carrier:
    """Stores many objects over one established association, as a context manager.

    Parameters
    ----------
    patience
        Seconds that the peer may take nothing, before the connection counts as gone.
    """

    def __init__(self, association: Association, patience: float) -> None:
        self._association = association
        self._dul: Any = association.dul
        self._patience = patience
        self._bell = Bell()
        self._library_send = self._dul._send
        self._library_heard = self._dul._is_transport_event
        self._message: Prepared | None = None
        self._message_id = 0
        self._written = threading.Event()

    def __enter__(self) -> Self:
        """Hold the library's reactor back, and let its upper layer wait for events."""
        association, dul = self._association, self._dul
        association._reactor_checkpoint.clear()
        # A reactor that was ended in between may never say that it stands.
        while not association._is_paused and association.is_alive():
            time.sleep(0.0001)
        # An answer that the reactor has just given must have left the old queue.
        while not dul.to_provider_queue.empty() and dul.is_alive():
            time.sleep(0.0001)
        dul._send = self._send
        dul._is_transport_event = self._heard
        dul.to_provider_queue = TellingQueue(self._bell.ring)
        self._delay, dul._run_loop_delay = dul._run_loop_delay, 0.0
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give the association back to the library."""
        dul = self._dul
        dul._run_loop_delay = self._delay
        dul._is_transport_event, dul._send = self._library_heard, self._library_send
        self._association._reactor_checkpoint.set()

    def close(self) -> None:
        """Give the descriptor back; call it once the association has ended."""
        self._bell.close()

    @property
    def is_open(self) -> bool:
        """Whether the peer still takes objects."""
        transferring = self._dul.state_machine.current_state == _TRANSFER
        return bool(transferring and self._dul.is_alive())

    def store(self, prepared: Prepared) -> pydicom.Dataset:
        """Send one object; returns the status, empty when none came."""
        self._message_id = self._message_id % 0xFFFF + 1
        self._message = prepared
        self._written.clear()
        self._dul.send_pdu(P_DATA())
        while not self._written.wait(1.0):
            if not self._dul.is_alive():
                return pydicom.Dataset()
        return self._answered()

    def _answered(self) -> pydicom.Dataset:
        association = self._association
        while True:
            context_id, answer = association.dimse.get_msg(block=True)
            if answer is None:
                association._handle_no_response()
                return pydicom.Dataset()
            if isinstance(answer, C_STORE):
                return association._check_received_status(answer)
            # A peer may report on what it was asked to commit to earlier at any time.
            association._serve_request(answer, cast("int", context_id))

    def _send(self, pdu: Any) -> None:
        """Write a PDU; in the library's thread. An empty P-DATA stands for a whole object."""
        message = self._message
        if message is None or not isinstance(pdu, P_DATA_TF) or pdu.presentation_data_value_items:
            self._library_send(pdu)
            return
        self._message = None
        try:
            self._write(message)
        except (OSError, AttributeError):  # the library takes a closed socket away
            self._dul.event_queue.put(_CLOSED)
        finally:
            self._written.set()

    def _write(self, message: Prepared) -> None:
        connection = self._dul.socket.socket
        connection.settimeout(self._patience)
        most = self._association.acceptor.maximum_length or 0
        request = store_request(message.sop_class_uid, message.sop_instance_uid, self._message_id)
        block: list[bytes | memoryview] = [fragments(message.context_id, request, most)]
        size = 0
        for part in _pdus(message, min(most or _LARGEST_PDU, _LARGEST_PDU)):
            block.append(part)
            size += len(part)
            if size >= _BLOCK:
                connection.sendall(b"".join(block))
                block, size = [], 0
        if block:
            connection.sendall(b"".join(block))

    def _heard(self) -> bool:
        """Wait for the peer or for ourselves, then see; in the library's thread."""
        dul = self._dul
        connection = dul.socket.socket if dul.socket is not None else None
        if connection is None or not dul.event_queue.empty():
            os.sched_yield()
            return bool(self._library_heard())
        pending = isinstance(connection, ssl.SSLSocket) and connection.pending()
        with contextlib.suppress(OSError, ValueError):  # closed meanwhile: the library will see
            poll = select.poll()
            poll.register(connection, select.POLLIN)
            poll.register(self._bell.handle, select.POLLIN)
            ready = poll.poll(0 if pending else 1000 * _LOOK_SECONDS)
            if any(handle == self._bell.handle for handle, _ in ready):
                self._bell.silence()
                if len(ready) == 1:
                    return False
        return bool(self._library_heard())


def _pdus(message: Prepared, most: int) -> Iterator[bytes | memoryview]:
    """The data set as P-DATA PDUs, heads and bodies in turn (PS3.8 9.3.5)."""
    room = max(most - 6, 1)
    data = message.data
    for start in range(0, len(data), room):
        part = data[start : start + room]
        last = 2 if start + room >= len(data) else 0
        length = len(part)
        yield struct.pack(">BBLLBB", 4, 0, length + 6, length + 2, message.context_id, last)
        yield part
