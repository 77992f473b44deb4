"""The administrator's page in another language, and what the node serves of the others: each word
comes from the file of words.

A language is made up for the test, in which every word and sentence is in brackets: what stands on
the page outside of brackets was written into its code, and would be English for everybody.
"""

import os
import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from dicom_service.audit import meanings
from dicom_service.settings import Peer, Settings
from dicom_service.web import create_app, languages, serve
from tests.web.conftest import PASSWORD, SignedIn, image
from tests.web.test_admin import _owe

OPEN, CLOSE = "⟦⟧"
OTHER_THAN_WORDS = {
    "otto", "Otto", "Admin", "ida", "Dr", "Ida", "Vreeland", "reader", "administrator", "device",
    "archive", "pacs", "gone", "ARCHIVE", "GONE", "SESAMOID", "Sesamoid", "test",
    "English", "Deutsch", "B", "kB", "MB", "GB", "TB", "ImageComments",
}  # fmt: skip
"""Names of accounts, roles, peers and senders, as they are entered and stored; units; keywords of
the standard."""
SHOWN = """() => {
  const said = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const inside = node.parentElement;
    if (!inside.closest('script, style, noscript, #audit td:last-child')) said.push(node.data);
  }
  for (const name of ['aria-label', 'placeholder', 'title', 'alt']) {
    for (const one of document.querySelectorAll(`[${name}]`)) said.push(one.getAttribute(name));
  }
  return [document.title, ...said];
}"""


TOO_WIDE = """() => [...document.querySelectorAll('.figures dd')]
  .filter(shown => shown.scrollWidth > shown.clientWidth).map(shown => shown.textContent)"""


def _bracketed(node):
    if isinstance(node, dict):
        return {key: _bracketed(one) for key, one in node.items()}
    return f"{OPEN}{node}{CLOSE}"


def _outside(texts: list[str]) -> set[str]:
    """Words that stand outside of all brackets."""
    found: set[str] = set()
    for text in texts:
        left = text
        while (fewer := re.sub(f"{OPEN}[^{OPEN}{CLOSE}]*{CLOSE}", " ", left)) != left:
            left = fewer
        found.update(re.findall(r"[^\W\d_]+", left))
    return found


@pytest.fixture
def bracketed(monkeypatch) -> Iterator[None]:
    """German, each word of it in brackets."""
    german = _bracketed(languages.words("de"))
    kept = (languages._of_pages, languages._sentences)
    for one in kept:
        one.cache_clear()
    monkeypatch.setattr(languages, "words", lambda of: german)
    yield
    for one in kept:
        one.cache_clear()


def _leaves(node, path=""):
    if not isinstance(node, dict):
        return {path: node}
    return {k: v for key, one in node.items() for k, v in _leaves(one, f"{path}/{key}").items()}


def test_the_page_has_all_its_words_in_both_languages_and_none_is_left_in_english():
    english, german = (_leaves(languages.words(of)["admin"]) for of in ("en", "de"))
    assert english.keys() == german.keys()
    same = {path: said for path, said in english.items() if said == german[path]}
    assert set(same.values()) == {"DICOM", "Name", "Port", "Patient", "C-GET", "C-MOVE"}


@pytest.mark.parametrize("of", languages.LANGUAGES)
def test_each_event_of_the_audit_trail_has_words(of):
    assert languages.words(of)["admin"]["audit"]["events"].keys() == meanings().keys()


@pytest.mark.parametrize(("path", "keys"), [("/admin", set()), ("/", {"u"}), ("/login", set())])
def test_pages_as_they_are_served_have_no_words_of_their_own(bracketed, app, path, keys):
    page = SignedIn(app, "otto").get(path, headers={"Accept-Language": "de"}).text
    body = re.sub(r"<(script|style)\b.*?</\1>", "", page.partition("<body>")[2], flags=re.DOTALL)
    texts = re.findall(r'(?:aria-label|placeholder|title|alt)="([^"]*)"', body)
    texts += re.split(r"<[^>]*>", body)
    assert OPEN in body
    assert _outside(texts) <= OTHER_THAN_WORDS | keys


@pytest.fixture
def page(chromium, tmp_path, store, desk, bracketed) -> Iterator[Page]:
    peers = (Peer(name="archive", ae_title="ARCHIVE", port=9, retrieve="get"),)
    settings = Settings(
        data_folder=tmp_path, peers=peers, archive="archive", http_port=0, peer_timeout_seconds=2
    )
    server = serve(create_app(settings, store, desk), settings)
    context = chromium.new_context(base_url=f"http://127.0.0.1:{server.port}", locale="de-DE")
    yield context.new_page()
    context.close()
    server.stop()


def _all_is_said(page: Page) -> None:
    texts = page.evaluate(SHOWN)
    assert len(texts) > 100
    assert _outside(texts) <= OTHER_THAN_WORDS


@pytest.mark.browser
@pytest.mark.peer
def test_whatever_the_page_shows_and_does_it_says_in_the_language_of_the_reader(page, store, keep):
    first, twice = image(PatientName=""), image(PatientName="")
    first.PatientID = twice.PatientID = "1"
    keep(first)
    keep(twice)
    twice.ImageComments = "3"
    with pytest.raises(Exception, match="other content"):
        keep(twice)
    _owe(store, first.StudyInstanceUID, refused="archive: out of resources (status 0xA700).")
    page.goto("/admin")
    page.get_by_label("Benutzer").fill("otto")
    page.get_by_label("Passwort").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/admin")
    expect(page.locator("#queue")).to_contain_text("kein Platz mehr")
    expect(page.locator("#peers")).to_contain_text("ist nicht zu erreichen")
    expect(page.locator("#audit tr").first).to_be_visible()
    _all_is_said(page)
    page.get_by_role("button", name="jetzt versuchen").first.click()
    expect(page.locator("#said")).to_contain_text("wird jetzt versucht")
    page.get_by_role("button", name="Protokoll prüfen").click()
    expect(page.locator("#said")).to_contain_text("wie sie geschrieben wurden")
    _all_is_said(page)
    page.get_by_role("button", name=f"Über {twice.SOPInstanceUID}").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("Welche Kopie")
    _all_is_said(page)
    dialog.get_by_role("button", name="Die erste behalten").click()
    expect(page.locator("#said")).to_contain_text("bleibt das Objekt")
    _all_is_said(page)


@pytest.mark.browser
@pytest.mark.peer
def test_its_forms_and_what_they_refuse_are_in_the_language_of_the_reader(page, store):
    page.goto("/admin")
    page.get_by_label("Benutzer").fill("otto")
    page.get_by_label("Passwort").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/admin")
    page.get_by_role("button", name="Gegenstelle hinzufügen").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Name, für Menschen").fill("archive")
    dialog.get_by_label("AE-Titel").fill("GONE")
    dialog.get_by_label("Rechner").fill("127.0.0.1")
    dialog.get_by_role("button", name="Speichern").click()
    expect(dialog.get_by_role("alert")).to_contain_text("steht in der Einstellungsdatei")
    dialog.get_by_label("Name, für Menschen").fill("gone")
    dialog.get_by_role("button", name="Speichern").click()
    expect(page.locator("#said")).to_contain_text("ist hinzugefügt")
    _all_is_said(page)
    page.get_by_role("button", name="gone ändern").click()
    _all_is_said(page)
    page.get_by_role("dialog").get_by_role("button", name="Entfernen").click()
    expect(page.locator("#said")).to_contain_text("ist entfernt")
    page.get_by_role("button", name="Konto hinzufügen").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Meldet sich an als").fill("ida")
    dialog.get_by_label("Passwort").fill(PASSWORD)
    dialog.get_by_role("button", name="Speichern").click()
    expect(dialog.get_by_role("alert")).to_contain_text("gibt es schon")
    _all_is_said(page)
    dialog.get_by_role("button", name="Abbrechen").click()
    page.get_by_role("button", name="Das Konto ida ändern").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("gesperrt").check()
    dialog.get_by_role("button", name="Speichern").click()
    expect(page.locator("#said")).to_contain_text("ist geändert")
    _all_is_said(page)


@pytest.mark.browser
@pytest.mark.peer
def test_in_german_the_page_fits_and_its_language_is_chosen_on_it(chromium, tmp_path, store, desk):
    settings = Settings(data_folder=tmp_path, http_port=0)
    server = serve(create_app(settings, store, desk), settings)
    context = chromium.new_context(base_url=f"http://127.0.0.1:{server.port}")
    page = context.new_page()
    try:
        page.goto("/admin")
        page.get_by_label("User").fill("otto")
        page.get_by_label("Password").fill(PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url("**/admin")
        page.get_by_text("Settings", exact=True).click()
        page.get_by_label("Language").select_option("Deutsch")
        expect(page.get_by_role("heading", name="Verwaltung")).to_be_visible()
        expect(page.locator("#accounts")).to_contain_text("betreut den Knoten")
        for width in (1280, 400):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.evaluate(TOO_WIDE) == []
            if folder := os.environ.get("SESAMOID_PICTURES"):
                page.screenshot(path=f"{folder}/admin-german-{width}.png", full_page=True)
    finally:
        context.close()
        server.stop()
