"""A long data set from the socket to where it is written from, without a copy in between.

Nearly all of a large object comes in P-DATA PDUs of the same length with one fragment each. Once
one of them has begun, what follows is foretold: the rest of it, then heads and fragments like it.
They are received apart, the fragments one behind the other into the file's sheet. Whatever is not
as foretold, the last fragment as a rule, goes into the inlet and the ordinary way.
"""

from dicom_service.node.stream.inlet import Inlet
from dicom_service.node.stream.messages import FRAGMENT_HEAD, Messages

_SHORTEST = 4096
"""Bytes of a fragment; with shorter ones there would be more heads than is worth the while."""


class Straight:
    """Fills an inlet, or with what is foretold the file of the object that is under way."""

    def __init__(self, inlet: Inlet, messages: Messages) -> None:
        self._inlet = inlet
        self._messages = messages
        self._head = b""
        """What stands before each fragment; b"": nothing is foretold."""
        self._whole = self._left = 0
        """Bytes of a fragment, and those of the present one that are still to come."""
        self._heads = memoryview(bytearray(FRAGMENT_HEAD * (1 + inlet.capacity // _SHORTEST)))

    def foretell(self) -> None:
        """Everything complete was taken from the inlet: look at what has begun to come."""
        start = bytes(self._inlet.pending[:FRAGMENT_HEAD])
        length = self._messages.plain_fragment(start)
        if length < _SHORTEST:
            return
        begun = self._inlet.pending[FRAGMENT_HEAD:]
        self._messages.large.append(begun)
        self._head, self._whole, self._left = start, length, length - len(begun)
        self._inlet.waits()

    def slots(self) -> list[memoryview]:
        """Where the next bytes go, in turn: foretold fragments into the sheet, heads beside."""
        if not self._head:
            self._inlet.make_room()
            return [self._inlet.room]
        room = self._messages.large.room()
        most, at, left, heads = self._inlet.capacity, 0, self._left, 0
        slots: list[memoryview] = []
        while True:
            part = min(left, len(room) - at, most)
            if part:
                slots.append(room[at : at + part])
            at, most = at + part, most - part - FRAGMENT_HEAD
            if part < left or at == len(room) or most <= 0:
                return slots
            slots.append(self._heads[heads : heads + FRAGMENT_HEAD])
            heads, left = heads + FRAGMENT_HEAD, self._whole

    def sort(self, slots: list[memoryview], count: int) -> None:
        """So many bytes came: count those of the file, and leave to the inlet the others."""
        if not self._head:
            self._inlet.filled(count)
            return
        came = 0
        for number, slot in enumerate(slots):
            if not count:
                break
            if not self._left:
                if count < FRAGMENT_HEAD or slot != self._head:
                    self._head = b""
                    self._inlet.put(b"".join(slots[number:])[:count])
                    break
                count -= FRAGMENT_HEAD
                self._left = self._whole
                self._inlet.waits()
            else:
                part = min(count, len(slot))
                came, count, self._left = came + part, count - part, self._left - part
        if self._head and not self._left:
            self._inlet.clear()
        self._messages.large.filled(came)
