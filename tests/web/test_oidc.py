"""Sign-in through an OpenID Connect provider, and the fresh word of it that a signature needs."""

import sys
from datetime import UTC, datetime, timedelta
from urllib.parse import parse_qs, urlsplit

import pytest
import requests
from joserfc.jwk import RSAKey

from dicom_service.errors import SetupError
from dicom_service.passwords import password_fits
from dicom_service.review.model import Reading
from dicom_service.settings import Oidc, Settings, load
from dicom_service.store.identities import MOST_STEPS
from dicom_service.web import create_app
from dicom_service.web.oidc_provider import Provider
from tests.peers import free_port, started
from tests.web.conftest import PASSWORD, Buffered, Clock, image
from tests.web.oidc_provider import SECRET, LyingProvider

UID = "1.2.3"


class OffsetClock(Clock):
    """Runs, from where it was moved to: tokens are made by the real time."""

    def __init__(self) -> None:
        self.ahead = timedelta()

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self.ahead

    def forward(self, **amount: float) -> None:
        self.ahead += timedelta(**amount)


@pytest.fixture
def provider():
    made = LyingProvider()
    yield made
    made.shutdown()
    made.server_close()


@pytest.fixture
def clock():
    return OffsetClock()


@pytest.fixture
def build(tmp_path, store, desk, clock):
    """Makes the pages of a node with a provider."""

    def made(issuer, **options):
        given = {
            "client_id": "node",
            "client_secret": SECRET,
            "readers": ["radiology"],
            "administrators": ["it"],
            "make_accounts": True,
        } | options
        settings = Settings(data_folder=tmp_path / "node", oidc={"issuer": issuer} | given)
        app = create_app(settings, store, desk, clock=clock)
        app.test_client_class = Buffered
        return app

    return made


@pytest.fixture
def app(build, provider, store):
    return build(provider.issuer)


def begin(client, path="/oidc/sign-in"):
    """To the provider and as far as its answer; the address on this node to come back to."""
    there = client.get(path)
    assert there.status_code == 303, there.text
    back = requests.get(there.location, allow_redirects=False, timeout=10).headers["Location"]
    return back.removeprefix("http://localhost")


def enter(client, path="/oidc/sign-in"):
    return client.get(begin(client, path))


def who(client):
    return client.get("/api/session").json.get("user")


def sign(client, uid=UID, password=""):
    token = client.get("/api/session").json["csrf"]
    body = {"version": 0, "password": password}
    headers = {"X-Sesamoid-Token": token}
    return client.post(f"/api/studies/{uid}/sign", json=body, headers=headers)


def refusals(store):
    return [row.detail for row in store.audit_rows(text="sign-in refused")]


@pytest.fixture
def nia(provider):
    """Somebody whom only the provider knows."""
    provider.person |= {"sub": "s-9", "preferred_username": "nia", "family_name": "Okafor"}
    return provider.person


def test_who_comes_for_the_first_time_gets_an_account_with_name_and_roles(client, store, nia):
    nia |= {"given_name": "Nia", "groups": ["radiology", "it", "other"]}
    answer = enter(client, "/oidc/sign-in?next=/read?StudyInstanceUIDs=1.2%26x=1")
    assert answer.status_code == 200, answer.text
    assert "url=/read?StudyInstanceUIDs=1.2&amp;x=1" in answer.text
    session = client.get("/api/session").json
    assert (session["user"], session["display"]) == ("nia", "Okafor^Nia")
    assert (session["roles"], session["confirms"]) == (["reader", "administrator"], "provider")
    events = [row.event for row in store.audit_rows(user="nia")]
    assert {"user added", "signed in"} <= set(events)
    cookies = "\n".join(answer.headers.getlist("Set-Cookie"))
    assert "sesamoid_step=;" in cookies  # it has done its work
    assert "SameSite=Strict" in cookies


def test_the_provider_is_asked_with_pkce_state_and_nonce_and_knows_no_secret_of_ours(
    client, provider, nia
):
    enter(client)
    enter(client)
    first, second = provider.asked
    assert first["response_type"] == "code"
    assert first["code_challenge_method"] == "S256"
    assert {"openid"} <= set(first["scope"].split())
    for name in ("state", "nonce", "code_challenge"):
        assert len(first[name]) >= 43
        assert first[name] != second[name]
    assert SECRET not in str(first)
    assert "prompt" not in first


def test_the_login_page_offers_the_provider(client, app):
    assert "/oidc/sign-in" in client.get("/login").text
    assert "Single sign-on" in client.get("/login").text


def test_roles_follow_the_groups_and_without_one_nobody_comes_in(client, store, nia):
    enter(client)
    nia["groups"] = ["it"]
    enter(client)
    assert store.user("nia").roles == ("administrator",)
    assert store.audit_rows(text="roles changed")[0].detail == "nia as administrator"
    nia["groups"] = ["lunch"]
    client.delete_cookie("sesamoid")
    assert enter(client).status_code == 403
    assert who(client) is None
    assert store.user("nia").roles == ()


def test_groups_may_look_like_anything(client, clock, nia):
    for groups in (None, "radiology", {"radiology": 1}, ["radiology", 7], 5):
        nia["groups"] = groups
        welcome = groups == "radiology" or isinstance(groups, list)
        assert (enter(client).status_code == 200) is welcome, groups
        clock.forward(minutes=6)


def test_a_disabled_account_is_disabled_whatever_the_provider_says(client, store, clock, nia):
    enter(client)
    store.add_user("root", "Root", "", ["administrator"])
    store.change_user("nia", disabled=True, by="root", at=clock())
    assert "disabled" in enter(client).json["detail"]
    assert who(client) is None


def test_a_person_is_known_by_issuer_and_subject_not_by_name(client, store, nia):
    enter(client)
    nia["preferred_username"] = "renamed"
    enter(client)
    assert who(client) == "nia"
    nia |= {"sub": "s-10", "preferred_username": "nia"}  # the name has passed to somebody else
    client.delete_cookie("sesamoid")
    assert enter(client).status_code == 403
    assert who(client) is None
    assert "somebody else" in refusals(store)[0]


def test_an_account_with_a_password_is_never_taken_over_by_a_name(client, store):
    assert enter(client).status_code == 403  # the provider calls this person ida
    assert store.identity("ida") is None
    assert (
        client.post("/api/session", json={"user": "ida", "password": PASSWORD}).status_code == 200
    )
    assert client.get("/api/session").json["confirms"] == "password"


def test_where_accounts_are_not_made_an_administrator_makes_them(build, provider, store, nia):
    client = build(provider.issuer, make_accounts=False, roles_claim="").test_client()
    assert "ask an administrator" in enter(client).json["detail"]
    store.add_user("nia", "Okafor^Nia", "", ["reader"])
    assert enter(client).status_code == 200
    assert client.get("/api/session").json["roles"] == ["reader"]
    assert store.identity("nia") == (provider.issuer, "s-9")


def test_an_account_without_a_password_has_none_that_fits(client, store, nia):
    enter(client)
    assert not password_fits("", "nobody has this password")
    assert not password_fits("", "")
    for password in ("nobody has this password", " "):
        asked = client.post("/api/session", json={"user": "nia", "password": password})
        assert asked.status_code == 403


WRONG_TOKENS = {
    "another nonce": lambda made: made.update(twist=lambda claims: claims | {"nonce": "x" * 43}),
    "no nonce": lambda made: made.update(twist=lambda c: {k: c[k] for k in c if k != "nonce"}),
    "another audience": lambda made: made.update(twist=lambda claims: claims | {"aud": "other"}),
    "for another, through us": lambda made: made.update(
        twist=lambda claims: claims | {"aud": "other", "azp": "node"}
    ),
    "for us, through another": lambda made: made.update(
        twist=lambda claims: claims | {"aud": ["node", "other"], "azp": "other"}
    ),
    "another issuer": lambda made: made.update(
        twist=lambda claims: claims | {"iss": "https://elsewhere.example"}
    ),
    "expired": lambda made: made.update(twist=lambda claims: claims | {"exp": claims["iat"] - 60}),
    "from tomorrow": lambda made: made.update(
        twist=lambda claims: claims | {"iat": claims["iat"] + 86400, "nbf": claims["iat"] + 86400}
    ),
    "no subject": lambda made: made.update(twist=lambda claims: claims | {"sub": ""}),
    "subject that is no text": lambda made: made.update(twist=lambda c: c | {"sub": 7}),
    "not signed": lambda made: made.update(header={"alg": "none"}),
    "signed with the public key as a secret": lambda made: made.update(
        header={"alg": "HS256", "kid": "one"}
    ),
    "signed with another key": lambda made: made.update(
        signing_key=RSAKey.generate_key(2048, {"kid": "one"})
    ),
    "a key that nobody knows": lambda made: made.update(header={"alg": "RS256", "kid": "two"}),
    "another access token": lambda made: made.update(
        twist=lambda claims: claims | {"at_hash": "AAAAAAAAAAAAAAAAAAAAAA"}
    ),
}


class _Knobs:
    def __init__(self, provider):
        self.provider = provider

    def update(self, **values):
        for name, value in values.items():
            setattr(self.provider, name, value)


def test_a_token_that_is_not_for_us_and_now_and_the_providers_lets_nobody_in(
    client, clock, provider, store, nia
):
    honest = {name: getattr(provider, name) for name in ("twist", "header", "signing_key")}
    for name, lie in WRONG_TOKENS.items():
        lie(_Knobs(provider))
        answer = enter(client)
        assert answer.status_code == 403, name
        assert "sesamoid=" not in str(answer.headers.getlist("Set-Cookie")), name
        assert who(client) is None, name
        _Knobs(provider).update(**honest)
        clock.forward(minutes=6)  # waits grow after wrong ones
    assert store.user("nia") is None
    assert len(refusals(store)) == len(WRONG_TOKENS)
    assert enter(client).status_code == 200


def test_a_code_and_a_state_are_good_once_and_in_the_browser_that_began(app, clock, nia):
    victim, thief = app.test_client(), app.test_client()
    back = begin(victim)
    assert thief.get(back).status_code == 403  # another browser; and the state is used up
    assert victim.get(back).status_code == 403
    assert enter(victim).status_code == 200
    back = begin(victim)
    assert victim.get(back).status_code == 200
    assert victim.get(back).status_code == 403  # played again
    late = begin(victim)
    clock.forward(minutes=11)
    assert victim.get(late).status_code == 403
    code = parse_qs(urlsplit(back).query)["code"][0]
    fresh = begin(victim)
    state = parse_qs(urlsplit(fresh).query)["state"][0]
    assert victim.get(f"/oidc/callback?code={code}&state={state}").status_code == 403


def test_an_answer_of_another_provider_or_an_error_lets_nobody_in(client, clock, nia):
    for more in ("&iss=https://elsewhere.example", "&error=access_denied"):
        assert client.get(begin(client) + more).status_code == 403
    state = parse_qs(urlsplit(begin(client)).query)["state"][0]
    assert client.get(f"/oidc/callback?state={state}&error=access_denied").status_code == 403
    assert client.get("/oidc/callback").status_code == 403
    assert client.get("/oidc/callback?code=1&state=2").status_code == 403
    assert who(client) is None


ELSEWHERE = [
    "https://elsewhere.example/",
    "//elsewhere.example/",
    "/\\elsewhere.example",
    "javascript:1",
    "\\\\elsewhere.example",
    "/%0d%0aSet-Cookie:x",
    "elsewhere.example",
    "/\t/elsewhere.example",
    "///elsewhere.example",
    "/" + "a" * 3000,
]


def test_after_it_one_is_on_this_node_and_nowhere_else(client, nia):
    for address in ELSEWHERE:
        there = client.get("/oidc/sign-in", query_string={"next": address})
        back = requests.get(there.location, allow_redirects=False, timeout=10).headers["Location"]
        text = client.get(back.removeprefix("http://localhost")).text
        onward = text.partition("url=")[2].partition('"')[0]
        assert onward.startswith("/"), address
        assert "elsewhere" not in onward
        assert "//" not in onward


def test_a_provider_that_is_away_or_another_is_said_and_passwords_go_on(build, provider):
    nobody = build(f"http://127.0.0.1:{free_port()}").test_client()
    assert nobody.get("/oidc/sign-in").status_code == 503
    assert (
        nobody.post("/api/session", json={"user": "ida", "password": PASSWORD}).status_code == 200
    )
    for lie in (
        {"issuer": "https://elsewhere.example"},
        {"token_endpoint": "http://elsewhere.example/token"},
        {"jwks_uri": "file:///etc/passwd"},
    ):
        provider.metadata = lie
        answer = build(provider.issuer).test_client().get("/oidc/sign-in")
        assert answer.status_code == 503, lie
        assert "sign-in provider" in answer.json["detail"]


def test_signing_out_ends_both_sessions(client, provider, nia):
    enter(client)
    token = client.get("/api/session").json["csrf"]
    client.delete("/api/session", headers={"X-Sesamoid-Token": token})
    there = client.get("/oidc/sign-out").location
    assert there.startswith(f"{provider.issuer}/end_session?")
    query = parse_qs(urlsplit(there).query)
    assert query["post_logout_redirect_uri"] == ["http://localhost/login"]
    assert who(client) is None


def test_steps_that_never_end_are_bounded_and_forgotten(client, store, clock, monkeypatch):
    assert MOST_STEPS >= 1000
    monkeypatch.setattr("dicom_service.store.identities.MOST_STEPS", 5)
    answers = [client.get("/oidc/sign-in").status_code for _ in range(6)]
    assert answers == [303] * 5 + [503]
    clock.forward(minutes=11)
    assert client.get("/oidc/sign-in").status_code == 303


# --- signing


@pytest.fixture
def study(keep, desk):
    """A study that is here and can be signed."""
    made = image()
    keep(made)
    desk.readings[str(made.StudyInstanceUID)] = (0, Reading())
    return str(made.StudyInstanceUID)


def test_a_signature_needs_a_fresh_word_of_the_provider_and_each_is_good_once(
    client, desk, provider, clock, study, nia, store
):
    enter(client)
    refused = sign(client, study)
    assert refused.status_code == 403
    assert "Show once more" in refused.json["detail"]
    shown = enter(client, f"/oidc/confirm?study={study}")
    assert shown.status_code == 200
    assert study in shown.text
    assert (provider.asked[-1]["prompt"], provider.asked[-1]["max_age"]) == ("login", "0")
    assert store.audit_rows(text="identity confirmed")[0].study_uid == study
    assert sign(client, study).status_code == 200
    assert desk.signed == [(study, 0, "nia")]
    assert sign(client, study).status_code == 403  # once
    enter(client, f"/oidc/confirm?study={study}")
    clock.forward(minutes=2, seconds=1)
    provider.ahead = 121
    assert sign(client, study).status_code == 403  # within two minutes
    enter(client, f"/oidc/confirm?study={study}")
    desk.readings[UID] = (0, Reading())
    assert sign(client, UID).status_code == 403  # for this study
    other = client.application.test_client()
    enter(other)
    assert sign(other, study).status_code == 403  # in this session
    assert len(desk.signed) == 1
    assert sign(client, study).status_code == 200


def test_a_provider_that_does_not_ask_again_or_means_another_confirms_nothing(
    client, desk, provider, clock, study, nia
):
    enter(client)
    confirm = f"/oidc/confirm?study={study}"
    provider.honours_login = False
    assert "did not ask again" in enter(client, confirm).json["detail"]
    provider.honours_login = True
    for lie in ({"auth_time": "now"}, {"auth_time": True}, {"auth_time": None}):
        provider.twist = lambda claims, lie=lie: claims | lie
        assert enter(client, confirm).status_code == 403
    provider.twist = lambda claims: claims | {"sub": "s-1"}  # a colleague at the same desk
    clock.forward(minutes=6)
    assert "somebody else" in enter(client, confirm).json["detail"]
    assert sign(client, study).status_code == 403
    assert desk.signed == []


def test_confirming_is_for_readers_who_are_signed_in_and_studies_that_are_here(
    client, study, clock, nia
):
    assert client.get(f"/oidc/confirm?study={study}").status_code == 401
    enter(client)
    for wrong in ("", "1.2.3.4", "../..", "<script>"):
        assert client.get("/oidc/confirm", query_string={"study": wrong}).status_code == 404


def test_a_password_still_signs_where_there_is_one_and_no_word_of_the_provider_replaces_it(
    client, desk, study, store
):
    client.post("/api/session", json={"user": "ida", "password": PASSWORD})
    assert sign(client, study).status_code == 403
    assert sign(client, study, PASSWORD).status_code == 200


# --- settings


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"client_id": ""}, "client_id"),
        ({"issuer": "http://login.example"}, "https"),
        ({"issuer": "login.example"}, "https"),
        ({"scopes": "profile"}, "openid"),
        ({"make_accounts": "true"}, "make_accounts"),
    ],
)
def test_a_provider_that_cannot_be_trusted_is_refused_at_start(wrong, words):
    given = {"issuer": "https://login.example", "client_id": "node"} | wrong
    environment = {f"SESAMOID_OIDC_{name.upper()}": value for name, value in given.items()}
    with pytest.raises(SetupError, match=words):
        load(environment=environment)


def test_the_secret_may_be_in_a_file_and_lists_in_the_environment(tmp_path):
    file = tmp_path / "secret"
    file.write_text(f"{SECRET}\n")
    given = {"issuer": "https://login.example", "client_id": "n", "client_secret_file": str(file)}
    assert Provider(Oidc(**given))._secret == SECRET
    loaded = load(environment={"SESAMOID_OIDC_READERS": "a, b"})
    assert loaded.oidc.readers == ("a", "b")
    with pytest.raises(SetupError, match="client_secret_file"):
        Provider(Oidc(**given | {"client_secret_file": str(tmp_path / "none")}))


# --- a provider that others have written


@pytest.mark.peer
def test_with_another_makers_provider_one_signs_in_and_out(build, tmp_path):
    port = free_port()
    issuer = f"http://127.0.0.1:{port}"
    claims = '{"sub": "s-9", "preferred_username": "nia", "name": "Nia", "groups": ["radiology"]}'
    command = [sys.executable, "-m", "oidc_provider_mock", "--port", str(port)]
    with started([*command, "--require-nonce", "1", "--user-claims", claims], port, tmp_path):
        client = build(issuer).test_client()
        there = client.get("/oidc/sign-in").location
        answer = requests.post(there, data={"sub": "s-9"}, allow_redirects=False, timeout=10)
        back = answer.headers["Location"].removeprefix("http://localhost")
        assert client.get(back).status_code == 200
        assert client.get("/api/session").json["roles"] == ["reader"]
        assert client.get(back).status_code == 403
        assert client.get("/oidc/sign-out").location.startswith(f"{issuer}/oauth2/end_session?")
