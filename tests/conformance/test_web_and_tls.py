"""DICOMweb of our own node, and secure ports that are strict or careless."""

import contextlib
import socket
import ssl
import subprocess
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests

from dicom_service.passwords import hash_password
from test_pacs.clinic import Clinic

from .conftest import verdicts

WEB = ("clock", "stow", "qido", "wado")
TLS = ("tls-1.2", "tls-1.3", "tls-old", "tls-stranger", "tls-plain")


def test_dicomweb_of_our_own_node_passes_and_a_stranger_is_told_why(examine, tmp_path):
    with Clinic(tmp_path / "clinic") as clinic:
        clinic.service.store.add_user("ida", "V^Ida", hash_password("a long password"), ["reader"])
        session = requests.post(
            f"{clinic.service.address}api/session",
            json={"user": "ida", "password": "a long password"},
            timeout=30,
        )
        cookie = f"sesamoid={session.cookies['sesamoid']}"
        headers = (("Cookie", cookie), ("X-Sesamoid-Token", session.json()["csrf"]))
        web = f"{clinic.service.address}dicomweb"
        results = examine(clinic.archive.port, only=WEB, web=web, web_headers=headers)
        assert verdicts(results, "PASS") == set(WEB), results
        strangers = examine(clinic.archive.port, only=("stow", "qido"), web=web)
    assert verdicts(strangers, "FAIL") == {"stow", "qido"}
    assert "HTTP 401" in strangers["qido"].got


@pytest.fixture(scope="module")
def certificate(tmp_path_factory) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 that is its own authority, and its key."""
    folder = tmp_path_factory.mktemp("tls")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
         "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", "key.pem",
         "-out", "cert.pem"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    return folder / "cert.pem", folder / "key.pem"


@contextlib.contextmanager
def secure_port(certificate: tuple[Path, Path], *, careless: bool) -> Iterator[int]:
    """A port that makes the TLS handshake and then waits, as an acceptor does."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)
    if careless:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            context.minimum_version = ssl.TLSVersion.TLSv1
        context.set_ciphers("ALL:@SECLEVEL=0")
    else:
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.load_verify_locations(certificate[0])
        context.verify_mode = ssl.CERT_REQUIRED
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=_serve, args=(listener, context))
        thread.start()
        yield listener.getsockname()[1]
        listener.shutdown(socket.SHUT_RDWR)
        thread.join(10)


def _serve(listener: socket.socket, context: ssl.SSLContext) -> None:
    with contextlib.suppress(OSError):
        while True:
            plain, _ = listener.accept()
            with contextlib.suppress(OSError), plain:
                plain.settimeout(5)
                with context.wrap_socket(plain, server_side=True) as secure:
                    secure.settimeout(0.3)
                    with contextlib.suppress(TimeoutError):
                        secure.recv(1)
                    secure.sendall(b"\x07")


def _options(certificate: tuple[Path, Path], port: int) -> dict[str, Any]:
    cert, key = certificate
    return {"only": TLS, "tls_port": port, "tls_authority": cert, "tls_certificate": cert,
            "tls_key": key}  # fmt: skip


def test_a_strict_secure_port_passes(examine, certificate):
    with secure_port(certificate, careless=False) as port:
        results = examine(port, **_options(certificate, port))
    assert verdicts(results, "PASS") == set(TLS), results


def test_a_careless_secure_port_is_found_out(examine, certificate):
    with secure_port(certificate, careless=True) as port:
        results = examine(port, **_options(certificate, port))
    assert verdicts(results, "FAIL") == {"tls-old", "tls-stranger"}, results


def test_a_certificate_of_an_unknown_issuer_is_not_trusted(examine, certificate):
    with secure_port(certificate, careless=True) as port:
        options = {"only": ("tls-1.2",), "tls_port": port}
        results = examine(port, **options)
    assert "certificate verify failed" in results["tls-1.2"].got
