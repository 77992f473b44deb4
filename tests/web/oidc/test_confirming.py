"""The fresh word of the provider that a signature needs."""

from dicom_service.review.model import Reading
from tests.web.conftest import PASSWORD
from tests.web.oidc.steps import enter, sign

UID = "1.2.3"


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
