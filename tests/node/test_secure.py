"""The secure port: who gets in, who does not, and that nobody can keep others out."""

import contextlib
import socket
import ssl
import struct
import subprocess
import threading
from types import SimpleNamespace

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from pydicom.uid import ExplicitVRLittleEndian
from pynetdicom import AE

from dicom_service.conformance import tls as checks
from dicom_service.conformance.model import Target
from dicom_service.errors import PeerAway, SetupError
from dicom_service.node import echo
from dicom_service.node.limits import Limits
from dicom_service.settings import Peer, Tls
from tests.node.certificates import Authority
from tests.node.conftest import CR, HANG_SECONDS, associate, image, is_open, wait_for

ECHO = [("1.2.840.10008.1.1", "1.2.840.10008.1.2")]


class Papers:
    def __init__(self, folder):
        self.folder = folder
        self.authority = Authority(folder, "clinic authority")
        self.node = self.authority.issue("node")
        self.camera = self.authority.issue("camera")

    def settings(self, **changes) -> Tls:
        values = {
            "listen": True,
            "port": 0,
            "certificate": str(self.node.certificate),
            "key": str(self.node.key),
            "authority": str(self.authority.file),
        } | changes
        return Tls(**values)

    def client(self, pair=None, version=None) -> ssl.SSLContext:
        context = ssl.create_default_context(cafile=str(self.authority.file))
        if pair:
            context.load_cert_chain(*pair)
        if version:
            context.minimum_version = context.maximum_version = version
        return context


@pytest.fixture(scope="module")
def papers(tmp_path_factory):
    return Papers(tmp_path_factory.mktemp("papers"))


@pytest.fixture
def secure(start, papers):
    def begin(**options):
        return start(tls=papers.settings(**options.pop("tls", {})), **options)

    return begin


def _call(node, context, contexts=((CR, ExplicitVRLittleEndian),)):
    entity = AE("CAMERA")
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 10
    for sop_class, syntax in contexts:
        entity.add_requested_context(sop_class, syntax)
    return entity.associate(
        "127.0.0.1", node.node.secure_port, ae_title="SESAMOID", tls_args=(context, "127.0.0.1")
    )


def _refused(node, context) -> bool:
    """Whether the handshake fails; with TLS 1.3 that shows at the first read."""
    try:
        with (
            socket.create_connection(("127.0.0.1", node.node.secure_port), 5) as plain,
            context.wrap_socket(plain, server_hostname="127.0.0.1") as ours,
        ):
            ours.settimeout(1.0)
            return ours.recv(1) == b""
    except TimeoutError:
        return False
    except OSError:
        return True


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_a_caller_with_a_certificate_of_our_authority_stores(secure, papers, version):
    node = secure()
    sent = image(rows=900, columns=1500)
    association = _call(node, papers.client(papers.camera, version))
    assert association.is_established
    assert association.send_c_store(sent).Status == 0
    association.release()
    (stored,) = node.store.instances(sent.StudyInstanceUID)
    assert stored.path.read_bytes().endswith(sent.PixelData)
    assert stored.source == "CAMERA@127.0.0.1"


def test_the_plain_port_is_open_beside_it_unless_only_is_set(secure, papers):
    assert secure().send(image())[0].Status == 0
    node = secure(tls={"only": True})
    assert node.port == 0
    association = _call(node, papers.client(papers.camera))
    assert association.is_established
    association.release()
    listening = node.node._receiver._server.socket
    assert listening.fileno() == -1


def test_those_without_a_good_certificate_are_refused(secure, papers, tmp_path, caplog):
    node = secure()
    stranger = Authority(tmp_path, "some other authority").issue("stranger")
    expired = papers.authority.issue("expired", days=-1)
    assert _refused(node, papers.client())
    assert _refused(node, papers.client(stranger))
    assert _refused(node, papers.client(expired))
    assert not _refused(node, papers.client(papers.camera))
    assert caplog.text.lower().count("no secure connection with 127.0.0.1") == 3


def test_old_versions_and_weak_ciphers_are_refused(secure, papers):
    node = secure()
    old = papers.client(papers.camera)
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
    old.set_ciphers("ALL:@SECLEVEL=0")
    assert _refused(node, old)
    weak = papers.client(papers.camera, ssl.TLSVersion.TLSv1_2)
    weak.set_ciphers("ECDHE+AES+SHA256:ECDHE+AES+SHA384:!AESGCM:!AESCCM")
    assert _refused(node, weak)


def test_a_plain_caller_on_the_secure_port_is_hung_up_on(secure):
    node = secure()
    with socket.create_connection(("127.0.0.1", node.node.secure_port), 5) as plain:
        plain.sendall(struct.pack(">BBL", 1, 0, 200) + bytes(200))
        plain.settimeout(5)
        answer = b""
        with contextlib.suppress(ConnectionResetError):
            answer = plain.recv(100)
        assert answer[:1] in (b"", b"\x15")  # nothing, or an alert of TLS


def test_silent_callers_block_nobody_and_are_hung_up_on(secure, papers, monkeypatch):
    limits = Limits(handshake_seconds=HANG_SECONDS)
    monkeypatch.setattr("dicom_service.node.secure_port.LIMITS", limits)
    node = secure()
    address = ("127.0.0.1", node.node.secure_port)
    silent = [socket.create_connection(address, HANG_SECONDS) for _ in range(20)]
    association = _call(node, papers.client(papers.camera), ECHO)
    assert association.send_c_echo().Status == 0
    assert all(is_open(one) for one in silent)  # nobody had to wait for their end
    association.release()
    monkeypatch.setattr("dicom_service.node.secure_port.LIMITS", Limits(handshake_seconds=0.5))
    short = [socket.create_connection(address, HANG_SECONDS) for _ in range(20)]
    for one in short:
        assert one.recv(1) == b""
    for one in (*silent, *short):
        one.close()


def test_one_address_cannot_take_all_secure_connections(secure, papers, monkeypatch):
    monkeypatch.setattr("dicom_service.node.secure_port.LIMITS", Limits(connections_per_peer=2))
    node = secure()
    address = ("127.0.0.1", node.node.secure_port)
    held = [socket.create_connection(address, 5) for _ in range(2)]
    wait_for(lambda: len(node.node._receiver._secure._open) == 2)
    assert _refused(node, papers.client(papers.camera))
    for one in held:
        one.close()
    wait_for(lambda: not node.node._receiver._secure._open)
    assert not _refused(node, papers.client(papers.camera))


def test_dcmtk_stores_over_tls_and_is_refused_without_our_trust(secure, papers, tmp_path):
    node = secure()
    file = tmp_path / "image.dcm"
    sent = image(rows=600, columns=400)
    sent.save_as(file, enforce_file_format=True)
    stranger = Authority(tmp_path, "other").issue("stranger")

    def storescu(*options) -> int:
        command = ["/usr/bin/storescu", "-aec", "SESAMOID", *options, "127.0.0.1"]
        command += [str(node.node.secure_port), str(file)]
        return subprocess.run(command, capture_output=True, timeout=30, check=False).returncode

    trust = ["+cf", str(papers.authority.file)]
    ours = ["+tls", str(papers.camera.key), str(papers.camera.certificate)]
    assert storescu(*ours, *trust) == 0
    assert len(node.store.instances(sent.StudyInstanceUID)) == 1
    assert storescu("+tls", str(stranger.key), str(stranger.certificate), *trust) != 0
    assert storescu("+tla", *trust) != 0
    assert storescu() != 0  # plain


def test_our_own_examination_of_a_secure_port_finds_nothing_wrong(secure, papers):
    node = secure()
    peer = Peer(name="node", ae_title="SESAMOID", host="127.0.0.1", port=node.port)
    target = Target(
        peer=peer,
        tls_port=node.node.secure_port,
        tls_authority=papers.authority.file,
        tls_certificate=papers.camera.certificate,
        tls_key=papers.camera.key,
        answer_seconds=5,
    )
    run = SimpleNamespace(target=target)
    for check in (
        checks.taken(ssl.TLSVersion.TLSv1_2),
        checks.taken(ssl.TLSVersion.TLSv1_3),
        checks.old_refused,
        checks.stranger_refused,
        checks.plain_refused,
    ):
        assert check(run).verdict == "PASS", check(run)


@pytest.fixture
def tls_archive(tmp_path, papers):
    """An archive behind a secure port, DCMTK's."""
    folder = tmp_path / "taken"
    folder.mkdir()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    pair = papers.authority.issue("archive")
    command = ["/usr/bin/storescp", "+tls", str(pair.key), str(pair.certificate), "+cf"]
    command += [str(papers.authority.file), "-aet", "ARCHIVE", "-od", str(folder), str(port)]
    process = subprocess.Popen(command)
    yield port, folder
    process.kill()
    process.wait()


def test_reports_are_delivered_over_tls(start, papers, tls_archive):
    port, folder = tls_archive
    peer = Peer(name="archive", ae_title="ARCHIVE", port=port, tls=True, commitment=False)
    wait_for(lambda: _answers(peer, papers))
    node = start(peers=(peer,), archive="archive", tls=papers.settings(listen=False))
    study = node.ready_study()
    node.sign(study)
    wait_for(lambda: node.delivery(study)[0] == "sent")
    assert len(list(folder.iterdir())) == 1


def _answers(peer, papers) -> bool:
    try:
        echo(peer, "SESAMOID", 5, papers.settings())
    except PeerAway:
        return False
    return True


def test_a_peer_whose_certificate_names_another_host_gets_nothing(papers):
    pair = papers.authority.issue("elsewhere", hosts=[x509.DNSName("elsewhere.example")])
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*pair)
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def once():
            connection, _ = listener.accept()
            with connection:
                try:
                    context.wrap_socket(connection, server_side=True).close()
                except OSError:
                    return

        thread = threading.Thread(target=once)
        thread.start()
        port = listener.getsockname()[1]
        peer = Peer(name="archive", ae_title="ARCHIVE", port=port, tls=True)
        with pytest.raises(PeerAway):
            echo(peer, "SESAMOID", 5, papers.settings())
        thread.join()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"certificate": ""}, "needs the setting 'certificate'"),
        ({"authority": "nowhere.pem"}, "nowhere.pem of the setting 'authority'"),
        ({"key": "camera.key"}, "cannot be used together"),
        ({"authority": "camera.key"}, "no certificate of an authority"),
        ({"revoked": "nowhere.pem"}, "nowhere.pem of the setting 'revoked'"),
        ({"revoked": "camera.key"}, "holds no revocation list"),
        ({"revoked": "camera.pem"}, "but no revocation list"),
    ],
)
def test_papers_that_are_wrong_are_named_when_the_node_starts(secure, papers, change, words):
    change = {name: str(papers.folder / v) if "camera" in v else v for name, v in change.items()}
    with pytest.raises(SetupError, match=words):
        secure(tls=change)


def _fingerprint(pair) -> str:
    made = x509.load_pem_x509_certificate(pair.certificate.read_bytes())
    return made.fingerprint(hashes.SHA256()).hex(":").upper()


@pytest.mark.parametrize("by", ["fingerprint", "name"])
def test_a_title_that_is_bound_to_a_certificate_is_for_its_holder_alone(secure, papers, by, caplog):
    bound = _fingerprint(papers.camera) if by == "fingerprint" else "CN=camera"
    camera = Peer(name="camera", ae_title="CAMERA", port=104, certificate=bound)
    node = secure(peers=(camera,))
    association = _call(node, papers.client(papers.camera))
    assert association.is_established
    association.release()
    other = _call(node, papers.client(papers.authority.issue("other")))
    assert other.is_rejected
    assert associate(node.port, ECHO).is_rejected  # the plain port shows nothing
    node.associate(ECHO, calling="SOMEBODY").release()  # nobody has claimed this title
    assert "does not show the certificate" in caplog.text


def test_a_revoked_certificate_is_refused_as_soon_as_the_list_says_so(secure, papers, caplog):
    lost = papers.authority.issue("lost")
    list_ = papers.authority.revoke()
    node = secure(tls={"revoked": str(list_)})
    assert not _refused(node, papers.client(lost))
    assert papers.authority.revoke(lost) == list_
    assert _refused(node, papers.client(lost))
    assert not _refused(node, papers.client(papers.camera))
    list_.write_text("no list at all")
    assert _refused(node, papers.client(lost))  # the old list stays
    assert "the old ones stay" in caplog.text
    papers.authority.revoke(days=-1)
    assert _refused(node, papers.client(papers.camera))  # an old list says nothing for sure


def test_a_renewed_certificate_is_shown_without_a_new_start(secure, papers):
    pair = papers.authority.issue("renewed")
    node = secure(tls={"certificate": str(pair.certificate), "key": str(pair.key)})
    before = _shown_by_node(node, papers)
    papers.authority.issue("renewed")
    assert _shown_by_node(node, papers) != before


def _shown_by_node(node, papers) -> bytes:
    with (
        socket.create_connection(("127.0.0.1", node.node.secure_port), 5) as plain,
        papers.client(papers.camera).wrap_socket(plain, server_hostname="127.0.0.1") as ours,
    ):
        return ours.getpeercert(binary_form=True)


def test_a_port_in_use_is_a_sentence(secure):
    first = secure()
    with pytest.raises(SetupError, match="secure DICOM port"):
        secure(tls={"port": first.node.secure_port})
    assert associate(first.port, ECHO).is_established
