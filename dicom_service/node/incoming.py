"""Streaming objects that come by C-GET, on an association that this node opened.

The library would keep each object in memory, or write it to the system's folder for temporary
files and leave it there when the peer hangs up. Here such an association has a message provider
that writes C-STORE data sets into the store's own folder and clears up whatever is unfinished.
What comes on associations that others open goes another, faster way: `stream`.
"""

import contextlib
import logging
from pathlib import Path
from typing import Any, cast

from pynetdicom.association import Association
from pynetdicom.dimse import DIMSEServiceProvider
from pynetdicom.dimse_messages import C_STORE_RQ, DIMSEMessage
from pynetdicom.pdu_primitives import P_DATA

from dicom_service.errors import BadObject
from dicom_service.node.limits import LIMITS
from dicom_service.node.services import plain
from dicom_service.node.stream import IncomingFile
from dicom_service.quiet_logs import said_in_log

_NO_DATA_SET = 0x0101
_LAST_OF_COMMAND = 3
"""Bits of the message control header (PS3.8 E.2): of the command, and the last fragment."""

log = logging.getLogger(__name__)


class LibraryFile(IncomingFile):
    """A file that the library writes into as into a temporary file."""

    @property
    def name(self) -> str:
        """The path as text, as the library asks for it."""
        return str(self.path)

    @property
    def file(self) -> "LibraryFile":
        """Itself: the library flushes `file.file` after every fragment."""
        return self

    def flush(self) -> None:
        """What is written is written when the file is complete."""

    def write(self, data: bytes) -> None:
        """Append a fragment."""
        if self.closed:  # the association ended while this was on its way
            self.error = self.error or BadObject("The object is incomplete.")
            return
        self.append(memoryview(data))


class StreamingProvider(DIMSEServiceProvider):
    """The DIMSE provider of one association.

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
        self._files: list[LibraryFile] = []
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
            log.warning(
                "a message cannot be taken, its association ends: %s", plain(said_in_log(error))
            )
            self.dul.event_queue.put("Evt19")  # invalid PDU: the state machine aborts

    def _expect_data_set(self, message: DIMSEMessage, context_id: int) -> None:
        """The command is complete: give a C-STORE request a file to go to."""
        if not isinstance(message, C_STORE_RQ) or self._closed:
            return
        command = message.command_set
        if command.get("CommandDataSetType") == _NO_DATA_SET:
            return
        file = LibraryFile(
            self._folder,
            str(command.get("AffectedSOPClassUID") or ""),
            str(command.get("AffectedSOPInstanceUID") or ""),
            str(self.assoc._accepted_cx[context_id].transfer_syntax[0]),
            LIMITS,
        )
        self._files.append(file)
        message._data_set_file = cast("Any", file)
        message._data_set_path = file.path

    def finished(self, file: LibraryFile) -> None:
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
