"""The streaming upper layer against the state table (PS3.8 9.2): who handles what, in which state.

The library's table stays in charge; ours is only P-DATA in Sta6. A new version of the library can
be taken when these pass.
"""

import fcntl
import os
import random
import socket
import struct
import threading

import pytest
from pynetdicom import AE
from pynetdicom.association import Association
from pynetdicom.fsm import TRANSITION_TABLE
from pynetdicom.presentation import build_context
from pynetdicom.sop_class import Verification

from dicom_service.errors import StorageFull
from dicom_service.node.limits import Limits
from dicom_service.node.stream import Answer, IncomingFile, attach
from dicom_service.node.stream.command import C_STORE, Command, Malformed, decode, response
from dicom_service.node.stream.file import file_start
from dicom_service.node.stream.inlet import Inlet
from dicom_service.node.stream.messages import Messages, Services
from dicom_service.node.stream.scribe import SHEET, Scribe
from dicom_service.store.digests import digest_of_bytes

CR = "1.2.840.10008.5.1.4.1.1.1"
EXPLICIT = "1.2.840.10008.1.2.1"
STATES = [f"Sta{n}" for n in range(2, 13)]


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


@pytest.mark.parametrize(
    "refused", ["when it is asked for", "at the first write", "never"], ids=lambda text: text
)
def test_a_file_system_that_wants_all_through_its_cache_gets_it_so(tmp_path, monkeypatch, refused):
    change, write, changes = fcntl.fcntl, os.write, []

    def asked(handle, command, flags=0):
        changes.append(flags)
        if refused == "when it is asked for" and flags & os.O_DIRECT:
            raise OSError(22, "Invalid argument")
        return change(handle, command, flags)

    def written(handle, data):
        if refused == "at the first write" and changes == [os.O_DIRECT]:
            raise OSError(22, "Invalid argument")
        return write(handle, data)

    monkeypatch.setattr("fcntl.fcntl", asked)
    monkeypatch.setattr("os.write", written)
    head = len(file_start(CR, "1.2.3", EXPLICIT))
    for size in (1, 4096 - head, SHEET - head, SHEET, 2 * SHEET - head + 1, 5 * SHEET + 77):
        changes.clear()
        data = random.Random(size).randbytes(size)
        file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits())
        file.append(memoryview(data))
        file.close()
        assert file.error is None
        assert file.path.read_bytes()[file.offset :] == data
        assert file.digest == digest_of_bytes(data)
        file.discard()


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


def test_a_disk_that_fills_behind_the_receivers_back_is_remembered(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    scribe = Scribe()
    file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits())
    monkeypatch.setattr("os.write", full)
    file.append(memoryview(b"data"))
    file.complete()
    assert isinstance(file.error, StorageFull)
    file.discard()
    scribe.close()
    assert list(tmp_path.iterdir()) == []


def test_what_a_scribes_job_raises_is_raised_to_who_waits_for_it():
    def broken():
        raise RuntimeError("of the job")

    scribe = Scribe()
    scribe.begin(broken, scribe.sheet())
    with pytest.raises(RuntimeError, match="of the job"):
        scribe.wait()
    scribe.close()


@pytest.mark.parametrize("most", [0, 64, 1000])
def test_a_response_fits_the_peers_pdus_and_says_the_same(most):
    command = Command(C_STORE, 9, True, CR, "1.2.3")
    stream = response(5, command, 0xA700, "no room", most)
    whole = b""
    while stream:
        length, value, context = struct.unpack_from(">LLB", stream, 2)
        assert context == 5
        assert not most or length <= most
        whole += stream[12 : 6 + length]
        assert value == length - 4
        stream = stream[6 + length :]
    assert struct.unpack_from("<H", whole, whole.index(b"\x00\x09\x02\x00\x00\x00") + 6) == (
        0xA700,
    )
    assert b"no room " in whole
    assert decode(whole).field == C_STORE | 0x8000


def test_what_an_aborted_association_left_is_removed(tmp_path):
    services = Services(lambda _: Answer(0), lambda: Answer(0), lambda *_: None, lambda *_: None)
    messages = Messages(tmp_path, 0, Limits(), lambda: {1: EXPLICIT}, services)
    messages.take(memoryview(pdu(pdv(1, 3, command_set(C_STORE, 0)), pdv(1, 0, b"half"))))
    assert len(list(tmp_path.iterdir())) == 1
    messages.close()
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_remembered_and_the_rest_of_the_object_is_dropped(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits())
    monkeypatch.setattr("os.write", full)
    file.append(memoryview(bytes(SHEET)))
    file.append(memoryview(b"more"))
    file.complete()
    assert isinstance(file.error, StorageFull)
    file.discard()
    assert list(tmp_path.iterdir()) == []


def test_an_object_without_end_is_given_up_at_the_limit(tmp_path):
    file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits(object=1000))
    for _ in range(100):
        file.append(memoryview(bytes(100)))
        file.complete()
    assert "larger than 1000" in str(file.error)
    assert file.path.stat().st_size <= 1000
    file.discard()


def test_a_command_that_lies_about_its_lengths_is_malformed():
    whole = command_set(C_STORE, 0)
    for end in range(1, len(whole)):
        try:
            decode(whole[:end])
        except Malformed:
            continue
        assert end == len(whole) - 14  # all but the last element: that one may be missing


def test_the_file_starts_as_the_library_would_write_it():
    from pydicom.uid import UID
    from pynetdicom.dsutils import create_file_meta, encode_file_meta

    for instance in ("1.2.3", "1.2.34"):
        meta = create_file_meta(
            sop_class_uid=UID(CR), sop_instance_uid=UID(instance), transfer_syntax=UID(EXPLICIT)
        )
        expected = bytes(128) + b"DICM" + encode_file_meta(meta)
        assert file_start(CR, instance, EXPLICIT) == expected
