"""Sign-in through an OpenID Connect provider: who comes in, as whom, and where to."""

import sys
from urllib.parse import parse_qs, urlsplit

import pytest
import requests

from dicom_service.errors import SetupError
from dicom_service.passwords import password_fits
from dicom_service.settings import Oidc, load
from dicom_service.store.identities import MOST_STEPS
from dicom_service.web.oidc_provider import Provider
from tests.peers import free_port, started
from tests.web.conftest import PASSWORD
from tests.web.oidc.provider import SECRET
from tests.web.oidc.steps import enter, refusals, who


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
