"""Forged, guessed and malformed requests: each a case with a name, all refused, none a failure."""

import pytest

from dicom_service.web import session as session_module
from tests.web.conftest import PASSWORD, SignedIn, image

CHANGING = ("POST", "PUT", "PATCH", "DELETE")


def _changes(app) -> list[tuple[str, str]]:
    """Every address that changes something, with values for its variables."""
    found = []
    for rule in app.url_map.iter_rules():
        path = str(rule.rule)
        for name in rule.arguments:
            value = "x" if name in ("name",) else "1.2.3"
            path = (
                path.replace(f"<{name}>", value)
                .replace(f"<int:{name}>", "1")
                .replace(f"<path:{name}>", value)
            )
        found += [(method, path) for method in sorted((rule.methods or set()) & set(CHANGING))]
    return found


FORGERIES = {
    "a form of another site": {"Origin": "https://evil.example"},
    "a sandboxed frame": {"Origin": "null"},
    "another port of this host": {"Origin": "http://localhost:1"},
    "a subdomain": {"Origin": "http://localhost.evil.example"},
    "a browser that says cross-site": {"Sec-Fetch-Site": "cross-site"},
    "a neighbour on the same site": {"Sec-Fetch-Site": "same-site"},
}


@pytest.mark.parametrize("forgery", FORGERIES)
def test_no_change_can_be_asked_for_from_another_site(app, reader, forgery):
    changes = _changes(app)
    assert len(changes) > 10
    for method, path in changes:
        answer = reader.send(method, path, headers=FORGERIES[forgery], json={})
        assert answer.status_code == 403, (method, path)
        assert "another site" in answer.json["detail"]


@pytest.mark.parametrize("token", ["", "wrong", "\u00fc", "x" * 5000])
def test_no_change_is_made_without_the_token_of_the_session(app, token):
    reader = SignedIn(app, "ida")
    for method, path in _changes(app):
        if (method, path) == ("POST", "/api/session"):
            continue
        kind = 'multipart/related; type="application/dicom"; boundary=x'
        content = {"data": b"--x--", "content_type": kind} if "dicomweb" in path else {"json": {}}
        headers = {"X-Sesamoid-Token": token.encode().decode("latin-1")}
        answer = reader.send(method, path, headers=headers, **content)
        assert answer.status_code == 403, (method, path)
    assert reader.get("/api/session").status_code == 200


def test_a_form_cannot_carry_json_under_another_name(reader):
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        sent = {"data": b'{"user": "ida", "password": "x"}', "content_type": kind}
        assert reader.send("POST", "/api/session", **sent).status_code in (400, 415)


def test_a_session_that_somebody_else_prepared_is_not_taken_over(app, store):
    attacker = SignedIn(app, "otto")
    planted = attacker.client.get_cookie("sesamoid").value
    victim = app.test_client()
    victim.set_cookie("sesamoid", planted)
    answer = victim.post("/api/session", json={"user": "ida", "password": PASSWORD})
    assert answer.json["user"] == "ida"
    assert victim.get_cookie("sesamoid").value != planted
    assert attacker.get("/api/session").status_code == 401, "the planted session is over"
    assert answer.json["csrf"] != attacker.token


def test_a_made_up_session_is_none(app):
    client = app.test_client()
    for value in ("", "x", "0" * 64, "' OR 1=1 --", "../../etc", "\x7f" * 10, "a" * 3000):
        client.set_cookie("sesamoid", value)
        assert client.get("/api/studies").status_code == 401


def test_a_session_ends_with_signing_out_with_its_time_and_with_a_new_password(app, store, clock):
    first, second, third = (SignedIn(app, "ida") for _ in range(3))
    stolen = first.client.get_cookie("sesamoid").value
    assert first.send("DELETE", "/api/session").status_code == 204
    thief = app.test_client()
    thief.set_cookie("sesamoid", stolen)
    assert thief.get("/api/studies").status_code == 401
    assert second.get("/api/studies").status_code == 200
    store.set_password_hash("ida", "changed")
    assert second.get("/api/studies").status_code == 401
    later = SignedIn(app, "otto")
    clock.forward(hours=9)
    assert later.get("/api/studies").status_code == 401
    assert third.get("/api/studies").status_code == 401


def test_guessing_passwords_is_stopped_before_they_are_checked(app, client, store, monkeypatch):
    checked = []
    real = session_module.password_fits
    monkeypatch.setattr(
        session_module, "password_fits", lambda h, p: checked.append(p) or real(h, p)
    )
    guesses = [f"guess {number}" for number in range(40)] + [PASSWORD]
    answers = [
        client.post("/api/session", json={"user": "ida", "password": guess}) for guess in guesses
    ]
    assert len(checked) <= 5
    assert answers[-1].status_code == 429, "not even the right one gets in while it must wait"
    assert int(answers[-1].headers["Retry-After"]) >= 1
    refused = [r for r in store.audit_rows() if r.event == "sign-in refused"]
    assert len(refused) == len(checked)


def test_trying_one_password_on_many_names_is_stopped(client, monkeypatch):
    monkeypatch.setattr(session_module, "password_fits", lambda _hash, _password: False)
    statuses = [
        client.post("/api/session", json={"user": f"u{n}", "password": "x"}).status_code
        for n in range(40)
    ]
    assert statuses.count(403) <= 21
    assert statuses[-1] == 429


def test_guessing_at_signing_counts_like_guessing_at_the_door(app, reader, desk):
    desk.readings["1.2.3"] = (0, None)
    body = {"version": 0, "password": "wrong wrong"}
    answers = [reader.send("POST", "/api/studies/1.2.3/sign", json=body) for _ in range(10)]
    assert {a.status_code for a in answers} == {403, 429}
    assert desk.signed == []


STRANGE_JSON = {
    "half a surrogate": b'{"user": "\\ud800", "password": "x"}',
    "a zero": b'{"user": "a\\u0000b", "password": "\\u0000"}',
    "nested without end": b"[" * 200_000,
    "a number without end": b'{"user": ' + b"9" * 100_000 + b"}",
    "infinite": b'{"user": 1e999}',
    "NaN": b'{"user": NaN}',
    "not UTF-8": b'{"user": "\xff\xfe"}',
    "UTF-16": '{"user": "a", "password": "b"}'.encode("utf-16"),
    "the same name twice": b'{"user": "ida", "user": ["x"], "password": "y"}',
    "a prototype": b'{"__proto__": {"user": "ida"}, "password": "x"}',
    "empty": b"",
    "a list": b"[]",
    "null": b"null",
    "controls and overrides": '{"user": "\u202e\u2028\x7f", "password": "x"}'.encode(),
}


@pytest.mark.parametrize("kind", STRANGE_JSON)
@pytest.mark.parametrize("path", ["/api/session", "/api/studies/1.2.3/sign"])
def test_strange_json_is_refused_with_a_sentence(reader, desk, path, kind):
    answer = reader.send("POST", path, data=STRANGE_JSON[kind], content_type="application/json")
    assert 400 <= answer.status_code < 500, answer.text
    assert answer.json["detail"]


def test_an_address_cannot_forge_a_line_of_the_log(app, reader, caplog):
    def broken(**_options):
        raise ZeroDivisionError

    (rule,) = (
        rule
        for rule in app.url_map.iter_rules()
        if rule.rule == "/api/admin/peers/<name>" and "PUT" in rule.methods
    )
    app.view_functions[rule.endpoint] = broken
    answer = reader.send("PUT", "/api/admin/peers/a%0aINFO%20forged%1b[2J", json={})
    assert answer.status_code == 500
    (record,) = [r for r in caplog.records if r.levelname == "ERROR"]
    assert "forged" in record.getMessage()
    assert record.getMessage().isprintable()


STRANGE_PATHS = {
    "up": "/dicomweb/studies/../../etc/passwd/metadata",
    "encoded up": "/dicomweb/studies/%2e%2e%2f%2e%2e/metadata",
    "a UID that is a path": "/api/studies/..%2f1/reading",
    "a zero": "/api/studies/1.2%00.3/reading",
    "too long": f"/api/studies/{'1.' * 40}1/reading",
    "other digits": "/api/studies/\u0661.\u0662/reading",
    "a line break": "/api/studies/1.2%0d%0aSet-Cookie:%20a=b/reading",
    "static up": "/static/..%2f..%2fsettings.py",
    "plugin up": "/plugin/..%2fpyproject.toml",
    "plugin hidden": "/plugin/.git/config",
    "viewer up": "/..%2fsecret.txt",
    "viewer up twice": "/%252e%252e/secret.txt",
    "backslash": "/..\\secret.txt",
    "a script": "/api/studies/<script>alert(1)</script>/reading",
}


@pytest.mark.parametrize("kind", STRANGE_PATHS)
def test_a_strange_path_finds_nothing(reader, kind):
    answer = reader.get(STRANGE_PATHS[kind])
    assert answer.status_code in (400, 404), answer.status_code
    assert b"behind the wall" not in answer.data
    assert "Set-Cookie" not in answer.headers
    assert "a=b" not in str(answer.headers)


STRANGE_QUERIES = {
    "a huge limit": "limit=99999999999",
    "a negative limit": "limit=-1",
    "a float": "limit=1e3",
    "other digits": "limit=\u0663",
    "SQL": "text=' OR 1=1 --",
    "wildcards": "text=%25%25%25__",
    "a zero": "text=a%00b",
    "half a surrogate": "text=%ed%a0%80",
    "long": f"text={'a ' * 5000}",
    "unknown state": "state=<script>",
}


@pytest.mark.parametrize("kind", STRANGE_QUERIES)
@pytest.mark.parametrize("path", ["/api/studies", "/dicomweb/studies"])
def test_a_strange_query_finds_nothing_or_is_refused(reader, keep, path, kind):
    keep(image())
    named = "PatientName=" if "dicomweb" in path else "text="
    query = STRANGE_QUERIES[kind].replace("text=", named)
    answer = reader.get(f"{path}?{query}")
    assert answer.status_code in (200, 204, 304, 400), answer.text
    if "OR 1=1" in query:
        assert answer.status_code == 204 or answer.json == [] or answer.json["total"] == 0
