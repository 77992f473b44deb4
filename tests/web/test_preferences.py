"""What a reader chose for their account, and the language and colours of the pages."""

import re
from pathlib import Path

import pytest

import dicom_service
from dicom_service.web import languages
from dicom_service.web.languages import words
from tests.web.conftest import PASSWORD

PACKAGE = Path(dicom_service.__file__).parent
PHRASE = {"name": "clean", "text": "Nothing abnormal on {view}.", "where": "findings"}


def _cookies(answer) -> str:
    return "; ".join(answer.headers.getlist("Set-Cookie"))


def _sign_in(client, user: str = "ida"):
    return client.post("/api/session", json={"user": user, "password": PASSWORD})


def _change(client, csrf: str, **change):
    return client.patch("/api/preferences", json=change, headers={"X-Sesamoid-Token": csrf})


def _leaves(node, path: str = ""):
    if not isinstance(node, dict):
        return {path: node}
    return {k: v for key, one in node.items() for k, v in _leaves(one, f"{path}/{key}").items()}


def test_an_account_keeps_what_it_chose_and_changes_only_what_is_named(client):
    csrf = _sign_in(client).json["csrf"]
    assert client.get("/api/preferences").json["theme"] == "dark"
    assert _change(client, csrf, theme="light", keys={"next": "q"}).status_code == 200
    assert _change(client, csrf, phrases=[PHRASE], dictation="de-DE").status_code == 200
    kept = client.get("/api/preferences").json
    assert (kept["theme"], kept["keys"]) == ("light", {"next": "q"})
    assert (kept["phrases"], kept["dictation"]) == ([PHRASE], "de-DE")
    assert _sign_in(client).json["preferences"] == kept


@pytest.mark.parametrize(
    "wrong",
    [
        {"theme": "pink"},
        {"language": "xx"},
        {"phrases": [{**PHRASE, "name": "two words"}]},
        {"phrases": [PHRASE, PHRASE]},
        {"keys": {"next": "ctrl"}},
        {"user": "otto"},
    ],
)
def test_what_cannot_be_chosen_is_refused_and_what_was_chosen_stays(client, wrong):
    csrf = _sign_in(client).json["csrf"]
    _change(client, csrf, theme="light")
    assert _change(client, csrf, **wrong).status_code == 422
    assert client.get("/api/preferences").json["theme"] == "light"


def test_preferences_need_a_session_and_its_token(client):
    assert client.get("/api/preferences").status_code == 401
    _sign_in(client)
    assert _change(client, "wrong", theme="light").status_code == 403


def test_pages_come_in_the_language_of_the_browser_until_the_account_chose_one(client):
    german = {"Accept-Language": "de-AT,de;q=0.9,en;q=0.5", "Accept": "text/html"}
    assert 'lang="de"' in client.get("/login", headers=german).text
    assert 'lang="en"' in client.get("/login").text
    csrf = _sign_in(client).json["csrf"]
    assert "Arbeitsliste" in client.get("/", headers=german).text
    answer = _change(client, csrf, language="en", theme="light")
    assert "sesamoid_language=en" in _cookies(answer)
    page = client.get("/", headers=german).text
    assert "Reading list" in page
    assert 'data-theme="light"' in page
    client.delete("/api/session", headers={"X-Sesamoid-Token": csrf})
    assert "Sign in" in client.get("/login", headers=german).text, "chosen in this browser before"


def test_only_the_pages_with_the_panel_may_ask_for_the_microphone(client):
    _sign_in(client)
    for path, allowed in (("/plain", "microphone=(self)"), ("/", "microphone=()")):
        assert allowed in client.get(path).headers["Permissions-Policy"]


def test_errors_are_said_in_the_language_of_the_reader(client):
    german = {"Accept-Language": "de"}
    page = client.get("/nowhere", headers={**german, "Accept": "text/html"})
    assert page.status_code == 404
    assert "Unter /nowhere ist nichts." in page.text
    refused = client.post(
        "/api/session", json={"user": "ida", "password": "no"}, headers=german
    ).json
    assert refused["detail"] == "Benutzer oder Passwort stimmt nicht."
    assert refused["advice"] == "Mit einem Benutzer anmelden, der das darf."


@pytest.mark.parametrize(
    "asked",
    ["/a" + " needs  points for , not " * 300 + "x", "/" + "a ended the association." * 400],
    ids=["many ways to cut it", "one in the other"],
)
def test_an_address_made_of_our_own_sentences_is_answered_like_any_other(client, asked):
    answer = client.get(asked, headers={"Accept-Language": "de", "Accept": "text/html"})
    assert answer.status_code == 404
    assert "Nicht gefunden" in answer.text


def test_a_sentence_is_taken_apart_at_the_first_place_where_it_can_be(app):
    with app.test_request_context(headers={"Accept-Language": "de"}):
        said = languages.said("archive: out of resources (status 0xA700, full: 3).")
        assert said == "archive: kein Platz mehr (Status 0xA700, full: 3)."
        assert languages.said("A. ended the association.") == "A. hat die Verbindung beendet."
        assert languages.said(" ended the association.") == " ended the association."


def test_both_languages_have_the_same_words_with_the_same_gaps():
    english, german = (_leaves({**words(of), "sentences": {}}) for of in ("en", "de"))
    assert english.keys() == german.keys()
    for path, ours in english.items():
        assert set(re.findall(r"{\w+}", ours)) == set(re.findall(r"{\w+}", german[path])), path
    said = {path: re.sub(r"{\w+}", "", ours).strip() for path, ours in english.items()}
    same = [p for p, ours in english.items() if " " in said[p] and ours == german[p]]
    assert same == []


def test_every_translated_sentence_is_one_that_the_node_says():
    source = " ".join(path.read_text("utf-8") for path in PACKAGE.rglob("*.py"))
    spoken = re.sub(r'"\s*f?"', "", source).replace("\\\\", "\\")
    for sentence, german in words("de")["sentences"].items():
        assert sentence.count("{}") == german.count("{}"), sentence
        for part in filter(str.strip, sentence.split("{}")):
            assert part in spoken, sentence


def test_every_word_that_a_page_asks_for_is_there():
    asked: set[str] = set()
    for file in [*PACKAGE.glob("web/templates/*.html"), *PACKAGE.glob("web/static/*.js")]:
        asked.update(re.findall(r"\b(?:t|say)\('([\w.]+)'", file.read_text("utf-8")))
    known = {path[1:].replace("/", ".") for path in _leaves(words("en"))}
    known |= {path.rsplit(".", 1)[0] for path in known if path.endswith(".other")}
    assert {word for word in asked if not word.endswith(".")} - known == set()
    assert len(asked) > 50
