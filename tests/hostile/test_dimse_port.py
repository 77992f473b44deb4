"""Clients that are silent, slow, endless or many: the node stays up and others are served.

All on loopback and bounded: a flood comes from one address of 127/8, the honest sender from
another.
"""

import contextlib
import socket
import struct
import threading
import time
from types import SimpleNamespace

import pytest
from pynetdicom import AE

from dicom_service.node import Node, transport
from dicom_service.node.limits import Limits
from dicom_service.settings import Settings
from dicom_service.store import Store
from tests.node.conftest import HANG_SECONDS, is_open, wait_for

VERIFICATION = "1.2.840.10008.1.1"
_ENDED = r"reset|pipe|closed"
CR = "1.2.840.10008.5.1.4.1.1.1"


@pytest.fixture
def node(tmp_path, monkeypatch):
    """Starts a node with given limits; returns its port."""
    running = []

    def start(**limits) -> int:
        bounds = Limits(**limits)
        monkeypatch.setattr("dicom_service.node.transport.LIMITS", bounds)
        monkeypatch.setattr("dicom_service.node.receiver.LIMITS", bounds)
        store = Store(tmp_path / "node")
        settings = Settings(data_folder=tmp_path / "node", dimse_port=0)
        made = Node(settings, store, lambda _: None)
        made.start()
        running.append((made, store))
        return made.dimse_port

    yield start
    for made, store in running:
        made.stop()
        store.close()


def connect(port: int, source: str = "127.0.0.1") -> socket.socket:
    made = ("127.0.0.1", port)
    return socket.create_connection(made, timeout=HANG_SECONDS, source_address=(source, 0))


def echoes(port: int) -> bool:
    entity = AE("CAMERA")
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = HANG_SECONDS
    entity.add_requested_context(VERIFICATION)
    association = entity.associate("127.0.0.1", port, ae_title="SESAMOID")
    if not association.is_established:
        return False
    status = association.send_c_echo()
    association.release()
    return status.get("Status") == 0


def _drip(connection: socket.socket, count: int) -> None:
    """So many bytes, one by one; an error when the node hangs up before."""
    for _ in range(count):
        connection.sendall(b"x")
        time.sleep(0.1)


def hangs_up(connection: socket.socket) -> bool:
    connection.settimeout(HANG_SECONDS)
    try:
        while connection.recv(65536):
            pass
    except TimeoutError:
        return False
    except OSError:
        return True
    return True


def associated(port: int) -> socket.socket:
    """A bare connection with an association for CR images as context 1."""

    def item(kind: int, body: bytes) -> bytes:
        return struct.pack(">BBH", kind, 0, len(body)) + body

    syntaxes = item(0x30, CR.encode()) + item(0x40, b"1.2.840.10008.1.2.1")
    user = item(0x51, struct.pack(">L", 16384)) + item(0x52, b"1.2.3")
    body = struct.pack(">HH", 1, 0) + b"SESAMOID".ljust(16) + b"CAMERA".ljust(16) + bytes(32)
    body += item(0x10, b"1.2.840.10008.3.1.1.1")
    body += item(0x20, bytes([1, 0, 0, 0]) + syntaxes) + item(0x50, user)
    connection = connect(port)
    connection.sendall(struct.pack(">BBL", 1, 0, len(body)) + body)
    assert connection.recv(1)[0] == 2
    connection.recv(65536)
    return connection


def store_request() -> bytes:
    def element(number: int, value: bytes) -> bytes:
        value += b"\0" * (len(value) % 2)
        return struct.pack("<HHL", 0, number, len(value)) + value

    command = element(2, CR.encode()) + element(0x100, b"\1\0") + element(0x110, b"\1\0")
    command += element(0x700, b"\0\0") + element(0x800, b"\1\0") + element(0x1000, b"1.2.3.4")
    return fragment(3, command)


def fragment(control: int, data: bytes) -> bytes:
    value = struct.pack(">LBB", len(data) + 2, 1, control) + data
    return struct.pack(">BBL", 4, 0, len(value)) + value


def test_hundreds_of_half_open_connections_from_one_address_keep_nobody_else_out(node):
    port = node()
    held = []
    try:
        for _ in range(300):
            with contextlib.suppress(OSError):
                held.append(connect(port, "127.0.0.2"))
        assert len(held) > 250
        assert echoes(port)
        assert any(is_open(one) for one in held)  # nobody had to wait for their end
    finally:
        for connection in held:
            connection.close()
    assert echoes(port)


def test_threads_of_connections_that_are_about_to_end_keep_nobody_out(node, monkeypatch):
    ending = [SimpleNamespace(is_acceptor=True)] * 1000
    monkeypatch.setattr(AE, "active_associations", property(lambda _: ending))
    assert echoes(node())


def test_hundreds_of_connections_that_come_and_go_leave_no_thread_behind(node):
    port = node()
    before = threading.active_count()
    for _ in range(300):
        connect(port, "127.0.0.2").close()
    wait_for(lambda: threading.active_count() <= before)
    assert echoes(port)


def test_a_request_that_drips_in_is_cut_off_at_the_handshake_time(node):
    port = node(handshake_seconds=1.0)
    with connect(port) as slow:
        slow.sendall(struct.pack(">BBL", 1, 0, 200))
        with pytest.raises(OSError, match=_ENDED):
            _drip(slow, 199)
    assert echoes(port)


def test_a_silent_connection_is_closed_at_the_handshake_time(node):
    port = node(handshake_seconds=0.5)
    with connect(port) as silent:
        assert hangs_up(silent)


def test_an_association_that_falls_silent_is_closed(node):
    port = node(idle_seconds=0.5)
    with associated(port) as silent:
        assert hangs_up(silent)


def test_an_object_that_drips_in_byte_by_byte_is_cut_off_and_removed(node, tmp_path):
    port = node(idle_seconds=0.7)
    with associated(port) as slow:
        slow.sendall(store_request() + fragment(0, bytes(10_000))[:100])
        with pytest.raises(OSError, match=_ENDED):
            _drip(slow, 9000)
    wait_for(lambda: not list((tmp_path / "node" / "incoming").iterdir()))


def test_fragments_without_end_are_dropped_beyond_the_limit_and_answered(node, tmp_path):
    port = node(object=1_000_000)
    with associated(port) as endless:
        endless.sendall(store_request() + fragment(0, bytes(100_000)) * 50)
        sizes = [file.stat().st_size for file in (tmp_path / "node" / "incoming").iterdir()]
        assert all(size <= 1_000_000 for size in sizes)
        endless.sendall(fragment(2, b""))
        endless.settimeout(10)
        answer = endless.recv(4096)
        assert struct.pack("<HHLH", 0, 0x0900, 2, 0xA900) in answer
        assert b"larger than" in answer
    assert echoes(port)


def test_a_client_that_never_reads_its_answers_is_given_up(node, monkeypatch):
    attach = transport.attach

    def few(association, connection, *given, **named):
        # The system would hold ten thousands of answers for a peer before it takes no more.
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        attach(association, connection, *given, **named)

    monkeypatch.setattr(transport, "attach", few)
    port = node(idle_seconds=0.5)
    with associated(port) as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        request = store_request() + fragment(2, b"no object")
        deaf.settimeout(HANG_SECONDS)
        with pytest.raises(OSError, match=_ENDED):
            deaf.sendall(request * 100_000)
    assert echoes(port)


def test_an_abort_in_the_middle_of_an_object_leaves_nothing(node, tmp_path):
    port = node()
    for _ in range(5):
        with associated(port) as rude:
            rude.sendall(store_request() + fragment(0, bytes(50_000)))
            rude.sendall(struct.pack(">BBL4x", 7, 0, 4))
            assert hangs_up(rude)
    wait_for(lambda: not list((tmp_path / "node" / "incoming").iterdir()))


@pytest.mark.parametrize("kind", [1, 2, 3, 4, 5, 6, 7])
def test_a_header_that_claims_a_gigabyte_is_refused_before_association(node, kind):
    port = node()
    with connect(port) as liar:
        liar.sendall(struct.pack(">BBL", kind, 0, 1 << 30))
        assert hangs_up(liar)
