"""Behind a TCP balancer: whose word on the caller's address counts, and what it may look like."""

import socket
import ssl
import struct
import time

import pytest

from dicom_service.errors import SetupError
from dicom_service.node.balancer import Balancers, NoHeader
from dicom_service.node.limits import Limits
from dicom_service.settings import Peer, Tls, load
from tests.node.certificates import Authority
from tests.node.conftest import is_open, wait_for

SIGNATURE = b"\r\n\r\n\0\r\nQUIT\n"
ACCEPTED, REJECTED = 2, 3
CAMERA = Peer(name="camera", ae_title="CAMERA", port=1, addresses=("10.7.0.0/16", "fd07::/16"))
LINE = b"PROXY TCP4 %b 10.0.0.2 40000 104\r\n"


def binary(source: str, command: int = 0x21, kind: int | None = None, more: bytes = b"") -> bytes:
    """A header of version 2."""
    family = socket.AF_INET6 if ":" in source else socket.AF_INET
    ours = "::1" if ":" in source else "10.0.0.2"
    body = socket.inet_pton(family, source) + socket.inet_pton(family, ours)
    body += struct.pack(">HH", 40000, 104) + more
    kind = kind if kind is not None else (0x21 if ":" in source else 0x11)
    return SIGNATURE + struct.pack(">BBH", command, kind, len(body)) + body


def request() -> bytes:
    """An association request of CAMERA for verification."""

    def item(kind: int, body: bytes) -> bytes:
        return struct.pack(">BBH", kind, 0, len(body)) + body

    syntaxes = item(0x30, b"1.2.840.10008.1.1") + item(0x40, b"1.2.840.10008.1.2")
    body = struct.pack(">HH", 1, 0) + b"SESAMOID".ljust(16) + b"CAMERA".ljust(16) + bytes(32)
    body += item(0x10, b"1.2.840.10008.3.1.1.1") + item(0x20, bytes([1, 0, 0, 0]) + syntaxes)
    body += item(0x50, item(0x51, struct.pack(">L", 16384)) + item(0x52, b"1.2.3"))
    return struct.pack(">BBL", 1, 0, len(body)) + body


def connect(port: int, source: str = "127.0.0.1") -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=10, source_address=(source, 0))


def answered(connection: socket.socket) -> int:
    """The type of the PDU that comes first; 0 when the connection is closed instead."""
    try:
        return (connection.recv(1) or b"\0")[0]
    except ConnectionResetError:
        return 0


def call(port: int, header: bytes, source: str = "127.0.0.1") -> int:
    with connect(port, source) as connection:
        connection.sendall(header + request())
        return answered(connection)


@pytest.fixture
def behind(start):
    """A node that believes a balancer at 127.0.0.1 and knows a camera in 10.7.0.0/16."""
    return start(balancers=("127.0.0.1",), peers_only=True, peers=(CAMERA,))


HEADERS = [
    (LINE % b"10.7.0.9", ACCEPTED),
    (LINE % b"10.8.0.9", REJECTED),
    (b"PROXY TCP6 fd07::9 ::1 40000 104\r\n", ACCEPTED),
    (b"PROXY TCP6 ::ffff:10.7.0.9 ::1 40000 104\r\n", ACCEPTED),
    (binary("10.7.0.9"), ACCEPTED),
    (binary("10.7.0.9", more=b"\x04\0\x03abc"), ACCEPTED),  # and an attribute that we skip
    (binary("10.8.0.9"), REJECTED),
    (binary("fd07::9"), ACCEPTED),
    (binary("fd08::9"), REJECTED),
    # It speaks for itself, and is not the camera.
    (b"PROXY UNKNOWN\r\n", REJECTED),
    (b"PROXY UNKNOWN 10.7.0.9 10.0.0.2 1 2\r\n", REJECTED),
    (binary("10.7.0.9", command=0x20), REJECTED),
    (binary("10.7.0.9", kind=0x00), REJECTED),
]


def test_the_address_that_the_balancer_names_decides_who_comes_in_and_is_noted(behind):
    assert [(header, call(behind.port, header)) for header, _ in HEADERS] == HEADERS
    wait_for(lambda: any("10.8.0.9" in row.detail for row in behind.store.audit_rows()))


NO_HEADERS = [
    b"",  # the request itself comes first: the balancer does not speak the protocol
    b"PROXY TCP4 10.7.0.9\r\n",
    b"PROXY TCP4 10.7.0.9 10.0.0.2 70000 104\r\n",
    b"PROXY TCP4 10.7.0.9 10.0.0.2 40000\r\n",
    b"PROXY TCP4 fd07::9 ::1 40000 104\r\n",
    b"PROXY TCP4  10.7.0.9 10.0.0.2 40000 104\r\n",
    b"PROXY TCP4 10.7.0.9\0 10.0.0.2 40000 104\r\n",
    b"PROXY UDP4 10.7.0.9 10.0.0.2 40000 104\r\n",
    b"PROXY " + b"A" * 200 + b"\r\n",
    b"PROXY TCP4 10.7.0.9 10.0.0.2 40000 104\n" + b"A" * 100,
    binary("10.7.0.9", command=0x22),
    binary("10.7.0.9", command=0x11),
    binary("10.7.0.9", kind=0x12),  # UDP
    binary("10.7.0.9", kind=0x31),  # a socket of its own machine
    SIGNATURE + struct.pack(">BBH", 0x21, 0x11, 4) + bytes(4),
    SIGNATURE + struct.pack(">BBH", 0x21, 0x11, 0xFFFF) + bytes(0xFFFF),
    SIGNATURE[:-1] + b"X" + binary("10.7.0.9")[12:],
]


def test_a_balancer_without_a_right_header_is_hung_up_on(behind, caplog):
    for header in NO_HEADERS:
        caplog.clear()
        assert call(behind.port, header) == 0, header
        assert "refused a connection of the balancer 127.0.0.1" in caplog.text
    assert call(behind.port, LINE % b"10.7.0.9") == ACCEPTED


def test_nobody_else_can_say_that_they_are_somebody_else(behind, caplog):
    for header in (LINE % b"10.7.0.9", binary("10.7.0.9")):
        caplog.clear()
        assert call(behind.port, header, "127.0.0.2") not in (ACCEPTED, REJECTED)
        assert "a PDU that is not accepted" in caplog.text
    assert call(behind.port, b"", "127.0.0.2") == REJECTED  # as itself it is heard, and unknown


def _drip(connection: socket.socket, data: bytes) -> None:
    for byte in data:
        connection.sendall(bytes([byte]))
        time.sleep(0.05)


def test_a_header_that_drips_or_breaks_off_delays_nobody(start, monkeypatch, caplog):
    header = binary("10.7.0.9")
    patient = start(balancers=("127.0.0.1",))
    with connect(patient.port) as slow:
        slow.sendall(header[:20])
        assert call(patient.port, header) == ACCEPTED
        assert is_open(slow)  # the other did not have to wait for its end
    wait_for(lambda: "hung up" in caplog.text)
    caplog.clear()
    monkeypatch.setattr("dicom_service.node.receiver.LIMITS", Limits(balancer_seconds=0.4))
    node = start(balancers=("127.0.0.1",))
    with connect(node.port) as slow:
        with pytest.raises(OSError, match=r"reset|pipe"):
            _drip(slow, header * 9)
        assert call(node.port, header) == ACCEPTED
    with connect(node.port) as broken:
        broken.sendall(header[:20])
        broken.shutdown(socket.SHUT_WR)
        assert answered(broken) == 0
    said = [line for line in caplog.messages if "balancer" in line]
    assert "too slowly" in said[0]
    assert "hung up" in said[1]
    with connect(node.port):  # only looks whether the port is open
        pass
    assert call(node.port, header) == ACCEPTED
    assert [line for line in caplog.messages if "balancer" in line] == said


def test_one_caller_behind_the_balancer_cannot_use_up_the_room_of_the_others(start, monkeypatch):
    bounds = Limits(connections_per_peer=2)
    monkeypatch.setattr("dicom_service.node.transport.LIMITS", bounds)
    node = start(balancers=("127.0.0.0/30",))
    held = [connect(node.port) for _ in range(6)]
    for connection in held:
        connection.sendall(LINE % b"10.7.0.9" + request())
    assert sorted(answered(connection) for connection in held) == [0, 0, 0, 0, ACCEPTED, ACCEPTED]
    assert call(node.port, LINE % b"10.7.0.9") == 0
    assert call(node.port, LINE % b"10.7.0.10") == ACCEPTED
    for connection in held:
        connection.close()


def test_on_the_secure_port_the_header_comes_before_the_handshake(start, tmp_path):
    authority = Authority(tmp_path, "clinic authority")
    node, camera = authority.issue("node"), authority.issue("camera")
    tls = Tls(
        listen=True,
        port=0,
        certificate=str(node.certificate),
        key=str(node.key),
        authority=str(authority.file),
    )
    running = start(balancers=("127.0.0.1",), peers_only=True, peers=(CAMERA,), tls=tls)
    context = ssl.create_default_context(cafile=str(authority.file))
    context.load_cert_chain(*camera)
    for address, answer in ((b"10.7.0.9", ACCEPTED), (b"10.8.0.9", REJECTED)):
        with connect(running.node.secure_port) as plain:
            plain.sendall(LINE % address)
            with context.wrap_socket(plain, server_hostname="127.0.0.1") as secure:
                secure.sendall(request())
                assert answered(secure) == answer
    with connect(running.node.secure_port) as plain:
        plain.sendall(b"\x16\x03\x01" + bytes(20))  # how a handshake begins
        assert answered(plain) == 0


def test_balancers_are_addresses_or_networks_also_in_the_environment():
    given = {"SESAMOID_BALANCERS": "10.0.0.2, 10.1.0.0/16"}
    known = Balancers(load(environment=given).balancers, 5)
    assert "10.0.0.2" in known
    assert "::ffff:10.1.2.3" in known
    assert "10.0.0.3" not in known
    assert "" not in known
    with pytest.raises(SetupError, match="balancers"):
        load(environment={"SESAMOID_BALANCERS": "balancer.example"})


def test_the_header_is_taken_and_not_a_byte_more():
    ours, theirs = socket.socketpair()
    with ours, theirs:
        for header in (LINE % b"10.7.0.9", binary("10.7.0.9"), b"PROXY UNKNOWN\r\n"):
            theirs.sendall(header + b"next")
            caller = Balancers(["10.0.0.2"], 5).caller(ours, ("10.0.0.2", 1))
            assert caller[0] == ("10.0.0.2" if b"UNKNOWN" in header else "10.7.0.9")
            assert ours.recv(100) == b"next"
        theirs.sendall(b"PROXY TCP4")
        theirs.close()
        with pytest.raises(NoHeader, match="hung up"):
            Balancers(["10.0.0.2"], 5).caller(ours, ("10.0.0.2", 1))
