"""Whoever reads for several clinics sees whose each study is, and can look at one clinic's."""

import hashlib
import os
import uuid
from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from dicom_service.settings import Settings
from dicom_service.web import serve


@pytest.mark.parametrize(("asked", "found"), [
    ("", ["north", "south"]), ("?site=north", ["north"]), ("?site=south", ["south"]),
])  # fmt: skip
def test_one_site_of_several_is_asked_for(clinics, asked, found):
    answer = clinics.as_("both").get(f"/api/studies{asked}").get_json()
    assert sorted(row["site"] for row in answer["studies"]) == found
    assert answer["total"] == answer["stages"]["to_read"] == len(found)


def test_who_looks_after_the_whole_node_can_choose_any(clinics):
    root = clinics.as_("root")
    assert [one["id"] for one in root.get("/api/session").get_json()["sites"]] == [
        "",
        "north",
        "south",
    ]
    assert root.get("/api/studies?site=").get_json()["total"] == 0
    assert root.get("/api/studies?site=south").get_json()["total"] == 1


def test_a_site_of_others_is_refused_like_one_that_does_not_exist(clinics):
    anna = clinics.as_("anna")
    told = [anna.get(f"/api/studies?site={site}") for site in ("south", "nowhere", "")]
    assert [answer.status_code for answer in told] == [400] * 3
    sentences = [
        answer.get_json()["detail"].replace(f"site={site}:", "site=:")
        for answer, site in zip(told, ("south", "nowhere", ""), strict=True)
    ]
    assert len(set(sentences)) == 1


@pytest.mark.browser
@pytest.mark.peer
def test_the_list_names_the_clinics_and_remembers_the_one_that_was_chosen(chromium, clinics):
    server = serve(clinics.app, Settings(http_port=0))
    context = chromium.new_context(base_url=f"http://127.0.0.1:{server.port}")
    _sign_in(context, clinics, "both")
    page = context.new_page()
    try:
        page.goto("/")
        expect(page.locator("#rows tr")).to_have_count(2)
        expect(page.locator("#rows")).to_contain_text("Clinic North")
        expect(page.locator("#rows")).to_contain_text("Clinic South")
        page.get_by_label("Clinic").select_option("Clinic South")
        expect(page.locator("#rows tr")).to_have_count(1)
        expect(page.locator("#rows")).to_contain_text("Quillfeather")
        assert "site=south" in page.url
        if folder := os.environ.get("SESAMOID_PICTURES"):
            page.screenshot(path=f"{folder}/sites.png")
        assert Axe().run(page).response["violations"] == []
        page.goto("/")
        expect(page.locator("#rows tr")).to_have_count(1)
        expect(page.get_by_label("Clinic")).to_have_value("=south")
        page.get_by_role("button", name="Clear").click()
        expect(page.locator("#rows tr")).to_have_count(2)
        page.goto("/?site=gone")  # theirs no longer: all are shown, not an error
        expect(page.locator("#rows tr")).to_have_count(2)
        expect(page.get_by_role("alert")).to_be_hidden()
        _sign_in(context, clinics, "anna")
        page.goto("/")
        expect(page.locator("#rows tr")).to_have_count(1)
        expect(page.get_by_label("Clinic")).to_be_hidden()
    finally:
        context.close()
        server.stop()


def _sign_in(context, clinics, user: str) -> None:
    cookie = uuid.uuid4().hex
    digest = hashlib.sha256(cookie.encode()).hexdigest()
    site = clinics.app.extensions["sesamoid"]
    site.store.open_session(user, digest, "token", site.clock() + timedelta(hours=8))
    context.add_cookies([{"name": "sesamoid", "value": cookie, "domain": "127.0.0.1", "path": "/"}])
