"""Whoever looks after the whole node gives a study to another clinic from the reading list."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from dicom_service.settings import Settings
from dicom_service.web import serve
from tests.sites.test_list_page import _sign_in

GIFT = {"site": "north", "reason": "Sold."}


def gift_of(fresh, study="") -> str:
    return f"/api/admin/studies/{study or fresh.south.study}/site"


def test_the_study_is_the_other_clinics_and_both_trails_say_who_gave_it_and_why(fresh):
    answer = fresh.as_("root").send("POST", gift_of(fresh), json=GIFT | {"reason": " Sold. "})
    assert (answer.status_code, answer.get_json()) == (200, {"site": "north", "owed": 0})
    assert fresh.store.site_of(fresh.south.study) == "north"
    for site, event in (("south", "study given away"), ("north", "study taken over")):
        (row,) = [one for one in fresh.store.audit_rows(sites=(site,)) if one.event == event]
        assert (row.user, row.detail, row.study_uid) == ("root", "Sold.", fresh.south.study)


@pytest.mark.parametrize(
    ("user", "status"), [("admin@south", 403), ("bertha@south", 403), ("admin@north", 404)]
)
def test_nobody_of_a_single_clinic_can(fresh, user, status):
    assert fresh.as_(user).send("POST", gift_of(fresh), json=GIFT).status_code == status
    assert fresh.store.site_of(fresh.south.study) == "south"


@pytest.mark.parametrize(
    "wrong",
    [
        {"site": "nowhere", "reason": "Sold."},
        {"site": "south", "reason": "Sold."},
        {"site": "north", "reason": " "},
        {"site": "north"},
        {"reason": "Sold."},
    ],
    ids=str,
)
def test_a_gift_needs_another_clinic_and_a_reason(fresh, wrong):
    answer = fresh.as_("root").send("POST", gift_of(fresh), json=wrong)
    assert answer.status_code in (400, 409, 422), answer.get_json()
    assert fresh.store.site_of(fresh.south.study) == "south"


def test_a_study_that_is_not_there_cannot_be_given(fresh):
    assert fresh.as_("root").send("POST", gift_of(fresh, "1.2.3"), json=GIFT).status_code == 404


@pytest.mark.browser
@pytest.mark.peer
def test_it_is_given_from_its_line_and_what_stands_in_the_way_is_said_in_the_form(chromium, fresh):
    server = serve(fresh.app, Settings(http_port=0))
    context = chromium.new_context(base_url=f"http://127.0.0.1:{server.port}")
    page = context.new_page()
    try:
        _sign_in(context, fresh, "both")
        page.goto("/")
        expect(page.locator("#rows tr")).to_have_count(2)
        expect(page.get_by_role("button", name="Give")).to_have_count(0)
        _sign_in(context, fresh, "root")
        page.goto("/")
        line = page.locator("#rows tr", has_text="Quillfeather")
        line.get_by_role("button", name="Give the study of").click()
        form = page.get_by_role("dialog", name="Give this study away")
        expect(form.get_by_label("Goes to").locator("option")).to_have_text(
            ["This node", "Clinic North"]
        )
        assert Axe().run(page).response["violations"] == []
        form.get_by_label("Goes to").select_option("Clinic North")
        form.get_by_label("Reason").fill(" ")
        form.get_by_role("button", name="Give it").click()
        expect(form.get_by_role("alert")).to_be_visible()
        form.get_by_label("Reason").fill("Sold.")
        form.get_by_role("button", name="Give it").click()
        expect(form).to_be_hidden()
        expect(page.locator("#said")).to_contain_text("is with Clinic North now.")
        expect(line).to_contain_text("Clinic North")
    finally:
        context.close()
        server.stop()
    assert fresh.store.site_of(fresh.south.study) == "north"
