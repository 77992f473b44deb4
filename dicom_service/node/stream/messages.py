"""From P-DATA to requests: what is stored goes to a file, the rest is small and in memory."""

import struct
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple, cast

from dicom_service.node.limits import Limits
from dicom_service.node.stream.command import (
    C_CANCEL,
    C_ECHO,
    C_STORE,
    N_EVENT_REPORT,
    Command,
    Malformed,
    decode,
)
from dicom_service.node.stream.file import IncomingFile
from dicom_service.node.stream.inlet import HEADER, P_DATA
from dicom_service.node.stream.scribe import Scribe

FRAGMENT_HEAD = HEADER + 6
"""Bytes of a P-DATA PDU before its first fragment."""
_IN_COMMAND, _LAST = 1, 2
"""Bits of the message control header (PS3.8 E.2)."""


class Gone(Exception):
    """The peer takes no more answers, so nothing more of what it has sent is served."""


class Answer(NamedTuple):
    """A status, and words for it."""

    status: int
    comment: str = ""


class Services(NamedTuple):
    """What answers the requests; called in the connection's thread. Only `respond` may raise, and
    that only `Gone`.
    """

    store: Callable[[IncomingFile | None], Answer]
    """Takes a finished object (None: the request came without one); removes its file."""
    echo: Callable[[], Answer]
    other: Callable[[int, bytes, bytes | None], None]
    """Takes context, command set and data set of an N-EVENT-REPORT request."""
    respond: Callable[[int, Command, Answer], None]


class Messages:
    """The requests of one association, one after another.

    Parameters
    ----------
    folder
        Where objects are written while they arrive.
    small
        Bytes of an object that stay in memory.
    syntaxes
        Transfer syntax of each accepted presentation context; asked at every request.
    """

    def __init__(
        self,
        folder: Path,
        small: int,
        limits: Limits,
        syntaxes: Callable[[], Mapping[int, str]],
        services: Services,
    ) -> None:
        self._folder = folder
        self._small = small
        self._limits = limits
        self._syntaxes = syntaxes
        self._services = services
        self._scribe = Scribe()
        self._reset()

    def take(self, pdu: memoryview) -> None:
        """Take one whole P-DATA PDU (PS3.8 9.3.5); its memory is free afterwards.

        Raises
        ------
        Malformed
            The association must end.
        Gone
            An answer could not be sent; the rest of the PDU is not looked at.
        """
        position = HEADER
        while position < len(pdu):
            if position + 6 > len(pdu):
                raise Malformed("a P-DATA PDU ends within the head of a fragment")
            length, context_id, control = struct.unpack_from(">LBB", pdu, position)
            end = position + 4 + length
            if length < 2 or end > len(pdu):
                raise Malformed("a fragment is not as long as it says")
            self._fragment(context_id, control, pdu[position + 6 : end])
            position = end

    @property
    def large(self) -> IncomingFile:
        """The object under way; only when `plain_fragment` has said that there is one."""
        return cast("IncomingFile", self._file)

    def plain_fragment(self, start: bytes) -> int:
        """Length of the fragment of a P-DATA PDU that begins with `start`, if it is all that is in
        it, and neither the first nor the last of an object that is on its way to disk; else 0.
        """
        if len(start) < FRAGMENT_HEAD or self._file is None or not self._file.large:
            return 0
        kind, length, value, context_id, control = struct.unpack(">BxLLBB", start)
        plain = kind == P_DATA and value == length - 4 and control == 0
        return value - 2 if plain and context_id == self._context_id else 0

    def close(self) -> None:
        """The association is over: remove what never became complete."""
        try:
            if self._file is not None:
                self._file.discard()
            self._reset()
        finally:
            self._scribe.close()

    def _reset(self) -> None:
        self._context_id = 0
        self._encoded = bytearray()
        self._command: Command | None = None
        self._file: IncomingFile | None = None
        self._body: bytearray | None = None

    def _fragment(self, context_id: int, control: int, data: memoryview) -> None:
        if not self._context_id:
            if context_id not in self._syntaxes():
                raise Malformed("a message in a presentation context that was not accepted")
            self._context_id = context_id
        if context_id != self._context_id or bool(control & _IN_COMMAND) != (self._command is None):
            raise Malformed("fragments of two messages are mixed")
        if control & _IN_COMMAND:
            self._bounded(self._encoded, data, self._limits.command)
            if control & _LAST:
                self._begun()
            return
        if self._file is not None:
            self._file.append(data)
        elif self._body is not None:
            self._bounded(self._body, data, self._limits.message)
        if control & _LAST:
            self._complete()

    def _begun(self) -> None:
        """The command is complete."""
        command = self._command = decode(bytes(self._encoded))
        if not command.has_data_set:
            self._complete()
        elif command.field == C_STORE:
            self._file = IncomingFile(
                self._folder,
                command.sop_class_uid,
                command.sop_instance_uid,
                self._syntaxes()[self._context_id],
                self._limits,
                self._small,
                self._scribe,
            )
            self._file.mover = command.mover
        else:
            self._body = bytearray()

    def _complete(self) -> None:
        """The request is complete: answer it."""
        command, context_id = self._command, self._context_id
        file, body, encoded = self._file, self._body, bytes(self._encoded)
        if command is None:
            raise Malformed("a data set without a command")
        self._reset()
        if command.field == C_STORE:
            self._services.respond(context_id, command, self._services.store(file))
        elif command.field == C_ECHO:
            self._services.respond(context_id, command, self._services.echo())
        elif command.field == N_EVENT_REPORT:
            self._services.other(context_id, encoded, None if body is None else bytes(body))
        elif command.field != C_CANCEL:  # which nothing here can obey
            raise Malformed(f"a request that was not negotiated (0x{command.field:04X})")

    @staticmethod
    def _bounded(held: bytearray, data: memoryview, most: int) -> None:
        if len(held) + len(data) > most:
            raise Malformed("a message is larger than this node accepts")
        held += data
