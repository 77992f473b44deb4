"""The audit trail over syslog, against real sockets."""

import datetime as dt
import re
import socket
import ssl
import threading
from collections.abc import Iterator
from xml.etree import ElementTree

import pytest

from dicom_service.audit import Forwarder
from dicom_service.audit.syslog import parse_address
from dicom_service.errors import PeerAway, SetupError
from dicom_service.settings import Settings
from dicom_service.store import Store
from tests.certificates import write_certificate

AT = dt.datetime(2026, 3, 1, 12, tzinfo=dt.UTC)
HEAD = re.compile(
    rb"<85>1 2026-03-01T12:00:0\d\.000000Z \S+ sesamoid \d+ DICOM\+RFC3881 - \xef\xbb\xbf"
)


class Collector:
    """A syslog server over TCP, also with TLS; counts octets as RFC 6587 says."""

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        self.messages: list[bytes] = []
        self._context = context
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        connection, _ = self._listening.accept()
        if self._context:
            plain = connection
            try:
                connection = self._context.wrap_socket(plain, server_side=True)
            except OSError:
                plain.close()
                return
        with connection, connection.makefile("rb") as stream:
            for _ in range(3):
                digits = b"".join(iter(lambda: stream.read(1), b" "))
                self.messages.append(stream.read(int(digits)))

    def close(self) -> None:
        self._thread.join(5)
        self._listening.close()


@pytest.fixture
def store(tmp_path) -> Iterator[Store]:
    store = Store(tmp_path / "data")
    for second, event in enumerate(("signed in", "study opened", "signed out")):
        store.audit(event, user="ida", at=AT + dt.timedelta(seconds=second))
    yield store
    store.close()


def _codes(messages: list[bytes]) -> list[str]:
    found = []
    for message in messages:
        head = HEAD.match(message)
        assert head, message
        root = ElementTree.fromstring(message[head.end() :])
        found.append(root.find("EventIdentification/EventID").get("csd-code"))
    return found


def test_over_udp_each_event_is_one_datagram(store):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(5)
        address = f"udp://127.0.0.1:{server.getsockname()[1]}"
        forwarder = Forwarder(Settings(audit_syslog=address), store)
        assert forwarder.forward() == 3
        forwarder.stop()
        assert _codes([server.recv(65536) for _ in range(3)]) == ["110114", "110103", "110114"]


def test_over_tcp_everything_comes_once_and_in_order_also_after_a_cut(store):
    first = Collector()
    settings = Settings(audit_syslog=f"tcp://127.0.0.1:{first.port}")
    forwarder = Forwarder(settings, store)
    assert forwarder.forward() == 3
    first.close()
    store.audit("node stopped", at=AT)
    with pytest.raises(PeerAway, match="is away"):
        forwarder.forward()
    assert store.audit_exported(settings.audit_syslog) == 3
    assert _codes(first.messages) == ["110114", "110103", "110114"]


def test_over_tls_the_server_must_be_one_that_the_given_authority_vouches_for(store, tmp_path):
    certificate, key = write_certificate(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    server = Collector(context)
    address = f"tls://127.0.0.1:{server.port}"
    trusted = Settings(audit_syslog=address, audit_syslog_ca=str(certificate))
    forwarder = Forwarder(trusted, store)
    assert forwarder.forward() == 3
    server.close()
    forwarder.stop()
    assert _codes(server.messages) == ["110114", "110103", "110114"]


def test_a_tls_server_that_nobody_vouches_for_gets_nothing(store, tmp_path):
    for name in ("theirs", "ours"):
        (tmp_path / name).mkdir()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*write_certificate(tmp_path / "theirs"))
    ours, _ = write_certificate(tmp_path / "ours")
    server = Collector(context)
    settings = Settings(audit_syslog=f"tls://127.0.0.1:{server.port}", audit_syslog_ca=str(ours))
    with pytest.raises(PeerAway, match=r"(?i)certificate"):
        Forwarder(settings, store).forward()
    server.close()
    assert server.messages == []
    with pytest.raises(SetupError, match="audit_syslog_ca"):
        Forwarder(settings.model_copy(update={"audit_syslog_ca": str(tmp_path / "none")}), store)


def test_the_thread_sends_what_is_new_until_it_is_stopped(store):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(5)
        address = f"udp://127.0.0.1:{server.getsockname()[1]}"
        forwarder = Forwarder(Settings(audit_syslog=address), store)
        forwarder.start()
        store.audit("node stopped", at=AT)
        forwarder.stop()
        assert _codes([server.recv(65536) for _ in range(4)])[-1] == "110100"


@pytest.mark.parametrize("text", ["syslog", "http://a", "udp://", "tcp://h:99999", "tcp://h/x"])
def test_a_wrong_address_is_said(text):
    with pytest.raises(SetupError, match="audit_syslog"):
        parse_address(text)
    assert parse_address("tls://logs.example").port == 6514
