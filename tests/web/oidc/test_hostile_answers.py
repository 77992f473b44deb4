"""Tokens, codes and answers of a provider that let nobody in."""

from urllib.parse import parse_qs, urlsplit

from joserfc.jwk import RSAKey

from tests.web.oidc.steps import begin, enter, refusals, who

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
