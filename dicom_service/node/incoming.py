"""Streaming received objects to disk.

The library would keep each object in memory, or write it to the system's folder for temporary
files and leave it there when the peer hangs up. Here every association has a message provider
that writes C-STORE data sets into the store's own folder and clears up whatever is unfinished.
"""

import contextlib
import logging
import uuid
from pathlib import Path
from typing import Any, BinaryIO, cast

from pydicom.uid import UID
from pynetdicom.association import Association
from pynetdicom.dimse import DIMSEServiceProvider
from pynetdicom.dimse_messages import C_STORE_RQ, DIMSEMessage
from pynetdicom.dsutils import create_file_meta, encode_file_meta
from pynetdicom.pdu_primitives import P_DATA

from dicom_service.errors import BadObject, SesamoidError
from dicom_service.node.headers import valid_uid
from dicom_service.node.limits import LIMITS
from dicom_service.node.services import plain
from dicom_service.store import full_disk_named

_BUFFER = 1 << 20
_NO_DATA_SET = 0x0101
_LAST_OF_COMMAND = 3
"""Bits of the message control header (PS3.8 E.2): of the command, and the last fragment."""

log = logging.getLogger(__name__)


class IncomingFile:
    """A data set on its way to disk; the library writes into it as into a temporary file.

    What goes wrong is remembered rather than raised: an exception here would end the
    association, where the sender should get a status and a reason.
    """

    def __init__(self, folder: Path, command: Any, transfer_syntax: str) -> None:
        self.path = folder / f"{uuid.uuid4().hex}.dcm"
        self.error: SesamoidError | None = None
        self.transfer_syntax = transfer_syntax
        self.sop_class_uid = str(command.get("AffectedSOPClassUID") or "")
        self.sop_instance_uid = str(command.get("AffectedSOPInstanceUID") or "")
        self.offset = 0
        self._size = 0
        self._stream: BinaryIO | None = None
        self._guarded(self._open)

    @property
    def name(self) -> str:
        """The path as text, as the library asks for it."""
        return str(self.path)

    @property
    def file(self) -> "IncomingFile":
        """Itself: the library flushes `file.file` after every fragment."""
        return self

    def flush(self) -> None:
        """Nothing: the receiver syncs once, when the object is complete."""

    def write(self, data: bytes) -> None:
        """Append a fragment."""
        if self._stream is None or self.error is not None:
            return
        self._size += len(data)
        if self._size > LIMITS.object:
            self.error = BadObject(f"The object is larger than {LIMITS.object} bytes.")
            return
        self._guarded(lambda: self._write(data))

    def close(self) -> None:
        """Everything has been written."""
        stream, self._stream = self._stream, None
        if stream is not None:
            self._guarded(stream.close)

    def discard(self) -> None:
        """Remove the file, unless the store has taken it."""
        self.close()
        self.path.unlink(missing_ok=True)

    def _open(self) -> None:
        if not (valid_uid(self.sop_class_uid) and valid_uid(self.sop_instance_uid)):
            raise BadObject("The command names no valid SOP Class and Instance UID.")
        meta = create_file_meta(
            sop_class_uid=UID(self.sop_class_uid),
            sop_instance_uid=UID(self.sop_instance_uid),
            transfer_syntax=UID(self.transfer_syntax),
        )
        start = b"\0" * 128 + b"DICM" + encode_file_meta(meta)
        self.offset = len(start)
        self._stream = self.path.open("wb", buffering=_BUFFER)
        self._stream.write(start)

    def _write(self, data: bytes) -> None:
        stream = self._stream
        if stream is not None:
            stream.write(data)

    def _guarded(self, step: Any) -> None:
        try:
            with full_disk_named(self.path.parent):
                step()
        except SesamoidError as error:
            self.error = self.error or error
        except ValueError:  # the association ended and closed the file while this was on its way
            self.error = self.error or BadObject("The object is incomplete.")


class StreamingProvider(DIMSEServiceProvider):
    """The DIMSE provider of one association that this node accepted.

    Parameters
    ----------
    assoc
        The association.
    folder
        Where objects are written while they arrive.
    """

    def __init__(self, assoc: Association, folder: Path) -> None:
        super().__init__(assoc)
        self._folder = folder
        self._files: list[IncomingFile] = []
        self._closed = False

    def receive_primitive(self, primitive: P_DATA) -> None:
        """Process the fragments of a PDU one by one; see the base class."""
        try:
            for context_id, data in primitive.presentation_data_value_list:
                single = P_DATA()
                single.presentation_data_value_list = cast("Any", [[context_id, data]])
                super().receive_primitive(single)
                if self.message is not None:
                    if data[0] & _LAST_OF_COMMAND == _LAST_OF_COMMAND:
                        self._expect_data_set(self.message, context_id)
                    _check(self.message)
        except Exception as error:  # noqa: BLE001 - whatever a peer's bytes do to the decoder
            log.warning("a message cannot be taken, its association ends: %s", plain(error))
            self.dul.event_queue.put("Evt19")  # invalid PDU: the state machine aborts

    def _expect_data_set(self, message: DIMSEMessage, context_id: int) -> None:
        """The command is complete: give a C-STORE request a file to go to."""
        if not isinstance(message, C_STORE_RQ) or self._closed:
            return
        if message.command_set.get("CommandDataSetType") == _NO_DATA_SET:
            return
        context = self.assoc._accepted_cx[context_id]
        file = IncomingFile(self._folder, message.command_set, str(context.transfer_syntax[0]))
        self._files.append(file)
        message._data_set_file = cast("Any", file)
        message._data_set_path = file.path

    def finished(self, file: IncomingFile) -> None:
        """The file has been dealt with."""
        file.discard()
        with contextlib.suppress(ValueError):
            self._files.remove(file)

    def close(self) -> None:
        """The association is over: remove what never became complete."""
        self._closed = True
        for file in self._files:
            file.discard()
        self._files.clear()


def _check(message: DIMSEMessage) -> None:
    """Bound what is kept in memory."""
    in_memory = message.data_set.tell() if message.data_set is not None else 0
    if message.encoded_command_set.tell() > LIMITS.command or in_memory > LIMITS.message:
        raise BadObject("A message is larger than this node accepts.")
