"""The administrator's page in a real browser: what it shows, what its buttons do, accessibility."""

import os
from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from dicom_service.settings import Peer, Settings
from dicom_service.web import create_app, serve
from tests.web.conftest import PASSWORD, image
from tests.web.test_admin import _owe

pytestmark = [pytest.mark.browser, pytest.mark.peer]
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


@pytest.fixture
def page(chromium, tmp_path, store, desk) -> Iterator[Page]:
    peers = (Peer(name="archive", ae_title="ARCHIVE", port=9),)
    settings = Settings(
        data_folder=tmp_path, peers=peers, archive="archive", http_port=0, peer_timeout_seconds=2
    )
    server = serve(create_app(settings, store, desk), settings)
    context = chromium.new_context(base_url=f"http://127.0.0.1:{server.port}")
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda m: errors.append(m.text) if "Content Security" in m.text else None)
    page.on("dialog", lambda dialog: (errors.append(dialog.message), dialog.dismiss()))
    yield page
    context.close()
    server.stop()
    assert errors == []


def _violations(page: Page) -> list[str]:
    return [v["id"] for v in Axe().run(page, options=RULES).response["violations"]]


def _picture(page: Page, name: str) -> None:
    if folder := os.environ.get("SESAMOID_PICTURES"):
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


def test_an_administrator_sees_peers_queue_quarantine_and_trail_and_tries_again(page, store, keep):
    script = "<script>alert(1)</script>"
    first, twice = image(PatientName=f"Brandt^{script}"), image(PatientName="Ahlgren^Nix")
    keep(first)
    keep(twice)
    twice.ImageComments = "other"
    with pytest.raises(Exception, match="other content"):
        keep(twice)
    number = _owe(store, first.StudyInstanceUID, refused="The archive says: no such patient.")
    page.goto("/admin")
    page.get_by_label("User").fill("otto")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/admin")
    expect(page.locator("#queue")).to_contain_text(f"{script} Brandt")
    expect(page.locator("#queue")).to_contain_text("no such patient")
    expect(page.locator("#peers")).to_contain_text("cannot be reached")
    expect(page.locator("#quarantine")).to_contain_text(twice.SOPInstanceUID)
    expect(page.locator("#figures")).to_contain_text("Refused")
    assert _violations(page) == []
    _picture(page, "admin-wide")
    page.get_by_role("button", name="Try report").click()
    expect(page.get_by_role("status")).to_have_text("The delivery is tried now.")
    assert [row.state for row in store.outbox(first.StudyInstanceUID)] == ["owed"]
    assert number
    page.get_by_role("button", name=f"Decide about {twice.SOPInstanceUID}").click()
    dialog = page.get_by_role("dialog", name="Which copy is the object?")
    expect(dialog).to_contain_text("ImageComments")
    assert _violations(page) == []
    _picture(page, "admin-decide")
    dialog.get_by_label("Reason").fill("The first one was reported.")
    dialog.get_by_role("button", name="Keep the first").click()
    expect(page.locator("#quarantine")).to_contain_text("otto: The first one was reported.")
    page.get_by_role("search").get_by_label("User").fill("otto")
    page.get_by_role("button", name="Search").click()
    expect(page.locator("#audit tr").first).to_contain_text("different bytes decided")
    page.get_by_role("button", name="Prove the trail").click()
    expect(page.get_by_role("status")).to_contain_text("events are as they were written")
    page.set_viewport_size({"width": 400, "height": 900})
    _picture(page, "admin-narrow")
    assert page.evaluate("document.documentElement.scrollWidth") <= 400
    wide = page.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => !e.closest('table') &&"
        " e.getBoundingClientRect().right > 401).map(e => e.outerHTML.slice(0, 80))"
    )
    assert wide == []
    assert _violations(page) == []
    page.get_by_role("link", name="Reading list").click()
    expect(page.get_by_role("link", name="Administration")).to_be_visible()


def test_an_administrator_adds_and_changes_peers_and_accounts(page, store):
    page.goto("/admin")
    page.get_by_label("User").fill("otto")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/admin")
    expect(page.locator("#peers")).to_contain_text("in the settings file")
    page.get_by_role("button", name="Add a peer").click()
    dialog = page.get_by_role("dialog", name="Add a peer")
    dialog.get_by_label("Name, for people").fill("ward <b>2")
    dialog.get_by_label("AE title").fill("WARD2")
    dialog.get_by_label("Host").fill("127.0.0.1")
    dialog.get_by_label("Port", exact=True).fill("9")
    dialog.get_by_label("Calls from other addresses").fill("10.1.0.0/99")
    assert _violations(page) == []
    dialog.get_by_role("button", name="Save").click()
    expect(dialog.get_by_role("alert")).to_contain_text("10.1.0.0/99")
    _picture(page, "admin-peer")
    dialog.get_by_label("Calls from other addresses").fill("10.1.0.0/16, 10.2.0.7")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_have_text("ward <b>2 is added.")
    (added,) = store.added_peers()
    assert '"10.1.0.0/16"' in added
    page.get_by_role("button", name="Change ward <b>2").click()
    dialog = page.get_by_role("dialog", name="Change ward <b>2")
    expect(dialog.get_by_label("Calls from other addresses")).to_have_value("10.1.0.0/16 10.2.0.7")
    dialog.get_by_role("button", name="Remove").click()
    expect(page.get_by_role("status")).to_have_text("ward <b>2 is removed.")
    assert store.added_peers() == []

    page.get_by_role("button", name="Add an account").click()
    dialog = page.get_by_role("dialog", name="Add an account")
    dialog.get_by_label("Signs in as").fill("ida")
    dialog.get_by_label("Password").fill("an invented pass phrase")
    dialog.get_by_role("button", name="Save").click()
    expect(dialog.get_by_role("alert")).to_contain_text("ida")  # there is one already
    dialog.get_by_label("Signs in as").fill("nele")
    dialog.get_by_label("Signs reports as").fill("Brandt^Nele^^Dr")
    _picture(page, "admin-account")
    dialog.get_by_role("button", name="Save").click()
    expect(page.locator("#accounts")).to_contain_text("Nele Brandt")
    assert store.user("nele").roles == ("reader",)
    page.get_by_role("button", name="Change the account nele").click()
    dialog = page.get_by_role("dialog", name="Change nele")
    assert _violations(page) == []
    dialog.get_by_label("disabled").check()
    dialog.get_by_role("button", name="Save").click()
    expect(page.locator("#accounts")).to_contain_text("disabled")
    assert store.user("nele").disabled
    _picture(page, "admin-accounts")
    events = [row.event for row in store.audit_rows() if row.user == "otto"]
    assert {"peer added", "peer removed", "user added", "user changed"} <= set(events)
