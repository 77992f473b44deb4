"""The reading list in a real browser: signing in, keyboard, live rows, accessibility."""

import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from dicom_service.intake.model import Remark, Signalment, StudyFacts
from dicom_service.review.model import Reading, Template
from dicom_service.settings import Settings
from dicom_service.web import serve
from tests.web.conftest import PASSWORD, PASSWORD_HASH, image

pytestmark = [pytest.mark.browser, pytest.mark.peer]
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


@pytest.fixture
def page(chromium, app) -> Iterator[Page]:
    """A page at our own address; what the browser complains of fails the test."""
    server = serve(app, Settings(http_port=0))
    context = chromium.new_context(base_url=f"http://127.0.0.1:{server.port}")
    page = context.new_page()
    page.clock.install()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("dialog", lambda dialog: (errors.append(dialog.message), dialog.dismiss()))
    yield page
    context.close()
    server.stop()
    assert errors == []


def _sign_in(page: Page, password: str = PASSWORD) -> None:
    page.get_by_label("User").fill("ida")
    page.get_by_label("Password").fill(password)
    page.keyboard.press("Enter")


def _later(page: Page) -> None:
    """The page asks the node again every three seconds."""
    page.clock.fast_forward(3100)


def _picture(page: Page, name: str) -> None:
    if folder := os.environ.get("SESAMOID_PICTURES"):
        page.screenshot(path=f"{folder}/{name}.png")


def _violations(page: Page) -> list[str]:
    return [v["id"] for v in Axe().run(page, options=RULES).response["violations"]]


def test_a_reader_signs_in_and_comes_back_to_where_they_wanted_to_go(page):
    page.goto("/?stage=delivered")
    expect(page.get_by_label("User")).to_be_focused()
    assert _violations(page) == []
    _sign_in(page, "wrong password")
    expect(page.get_by_role("alert")).to_have_text("User or password is not right.")
    _sign_in(page)
    page.wait_for_url("**/?stage=delivered")
    expect(page.get_by_role("button", name="Delivered")).to_have_attribute("aria-pressed", "true")
    expect(page.get_by_text("Dr Ida Vreeland")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/login")


def test_studies_appear_by_themselves_and_are_opened_by_keyboard(page, keep):
    page.goto("/")
    _sign_in(page)
    expect(page.get_by_text("No studies yet.")).to_be_visible()
    first, second = image(PatientName="Brandt^Pip"), image(PatientName="Ahlgren^Nix")
    keep(first)
    keep(second)
    _later(page)
    rows = page.locator("tbody tr")
    expect(rows).to_have_count(2)
    assert _violations(page) == []
    page.keyboard.press("ArrowDown")
    expect(page.get_by_role("link", name="Nix Ahlgren")).to_be_focused()
    page.keyboard.press("ArrowDown")
    link = page.get_by_role("link", name="Pip Brandt")
    expect(link).to_be_focused()
    keep(image(PatientName="Late^Comer"))
    _later(page)
    expect(rows).to_have_count(3)
    expect(link).to_be_focused()
    expect(rows.last).to_contain_text(re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d"))
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/read?StudyInstanceUIDs={first.StudyInstanceUID}")


def test_the_list_is_searched_from_the_keyboard_and_says_when_nothing_matches(page, keep):
    keep(image(PatientName="Brandt^Pip"))
    keep(image(PatientName="Ahlgren^Nix"))
    page.goto("/")
    _sign_in(page)
    expect(page.locator("tbody tr")).to_have_count(2)
    page.keyboard.press("/")
    page.keyboard.type("pip")
    expect(page.locator("tbody tr")).to_have_count(1)
    expect(page.get_by_role("status")).to_have_text("1 study")
    page.keyboard.type("zzz")
    expect(page.get_by_text("No study matches.")).to_be_visible()
    page.reload()
    expect(page.get_by_label("Search")).to_have_value("pipzzz")


def test_a_script_in_a_patients_name_is_shown_and_does_nothing(page, keep):
    name, description = "<script>alert(1)</script>", "<img src=x onerror=alert(2)>"
    keep(image(PatientName=f"{name}^x", PatientID="<b>P</b>", StudyDescription=description))
    page.goto("/")
    _sign_in(page)
    expect(page.locator("tbody tr")).to_contain_text(name)
    expect(page.locator("tbody tr")).to_contain_text(description)
    assert page.locator("tbody img, tbody script, tbody b").count() == 0


def test_a_node_that_stops_answering_is_told_and_the_rows_stay(page, keep):
    keep(image(PatientName="Brandt^Pip"))
    page.goto("/")
    _sign_in(page)
    expect(page.locator("tbody tr")).to_have_count(1)
    page.context.set_offline(True)
    _later(page)
    expect(page.get_by_role("alert")).to_contain_text("The node does not answer.")
    expect(page.locator("tbody tr")).to_have_count(1)
    page.context.set_offline(False)
    _later(page)
    expect(page.get_by_role("alert")).to_be_hidden()


def test_a_session_that_ended_leads_to_signing_in(page, keep, clock):
    page.goto("/")
    _sign_in(page)
    expect(page.get_by_text("No studies yet.")).to_be_visible()
    clock.forward(hours=9)
    _later(page)
    page.wait_for_url("**/login?next=%2F")


def test_the_list_fits_a_page_zoomed_to_400_percent(page, keep):
    keep(image(PatientName="Brandt^Pip"))
    page.set_viewport_size({"width": 320, "height": 256})
    page.goto("/")
    _sign_in(page)
    expect(page.locator("tbody tr")).to_have_count(1)
    page_width = page.evaluate("document.documentElement.scrollWidth")
    assert page_width <= 320, "only the table itself may scroll sideways"


def _prepare(store, made, *, priority: int = 0, missing: str = "", question: str = "") -> None:
    """Put an image's study on the list as work that waits."""
    study = str(made.StudyInstanceUID)
    row = store.study(study)
    animal = Signalment(patient_name=row.patient_name, patient_id=row.patient_id, species="dog")
    told = Remark(key="views_missing", severity="warning", text=missing)
    facts = StudyFacts(
        study_uid=study, signalment=animal, question=question, remarks=(told,) if missing else ()
    )
    template = Template(study_uid=study, regions=("carpus",), views=(), items=())
    seen = row.last_object_at
    assert store.save_preparation(study, seen, facts, template, priority=priority)


def test_the_list_is_worked_by_stage_urgency_and_keyboard_and_remembers(page, store, keep):
    made = [image(PatientName=name) for name in ("Brandt^Pip", "Ahlgren^Nix", "Okafor^Juno")]
    keep(*made)
    _prepare(store, made[0], question="Lame since Monday, swollen.")
    _prepare(store, made[1], priority=2, missing="The left carpus has no DPa view; take one.")
    _prepare(store, made[2])
    store.save_reading(
        str(made[2].StudyInstanceUID), Reading(), expected=0, user="ida", at=datetime.now(UTC)
    )
    page.goto("/")
    _sign_in(page)
    stage = page.get_by_role("group", name="Stage of the work")
    stage.get_by_role("button", name="To read 2").click()
    rows = page.locator("tbody tr")
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text("At once")
    expect(rows.first).to_contain_text("no DPa view")
    expect(rows.last).to_contain_text("Lame since Monday")
    _picture(page, "list-to-read")
    assert _violations(page) == []
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("u")
    expect(rows.last).to_contain_text("Urgent")
    expect(page.get_by_role("link", name="Pip Brandt")).to_be_focused()
    page.keyboard.press("3")
    expect(rows).to_have_count(1)
    expect(rows.first).to_contain_text("Being read by Dr Ida Vreeland")
    page.get_by_label("Mine").check()
    page.get_by_label("Order").select_option("newest")
    page.goto("/")
    expect(stage.get_by_role("button", name="In progress")).to_have_attribute(
        "aria-pressed", "true"
    )
    expect(page.get_by_label("Mine")).to_be_checked()
    expect(page.get_by_label("Order")).to_have_value("newest")
    page.get_by_role("button", name="Clear").click()
    stage.get_by_role("button", name="All").click()
    expect(rows).to_have_count(3)
    _picture(page, "list-all")
    page.set_viewport_size({"width": 400, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= 400
    table = page.locator(".scroll")
    assert table.evaluate("e => e.scrollWidth - e.clientWidth") <= 0, "it is moved sideways"
    expect(page.get_by_role("row").filter(has=page.get_by_role("link"))).to_have_count(3)
    expect(page.get_by_role("columnheader", name="Patient")).to_be_attached()
    assert _violations(page) == []
    _picture(page, "list-narrow")


def test_the_order_that_is_named_is_that_of_the_rows(page, store, keep):
    made = [image(PatientName=name) for name in ("Brandt^Pip", "Ahlgren^Nix")]
    for one in made:
        keep(one)
        _prepare(store, one)
    page.goto("/")
    _sign_in(page)
    rows, order = page.locator("tbody tr"), page.get_by_label("Order")
    expect(rows.first).to_contain_text("Nix")
    expect(order).to_have_value("newest")
    expect(order).to_be_disabled()
    page.get_by_role("button", name="To read").click()
    expect(rows.first).to_contain_text("Pip")
    expect(order).to_have_value("queue")
    expect(order).to_be_enabled()


def test_a_script_in_any_string_of_the_list_is_only_seen(page, store, keep):
    script = "<img src=x onerror=alert(1)>"
    made = [image(PatientName=f"{script}^{n}", AccessionNumber=script[:16]) for n in range(2)]
    keep(*made)
    store.add_user("<b>eve</b>", script, PASSWORD_HASH, [script])
    for one in made:
        _prepare(store, one, missing=script, question=script, priority=1)
    study = str(made[0].StudyInstanceUID)
    store.set_priority(study, 2, user=script, at=datetime.now(UTC))
    store.save_reading(study, Reading(), expected=0, user="<b>eve</b>", at=datetime.now(UTC))
    page.goto("/")
    page.get_by_label("User").fill("<b>eve</b>")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.locator("tbody tr")).to_have_count(2)
    expect(page.locator("#who")).to_contain_text("<img src")  # "=" ends a name in DICOM
    expect(page.locator("tbody")).to_contain_text("Being read by <img src")
    expect(page.locator("tbody .missing").first).to_have_text(script)
    assert page.locator("tbody img, tbody b").count() == 0
    page.goto(f"/nothing/{script}")
    expect(page.locator("main")).to_contain_text(script)
    assert page.locator("main img[src=x]").count() == 0
