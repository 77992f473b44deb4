"""The reading list in a real browser: signing in, keyboard, live rows, accessibility."""

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from dicom_service.settings import Settings
from dicom_service.web import serve
from tests.web.conftest import PASSWORD, image

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


def _violations(page: Page) -> list[str]:
    return [v["id"] for v in Axe().run(page, options=RULES).response["violations"]]


def test_a_reader_signs_in_and_comes_back_to_where_they_wanted_to_go(page):
    page.goto("/?state=signed")
    expect(page.get_by_label("User")).to_be_focused()
    assert _violations(page) == []
    _sign_in(page, "wrong password")
    expect(page.get_by_role("alert")).to_have_text("User or password is not right.")
    _sign_in(page)
    page.wait_for_url("**/?state=signed")
    expect(page.get_by_label("Show")).to_have_value("signed")
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
    expect(page.get_by_role("link", name="Nix, Ahlgren")).to_be_focused()
    page.keyboard.press("ArrowDown")
    link = page.get_by_role("link", name="Pip, Brandt")
    expect(link).to_be_focused()
    keep(image(PatientName="Late^Comer"))
    _later(page)
    expect(rows).to_have_count(3)
    expect(link).to_be_focused()
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
