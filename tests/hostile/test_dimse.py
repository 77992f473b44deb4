"""Hostile peers, each a named case: the node refuses or hangs up, says why on one line, keeps
nothing, and serves others meanwhile."""

import logging
import struct
import time
import tracemalloc

import pytest
from pydicom.encaps import encapsulate
from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRLittleEndian, JPEG2000Lossless

from dicom_service import imaging
from dicom_service.errors import BadObject
from dicom_service.node.limits import Limits
from tests.hostile.wire import (
    abort,
    associate_request,
    command,
    connected,
    hung_up,
    pdv,
    store_command,
)
from tests.node.conftest import CR, associate, image, is_open, wait_for

VERIFICATION = "1.2.840.10008.1.1"


def _established(port):
    """A connection on which an association for CR is accepted."""
    connection = connected(port)
    connection.sendall(associate_request([CR]))
    assert connection.recv(65536)[0] == 2
    return connection


@pytest.fixture
def served(running):
    """Afterwards the node still stores, and nothing of the hostile peer is left."""
    yield running
    assert running.send(image())[0].Status == 0
    wait_for(lambda: running.leftovers() == [])


def test_hundreds_of_half_open_connections_keep_nobody_out(served):
    held = []
    for _ in range(300):
        try:
            held.append(connected(served.port))
        except OSError:
            break
    assert len(held) > 200
    other = connected(served.port, "127.0.0.2")  # somebody else
    other.sendall(associate_request([VERIFICATION]))
    assert other.recv(65536)[0] == 2
    assert any(is_open(one) for one in held)  # nobody had to wait for their end
    other.sendall(abort())
    other.close()
    for one in held:
        one.close()
    wait_for(lambda: len(served.node._receiver._server.active_associations) < 5)


def test_a_request_that_drips_in_byte_by_byte_is_cut_off(start, monkeypatch):
    limits = Limits(handshake_seconds=0.6, idle_seconds=0.6)
    for part in ("transport", "receiver"):
        monkeypatch.setattr(f"dicom_service.node.{part}.LIMITS", limits)
    node = start()
    with connected(node.port) as slow:
        assert _cut_off(slow, associate_request([CR]))
    assert node.send(image())[0].Status == 0


def _cut_off(connection, data) -> bool:
    """Whether the node hangs up on somebody who sends byte by byte before all is sent."""
    try:
        for byte in data:
            connection.sendall(bytes([byte]))
            time.sleep(0.05)
    except OSError:
        return True
    return False


def test_an_object_that_never_ends_fills_no_disk(start, monkeypatch):
    limits = Limits(object=300_000)
    for part in ("incoming", "transport"):
        monkeypatch.setattr(f"dicom_service.node.{part}.LIMITS", limits, raising=False)
    node = start()
    with _established(node.port) as peer:
        peer.sendall(pdv(1, 3, store_command(CR, "1.2.3")))
        fragment = pdv(1, 0, bytes(100_000))
        for _ in range(100):
            try:
                peer.sendall(fragment)
            except OSError:
                break
        files = node.leftovers()
        assert all(file.stat().st_size <= 400_000 for file in files)
    assert node.send(image())[0].Status == 0
    wait_for(lambda: node.leftovers() == [])


def test_ten_thousand_empty_fragments_are_no_work(served):
    with _established(served.port) as peer:
        peer.sendall(pdv(1, 3, store_command(CR, "1.2.3")))
        peer.sendall(pdv(1, 0, b"") * 10_000)
        assert served.send(image())[0].Status == 0
        peer.sendall(abort())


LIES = {
    "a fragment longer than its PDU": struct.pack(">BBLLBB", 4, 0, 10, 5000, 1, 0) + bytes(4),
    "a fragment of no length": struct.pack(">BBLL", 4, 0, 4, 0),
    "a fragment of one byte": struct.pack(">BBLLB", 4, 0, 5, 1, 1),
    "a PDU without a fragment": struct.pack(">BBL", 4, 0, 0),
    "a context that was never negotiated": pdv(77, 3, command({})),
    "a command with an element longer than it": pdv(
        1, 3, struct.pack("<HHL", 0, 0, 4) + struct.pack("<LHHL", 8, 0, 2, 0xFFFFFFF0)
    ),
    "a second request for an association": associate_request([CR]),
    "a response to nothing": pdv(1, 3, command({0x0100: 0x8001, 0x0120: 9, 0x0900: 0})),
    "a data set before any command": pdv(1, 2, bytes(100)),
    "an unknown PDU": struct.pack(">BBL", 0x99, 0, 4) + bytes(4),
    "an accept from the wrong side": struct.pack(">BBL", 2, 0, 68) + bytes(68),
}


@pytest.mark.parametrize("lie", LIES)
def test_a_lie_on_the_wire_ends_that_association_only(served, lie):
    with _established(served.port) as peer:
        peer.sendall(LIES[lie])
        peer.settimeout(0.5)
        hung_up(peer)  # or it waits for the rest; closing ends it then
    wait_for(lambda: not served.node._receiver._server.active_associations)


def test_what_comes_out_of_turn_right_after_the_request_leaves_no_thread_behind(served):
    for lie in LIES.values():
        with connected(served.port) as peer:
            peer.sendall(associate_request([CR]) + lie)
            peer.settimeout(0.1)
            hung_up(peer)
    wait_for(lambda: not served.node._receiver._server.active_associations)


def _many_items(port) -> bytes:
    """An association request of 200 kB that is all tiny items with lying lengths."""
    body = associate_request([VERIFICATION])[6:74]
    item = struct.pack(">BBH", 0x20, 0, 4) + bytes([1, 0, 0, 0])
    user = struct.pack(">BBH", 0x50, 0, 40_000) + struct.pack(">BBHH", 0x56, 0, 65_000, 60_000) * 5
    return body + item * 20_000 + user


def test_a_request_of_countless_items_costs_little(served):
    data = _many_items(served.port)
    tracemalloc.start()
    try:
        with connected(served.port) as peer:
            peer.sendall(struct.pack(">BBL", 1, 0, len(data)) + data)
            assert peer.recv(100)[:1] in (b"\x03", b"\x07")  # rejected or aborted
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 100_000_000


def test_a_deflated_object_is_not_even_negotiated(served):
    association = associate(
        served.port, [(CR, DeflatedExplicitVRLittleEndian), (CR, ExplicitVRLittleEndian)]
    )
    accepted = {str(c.transfer_syntax[0]) for c in association.accepted_contexts}
    association.release()
    assert accepted == {str(ExplicitVRLittleEndian)}


PATHS = ["../../etc/passwd", "..", "/etc/passwd", "1.2/../3", "1.2\x00.3", "C:\\x", "a" * 64, ""]


@pytest.mark.parametrize("uid", PATHS)
def test_a_path_as_a_uid_names_no_file(served, tmp_path, uid):
    with _established(served.port) as peer:
        peer.sendall(pdv(1, 3, store_command(CR, uid)))
        peer.sendall(pdv(1, 2, bytes(200)))
        peer.settimeout(3)
        try:
            answer = peer.recv(65536)
        except (TimeoutError, ConnectionError):
            answer = b""
        assert b"\x00\x09\x02\x00\x00\x00\x00\x00" not in answer  # no status of success
    names = {file.name for file in served.store.folder.rglob("*") if file.is_file()}
    assert not [name for name in names if "passwd" in name or ".." in name]
    assert not list(tmp_path.rglob("*passwd*"))
    assert served.store.studies() == []


TITLES = ["../../x", "A\nINFO forged", "\x1b[2J", "%s%n%x", "${jndi:x}", "<script>"]


@pytest.mark.parametrize("title", TITLES)
def test_an_ae_title_cannot_forge_a_line_of_the_log(start, caplog, title):
    caplog.set_level(logging.DEBUG, "dicom_service")
    node = start(peers_only=True)
    with connected(node.port) as peer:
        peer.sendall(associate_request([CR], calling=title))
        assert peer.recv(100)[:1] in (b"\x03", b"\x07")
    wait_for(lambda: any("refused" in record.getMessage() for record in caplog.records))
    for record in caplog.records:
        text = record.getMessage()
        assert text.isprintable(), text


def test_an_object_bomb_in_jpeg_is_kept_and_never_decoded(served):
    siz = struct.pack(
        ">HHHLLLLLLLLH", 0xFF51, 41, 0, 100_000, 100_000, 0, 0, 100_000, 100_000, 0, 0, 1
    )
    stream = b"\xff\x4f" + siz + b"\x0f\x01\x01" + b"\xff\xd9"
    made = image(rows=10, columns=10)
    made.PixelData = encapsulate([stream])
    made["PixelData"].is_undefined_length = True
    made.file_meta.TransferSyntaxUID = JPEG2000Lossless
    association = served.associate([(CR, JPEG2000Lossless)])
    assert association.send_c_store(made).Status == 0
    association.release()
    (stored,) = served.store.instances(made.StudyInstanceUID)
    tracemalloc.start()
    with pytest.raises(BadObject, match="100000"):
        imaging.picture(stored.path, made)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 5_000_000
