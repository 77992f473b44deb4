"""Signing in and out, sessions, tokens, roles and repeated wrong passwords."""

import hashlib
import importlib.util

import pytest
from argon2 import extract_parameters

from dicom_service import passwords
from dicom_service.web.throttle import REMEMBERED, Throttle, TooManyTries
from tests.web.conftest import PASSWORD, SignedIn


def _sign_in(client, user="ida", password=PASSWORD, **options):
    return client.post("/api/session", json={"user": user, "password": password}, **options)


def test_a_reader_signs_in_and_learns_who_they_are(client):
    answer = _sign_in(client)
    assert answer.status_code == 200
    assert answer.json["user"] == "ida"
    assert answer.json["display"] == "Vreeland^Ida^^Dr"
    assert answer.json["roles"] == ["reader"]
    assert client.get("/api/session").json == answer.json


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(client):
    cookie = _sign_in(client).headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Secure" not in cookie


def test_over_https_the_cookie_never_travels_in_the_clear(client):
    assert "Secure" in _sign_in(client, base_url="https://node.example").headers["Set-Cookie"]


def test_only_a_hash_of_the_token_is_kept(client, store, clock):
    _sign_in(client)
    token = client.get_cookie("sesamoid").value
    assert len(token) >= 43
    assert store.session(token, clock()) is None
    assert store.session(hashlib.sha256(token.encode()).hexdigest(), clock()).user == "ida"


def test_signing_in_again_ends_the_old_session(client):
    _sign_in(client)
    old = client.get_cookie("sesamoid").value
    _sign_in(client)
    assert client.get_cookie("sesamoid").value != old
    client.set_cookie("sesamoid", old)
    assert client.get("/api/session").status_code == 401


def test_a_wrong_password_and_an_unknown_user_get_the_same_answer(client):
    wrong = _sign_in(client, password="wrong password")
    unknown = _sign_in(client, user="nobody")
    assert wrong.status_code == unknown.status_code == 403
    assert wrong.json == unknown.json


def _delivered():
    """The module of passwords as it is delivered: the tests' own copy hashes fast."""
    spec = importlib.util.find_spec("dicom_service.passwords")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_a_stored_password_is_hard_to_guess():
    delivered = _delivered()
    stored = delivered.hash_password(PASSWORD)
    assert stored.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert delivered.password_fits(stored, PASSWORD)
    assert not delivered.password_fits(stored, PASSWORD + " ")


def test_an_unknown_user_costs_as_much_work_as_a_known_one(client, store, clock, monkeypatch):
    delivered = _delivered()
    hashed: list[tuple[object, str]] = []

    class Counting:
        def verify(self, stored, password):
            hashed.append((extract_parameters(stored), password))
            return delivered._HASHER.verify(stored, password)

    monkeypatch.setattr(passwords, "_HASHER", Counting())
    monkeypatch.setattr(passwords, "_NOBODY", delivered._NOBODY)
    store.set_password_hash("ida", delivered.hash_password(PASSWORD))
    for user in ("ida", "nobody"):
        assert _sign_in(client, user=user, password="wrong password").status_code == 403
        clock.forward(hours=1)
    known, unknown = hashed
    assert known == unknown


def test_repeated_wrong_passwords_must_wait_longer_and_longer(client, clock):
    for _ in range(4):
        assert _sign_in(client, password="wrong password").status_code == 403
    refused = _sign_in(client)
    assert refused.status_code == 429, "even the right password has to wait"
    assert refused.headers["Retry-After"] == "2"
    clock.forward(seconds=2)
    assert _sign_in(client, password="wrong password").status_code == 403
    clock.forward(seconds=1)
    assert _sign_in(client).status_code == 429
    clock.forward(seconds=2)
    assert _sign_in(client).status_code == 200
    assert _sign_in(client, password="wrong password").status_code == 403


def test_one_users_wrong_passwords_do_not_lock_out_another(client):
    for _ in range(5):
        _sign_in(client, user="otto", password="wrong password")
    assert _sign_in(client).status_code == 200


def test_the_memory_of_wrong_passwords_is_bounded(clock):
    throttle = Throttle(clock)
    for number in range(REMEMBERED + 50):
        throttle.failed(f"user{number}", "10.0.0.1")
    assert len(throttle) == REMEMBERED


def test_the_longest_wait_is_five_minutes(clock):
    throttle = Throttle(clock)
    for _ in range(100):
        throttle.failed("ida", "10.0.0.1")
    with pytest.raises(TooManyTries) as refused:
        throttle.check("ida", "10.0.0.1")
    assert refused.value.seconds <= 301


def test_signing_in_out_and_failing_are_audited(client, store):
    _sign_in(client, password="wrong password")
    token = _sign_in(client).json["csrf"]
    client.delete("/api/session", headers={"X-Sesamoid-Token": token})
    assert [(row.event, row.user) for row in store.audit_rows()] == [
        ("signed out", "ida"),
        ("signed in", "ida"),
        ("sign-in refused", "ida"),
    ]


def test_after_signing_out_the_session_is_gone(reader):
    old = reader.client.get_cookie("sesamoid").value
    assert reader.send("DELETE", "/api/session").status_code == 204
    reader.client.set_cookie("sesamoid", old)
    assert reader.get("/api/studies").status_code == 401


def test_a_session_ends_after_its_hours(reader, clock):
    clock.forward(hours=7.9)
    assert reader.get("/api/studies").status_code == 200
    clock.forward(hours=0.2)
    assert reader.get("/api/studies").status_code == 401


@pytest.mark.parametrize("token", ["", "wrong", "\u00e9"])
def test_a_change_without_the_sessions_token_is_refused(reader, token):
    refused = reader.send("DELETE", "/api/session", headers={"X-Sesamoid-Token": token})
    assert refused.status_code == 403
    assert refused.json["reason"] == "token"
    assert reader.get("/api/session").status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:9"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_change_that_another_site_asks_for_is_refused(reader, headers):
    assert reader.send("DELETE", "/api/session", headers=headers).status_code == 403
    assert _sign_in(reader.client, headers=headers).status_code == 403


def test_a_form_of_another_site_cannot_sign_anybody_in(client):
    answer = client.post("/api/session", data='{"user":"ida"}', content_type="text/plain")
    assert answer.status_code == 415


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ("{", 400),
        ("[" * 100_000, 400),
        ('{"user": "ida"}', 422),
        ('{"user": "ida", "password": "x", "role": "administrator"}', 422),
        ('{"user": "\\ud800", "password": "x"}', 422),
        ('{"user": "ida", "password": 1e999}', 400),
        ('{"user": "ida", "password": NaN}', 400),
        ('"ida"', 422),
    ],
)
def test_a_malformed_sign_in_is_refused_with_a_sentence(client, body, status):
    answer = client.post("/api/session", data=body, content_type="application/json")
    assert answer.status_code == status
    assert answer.json["detail"].endswith(".")


def test_an_oversized_body_is_refused(client):
    answer = client.post("/api/session", data=b" " * (5 << 20), content_type="application/json")
    assert answer.status_code == 413


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/api/session"),
        ("DELETE", "/api/session"),
        ("GET", "/api/studies"),
        ("GET", "/api/studies/1.2/reading"),
        ("PUT", "/api/studies/1.2/reading"),
        ("GET", "/api/studies/1.2/preview"),
        ("POST", "/api/studies/1.2/sign"),
        ("POST", "/api/studies/1.2/addendum"),
        ("GET", "/api/studies/1.2/template"),
        ("GET", "/dicomweb/studies"),
        ("GET", "/dicomweb/studies/1.2/series/1.3/instances/1.4/frames/1"),
        ("POST", "/dicomweb/studies"),
    ],
)
def test_everything_about_patients_needs_a_session(client, method, path):
    answer = client.open(path, method=method, json={} if method in ("PUT", "POST") else None)
    assert answer.status_code == 401
    assert answer.content_type == "application/problem+json"


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("PUT", "/api/studies/1.2/reading"),
        ("POST", "/api/studies/1.2/sign"),
        ("POST", "/api/studies/1.2/addendum"),
    ],
)
def test_an_administrator_who_is_no_reader_cannot_read_or_sign(app, desk, method, path):
    admin = SignedIn(app, "otto")
    refused = admin.send(method, path, headers={"If-Match": '"0"'}, json={})
    assert refused.status_code == 403
    assert "role reader" in refused.json["detail"]
    assert admin.get("/api/studies").status_code == 200
