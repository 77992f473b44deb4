"""The streaming upper layer against the state table (PS3.8 9.2): who handles what, in which state.

The library's table stays in charge; ours is only P-DATA in Sta6. A new version of the library can
be taken when these pass.
"""

import os
import random
import socket
import struct
import threading

import pytest
from pynetdicom.fsm import TRANSITION_TABLE

from dicom_service.node.stream.command import C_STORE, Command, decode
from dicom_service.node.stream.inlet import Inlet
from dicom_service.store.digests import digest_of_bytes
from tests.node.stream_line import ECHO, Line, command_set, pdu, pdv

STATES = [f"Sta{n}" for n in range(2, 13)]


@pytest.fixture
def line(tmp_path):
    made = []

    def make(**limits) -> Line:
        made.append(Line(tmp_path, **limits))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.mark.parametrize("state", [s for s in STATES if s != "Sta6"])
def test_p_data_outside_sta6_is_the_librarys_event(line, state):
    one = line()
    assert one.hear(ECHO, state) == ["Evt10"]
    assert ("Evt10", state) in TRANSITION_TABLE or state == "Sta4"


def test_p_data_in_sta6_is_answered_and_is_no_event(line):
    one = line()
    assert one.hear(ECHO, "Sta6") == []
    answer = one.peer.recv(1000)
    assert answer[0] == 4
    assert decode(answer[12:])._replace(sop_class_uid="") == Command(0x8030, 0, False, "", "")
    assert one.upper.state_machine.current_state == "Sta6"
    # What is skipped changes nothing: both events lead from Sta6 to Sta6.
    assert TRANSITION_TABLE[("Evt10", "Sta6")] == "DT-2"
    assert TRANSITION_TABLE[("Evt9", "Sta6")] == "DT-1"


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize(
    ("data", "event"),
    [
        (pdu(bytes(4), kind=5), "Evt12"),
        (pdu(bytes(4), kind=6), "Evt13"),
        (pdu(bytes(4), kind=7), "Evt16"),
        (pdu(bytes(4), kind=9), "Evt19"),
        (struct.pack(">BBL", 4, 0, 1 << 30), "Evt19"),
        (struct.pack(">BBL", 1, 0, 1 << 30), "Evt19"),
    ],
)
def test_every_other_pdu_is_its_event_in_every_state(line, state, data, event):
    assert line().hear(data, state) == [event]


@pytest.mark.parametrize("state", STATES)
def test_a_peer_that_hangs_up_is_evt17(line, state):
    one = line()
    one.peer.shutdown(socket.SHUT_WR)
    assert one.hear(b"", state) == ["Evt17"]


@pytest.mark.parametrize(
    "data",
    [
        pdu(pdv(3, 3, command_set(0x30, 0x0101))),  # a context that was not accepted
        pdu(pdv(1, 2, b"data first")),
        pdu(pdv(1, 3, b"no command")),
        pdu(pdv(1, 1, command_set(0x30, 0x0101)[:20]), pdv(1, 0, b"data in between")),
        pdu(struct.pack(">LBB", 1 << 31, 1, 3)),  # longer than the PDU that holds it
        pdu(struct.pack(">LBB", 1, 1, 3)),
        pdu(b"\0\0"),
        pdu(pdv(1, 3, command_set(0x20, 0x0101))),  # C-FIND
        pdu(pdv(1, 3, command_set(0x8001, 0x0101))),  # a response to nothing
    ],
)
def test_malformed_p_data_is_evt19(line, data):
    assert line().hear(data, "Sta6") == ["Evt19"]


def test_an_object_in_any_pieces_is_stored_with_its_digest(line, tmp_path):
    data = bytes(range(256)) * 700
    for size in (1, 100, 65_000):
        one = line()
        stream = pdu(pdv(1, 3, command_set(C_STORE, 0)))
        part = data[: size * 300]
        for start in range(0, len(part), size):
            last = 2 if start + size >= len(part) else 0
            stream += pdu(pdv(1, last, part[start : start + size]))
        for start in range(0, len(stream), 40_000):
            one.hear(stream[start : start + 40_000], "Sta6")
        assert one.stored == [(part, digest_of_bytes(part))]
        assert list(tmp_path.iterdir()) == []


def test_two_messages_and_a_release_in_one_packet_are_taken_in_order(line):
    one = line()
    assert one.hear(ECHO + ECHO + pdu(bytes(4), kind=5), "Sta6") == ["Evt12"]
    assert one.peer.recv(1000).count(b"\x04\x00\x00\x00\x00") >= 2


def test_nothing_more_of_a_pdu_is_served_once_an_answer_could_not_be_sent(line):
    """One PDU may hold thousands of requests, and each answer would be waited for anew."""
    one = line(idle_seconds=0.05)
    one.peer.shutdown(socket.SHUT_RD)
    object_ = [pdv(1, 3, command_set(C_STORE, 0)), pdv(1, 2, b"data")]
    assert one.hear(pdu(*object_ * 3) + pdu(*object_), "Sta6") == ["Evt17"]
    assert len(one.stored) == 1
    assert one.upper.inlet.pdu is None


def test_a_pdu_that_drips_in_is_waited_for_no_longer_than_allowed(line):
    one = line(idle_seconds=0.01)
    assert one.hear(ECHO[:10], "Sta6") == ["Evt19"]


def test_the_buffer_never_grows(line):
    one = line(pdu_accepted=1000)
    assert one.hear(struct.pack(">BBL", 4, 0, 1001), "Sta6") == ["Evt19"]
    assert len(one.upper.inlet._view) == 1006


def test_the_inlet_keeps_an_unfinished_pdu_when_it_makes_room():
    peer, ours = socket.socketpair()
    with peer, ours:
        ours.setblocking(False)
        inlet = Inlet(ours, 100)
        first, second = pdu(b"a" * 60), pdu(b"b" * 60)
        peer.sendall(first + second)
        inlet.fill()
        assert bytes(inlet.pdu) == first
        inlet.drop(len(first))
        assert inlet.pdu is None
        inlet.make_room()
        inlet.fill()
        assert bytes(inlet.pdu) == second


def mixed(data: bytes, shape: random.Random) -> bytes:
    """An object as P-DATA: mostly fragments of one length, now and then what nobody foretells."""
    length = shape.choice([5000, 16_372, 131_060])
    stream, at = pdu(pdv(1, 3, command_set(C_STORE, 0))), 0
    while at < len(data):
        sizes = [length] if shape.random() < 0.9 else [shape.randrange(1, 9000), 3, length]
        values = []
        for size in sizes[: 1 if shape.random() < 0.5 else None]:
            part = data[at : at + size]
            at += len(part)
            values.append(pdv(1, 2 if at >= len(data) else 0, part))
            if at >= len(data):
                break
        stream += pdu(*values)
    return stream


@pytest.mark.parametrize("seed", range(6))
def test_large_objects_in_any_fragments_and_packets_are_stored_with_their_digests(
    line, tmp_path, seed
):
    shape = random.Random(seed)
    one = line()
    data = shape.randbytes(6_000_000)
    parts = [data[: shape.randrange(1_000_000, len(data))] for _ in range(3)]
    whole = b"".join(mixed(part, shape) + ECHO for part in parts)
    most = shape.choice([3000, 200_000, 1 << 20])
    foretold = Seen(one.upper._straight.slots)
    one.upper._straight.slots = foretold

    def send() -> None:
        at = 0
        while at < len(whole):
            size = shape.randrange(1, most)
            one.peer.sendall(whole[at : at + size])
            at += size

    sender = threading.Thread(target=send)
    sender.start()
    while len(one.stored) < len(parts):
        assert one.hear(b"", "Sta6") == []
    sender.join()
    assert one.stored == [(part, digest_of_bytes(part)) for part in parts]
    assert foretold.several > 0
    assert list(tmp_path.iterdir()) == []
    one.upper._messages.close()


class Seen:
    """What was asked for: how often more than one place for what comes."""

    def __init__(self, slots) -> None:
        self._slots, self.several = slots, 0

    def __call__(self) -> list[memoryview]:
        found = self._slots()
        self.several += len(found) > 1
        return found


def test_an_abort_in_the_middle_of_a_large_object_is_heard_and_nothing_is_left(line, tmp_path):
    one = line()
    begun = pdu(pdv(1, 3, command_set(C_STORE, 0))) + pdu(pdv(1, 0, bytes(9000))) * 3
    assert one.hear(begun + pdu(pdv(1, 0, bytes(9000)))[:100], "Sta6") == []
    assert one.upper.inlet.pending_seconds > 0
    rest = pdu(pdv(1, 0, bytes(9000)))[100:]
    assert one.hear(rest, "Sta6") == []
    assert one.upper.inlet.pending_seconds == 0
    assert one.hear(pdu(bytes(4), kind=7), "Sta6") == ["Evt16"]
    one.upper._messages.close()
    assert list(tmp_path.iterdir()) == []


def test_a_large_object_is_digested_and_written_while_more_of_it_is_received(line, monkeypatch):
    one, writers = line(pdu_accepted=300_000), set()
    write = os.write

    def seen(*arguments):
        writers.add(threading.current_thread().name)
        return write(*arguments)

    monkeypatch.setattr("os.write", seen)
    part = bytes(range(256)) * 8000
    stream = pdu(pdv(1, 3, command_set(C_STORE, 0)))
    for start in range(0, len(part), 100_000):
        last = 2 if start + 100_000 >= len(part) else 0
        stream += pdu(pdv(1, last, part[start : start + 100_000]))
    for start in range(0, len(stream), 70_000):
        one.hear(stream[start : start + 70_000], "Sta6")
    assert one.stored == [(part, digest_of_bytes(part))]
    assert writers == {"scribe"}
    one.upper._messages.close()
