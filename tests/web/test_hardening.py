"""TLS without a proxy, trusted proxies, rates, waits after wrong passwords, who saw what."""

import logging
import re
import socket
import ssl
from pathlib import Path

import numpy as np
import pytest
import requests
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from dicom_service import web
from dicom_service.errors import SetupError
from dicom_service.quiet_logs import QuietFormatter
from dicom_service.settings import Settings
from dicom_service.web import serve
from dicom_service.web.rates import Rates, TooManyRequests
from dicom_service.web.throttle import Throttle, TooManyTries
from tests.certificates import write_certificate
from tests.node.conftest import is_open
from tests.web.conftest import PASSWORD, SignedIn, image


@pytest.fixture
def encrypted(app, tmp_path):
    certificate, key = write_certificate(tmp_path)
    settings = Settings(http_port=0, http_tls_certificate=str(certificate), http_tls_key=str(key))
    server = serve(app, settings)
    yield server, str(certificate)
    server.stop()


def test_pages_are_served_over_tls_and_the_cookie_is_for_tls_only(encrypted, keep):
    server, certificate = encrypted
    base = f"https://127.0.0.1:{server.port}"
    with requests.Session() as session:
        session.verify, session.trust_env = certificate, False
        sent = {"user": "ida", "password": PASSWORD}
        answer = session.post(f"{base}/api/session", json=sent, timeout=10)
        assert answer.status_code == 200
        assert "Secure" in answer.headers["Set-Cookie"]
        assert answer.headers["Strict-Transport-Security"].startswith("max-age=")
        made = image(np.zeros((1000, 1500), np.uint16))
        answer = session.get(f"{base}{keep(made)}", headers={"Accept": "*/*"}, timeout=10)
        assert len(answer.content) > 3_000_000


def test_a_large_body_is_taken_over_tls(encrypted):
    server, certificate = encrypted
    body = b'{"user": "' + b"x" * 3_000_000 + b'"}'
    answer = requests.post(
        f"https://127.0.0.1:{server.port}/api/session",
        data=body, headers={"Content-Type": "application/json"}, verify=certificate, timeout=10,
    )  # fmt: skip
    assert answer.status_code == 422


def test_silent_plain_and_outdated_callers_do_not_keep_others_out(encrypted):
    server, certificate = encrypted
    silent = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(20)]
    plain = socket.create_connection(("127.0.0.1", server.port), 5)
    plain.sendall(b"GET / HTTP/1.1\r\n\r\n")
    old = ssl.create_default_context(cafile=certificate)
    old.minimum_version, old.maximum_version = ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_2
    old.set_ciphers("AES256-SHA:AES128-SHA")
    with (
        socket.create_connection(("127.0.0.1", server.port), 5) as raw,
        pytest.raises((ssl.SSLError, ConnectionResetError)),
    ):
        old.wrap_socket(raw, server_hostname="localhost")
    address = f"https://127.0.0.1:{server.port}/api/health"
    assert requests.get(address, verify=certificate, timeout=60).status_code == 200
    assert all(is_open(one) for one in silent)  # nobody had to wait for their end
    with pytest.raises(ConnectionResetError):
        plain.recv(100)
    for connection in (*silent, plain):
        connection.close()


def test_a_wrong_certificate_is_said(app, tmp_path):
    settings = Settings(http_port=0, http_tls_certificate=str(tmp_path / "none.pem"))
    with pytest.raises(SetupError, match="http_tls_certificate"):
        serve(app, settings)


@pytest.mark.parametrize(
    ("proxy", "secure"), [("127.0.0.1", True), ("", False), ("10.9.9.9", False)]
)
def test_only_the_trusted_proxy_is_believed(app, proxy, secure):
    server = serve(app, Settings(http_port=0, trusted_proxy=proxy))
    headers = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.5"}
    answer = requests.get(f"http://127.0.0.1:{server.port}/login", headers=headers, timeout=5)
    server.stop()
    assert ("Strict-Transport-Security" in answer.headers) is secure


def test_an_address_that_asks_too_much_is_slowed_down_and_others_are_served(app, reader):
    now = [0.0]
    rates = Rates(2, lambda: now[0])
    for _ in range(20):
        rates.take("10.0.0.1")
    with pytest.raises(TooManyRequests):
        rates.take("10.0.0.1")
    rates.take("10.0.0.2")
    now[0] = 1.0
    rates.take("10.0.0.1")
    rates = app.extensions["sesamoid"].rates
    rates._clock = lambda: 0.0
    assert {reader.get("/api/session").status_code for _ in range(2000)} == {200}
    answer = reader.get("/api/session")
    assert (answer.status_code, answer.headers["Retry-After"]) == (429, "1")
    assert "more slowly" in answer.json["advice"]


def test_many_users_from_one_address_and_one_user_from_many_are_slowed_down(clock):
    throttle = Throttle(clock)
    for number in range(21):
        throttle.failed(f"user{number}", "10.0.0.1")
    with pytest.raises(TooManyTries):
        throttle.check("somebody else", "10.0.0.1")
    throttle.check("somebody else", "10.0.0.2")
    for number in range(60):
        throttle.failed("ida", f"10.1.0.{number}")
    with pytest.raises(TooManyTries) as waits:
        throttle.check("ida", "10.2.0.1")
    assert waits.value.seconds <= 21, "nobody may be locked out of their own account for long"
    clock.forward(hours=2)
    throttle.failed("ida", "10.2.0.1")
    throttle.check("ida", "10.2.0.1")


def test_what_a_user_looks_at_is_noted_once_in_a_while(app, reader, store, keep, clock, desk):
    made = image()
    place = keep(made)
    for _ in range(3):
        reader.get(f"{place}/metadata")
        reader.get("/dicomweb/studies")
        reader.get("/api/studies")
    clock.forward(minutes=11)
    reader.get(f"{place}/metadata")
    SignedIn(app, "otto").get(f"{place}/metadata")
    noted = [(r.event, r.user) for r in reversed(store.audit_rows())]
    assert noted == [
        ("study received", ""),
        ("images opened", "ida"),
        ("studies searched", "ida"),
        ("reading list seen", "ida"),
        ("images opened", "ida"),
        ("images opened", "otto"),
    ]
    assert store.audit_rows(study_uid=made.StudyInstanceUID)[0].user == "otto"


def test_an_unforeseen_error_is_logged_without_what_it_held(app, reader, desk, caplog):
    secret = "Brandt^Pip"
    desk.trouble = ValueError(f"cannot read {secret}")
    assert reader.get("/api/studies/1.2.3/reading").status_code == 500
    (record,) = [r for r in caplog.records if r.levelno == logging.ERROR]
    written = QuietFormatter("%(message)s").format(record)
    assert "ValueError" in written
    assert "conftest.py" in written
    assert secret not in written


def test_an_error_of_the_index_does_not_name_the_patient(store):
    with store._index.read() as connection, pytest.raises(DatabaseError) as error:
        connection.execute(text("SELECT :name FROM nothing"), {"name": "Brandt^Pip"})
    assert "Brandt" not in str(error.value)


def test_our_own_pages_hold_no_script_style_or_handler_of_their_own(app):
    for file in (Path(web.__file__).parent / "templates").glob("*.html"):
        page = file.read_text("utf-8")
        assert "<style" not in page
        assert " style=" not in page
        assert re.findall(r"<[^>]*\son[a-z]+=", page) == []
        assert re.findall(r'<script(?! type="module" src="/(?:static|plugin)/)', page) == []
