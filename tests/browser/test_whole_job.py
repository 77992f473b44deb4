"""The whole job in a real browser and the real host viewer, with screenshots of each state."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

from dicom_service import report
from test_pacs.clinic import Clinic
from test_pacs.studies import demo_study
from tests.browser import real_node
from tests.browser.real_node import PASSWORD
from tests.browser.waiting import still

pytestmark = pytest.mark.browser
SHOTS = Path(__file__).parent / "screenshots"
USER = "ida"
FRACTURED = re.compile("proximal phalanx of digit IV", re.IGNORECASE)


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("clinic")) as clinic:
        yield clinic


@pytest.fixture(scope="module")
def study_uid(clinic) -> str:
    return real_node.routed(clinic, demo_study("lame labrador").datasets)


def shot(page: Page, name: str) -> None:
    SHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SHOTS / f"job-{name}.png")


def reach(page: Page, target: Locator) -> None:
    """Go there with the tabulator alone."""
    here = "e => e.getRootNode().activeElement === e"
    for _ in range(150):
        if target.evaluate(here):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"no tabulator leads to {target}")


def press(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def sign_in(page: Page, clinic: Clinic) -> None:
    page.goto(clinic.service.address)
    expect(page.get_by_label("User")).to_be_focused()
    page.keyboard.type(USER)
    press(page, "Tab")
    page.keyboard.type(PASSWORD)
    press(page, "Enter")
    expect(page.get_by_role("link", name=re.compile("Biscuit"))).to_be_visible()


def open_study(page: Page) -> Locator:
    press(page, "ArrowDown")
    expect(page.get_by_role("link", name=re.compile("Biscuit"))).to_be_focused()
    press(page, "Enter")
    panel = page.locator("sesamoid-panel")
    panel.locator(".card h2").wait_for(timeout=60_000)
    expect(page.locator(".cornerstone-canvas")).to_have_count(2)
    still(page, 2)
    return panel


def heading(panel: Locator) -> str:
    return panel.locator(".card h2").inner_text()


def describe_fracture(page: Page, panel: Locator) -> None:
    """Abnormal on DPa, with a descriptor, a severity and the cross-check."""
    press(page, "1", "a")
    expect(panel.get_by_role("searchbox")).to_be_focused()
    page.keyboard.type("fracture line")
    press(page, "Enter")
    for name in ("moderate", "confirmed"):
        reach(page, panel.get_by_role("button", name=name))
        press(page, "Enter")
    shot(page, "3-finding")
    press(page, "Escape")


def measure_swelling(page: Page, panel: Locator) -> None:
    """A profile of the soft tissue, marked in the middle of the image."""
    press(page, "m")
    reach(page, panel.get_by_role("button", name="Soft tissue profile"))
    press(page, "Enter")
    expect(panel.locator('[data-landmark="0"]')).to_be_focused()
    press(page, "Enter")
    expect(panel.locator(".result")).to_contain_text("thickest soft tissue", ignore_case=True)
    press(page, "y")
    expect(panel.locator("li.computed")).to_contain_text("soft tissue thickness")


def go_round(page: Page, panel: Locator) -> int:
    """Space through the whole limb; the fractured bone is described. Returns the key presses."""
    presses = 0
    left = panel.locator(".left")
    while left.inner_text()[:1].isdigit() and presses < 300:
        if FRACTURED.search(heading(panel)) and "abnormal" not in panel.inner_text():
            describe_fracture(page, panel)
            press(page, "n")
        press(page, "Space")
        presses += 1
    return presses


def conclude(page: Page, panel: Locator) -> None:
    press(page, "c")
    for label, words in (
        ("Impression", "Fracture of the proximal phalanx of digit IV."),
        ("Recommendations", "Splint; films again in two weeks."),
    ):
        reach(page, panel.get_by_label(label))
        page.keyboard.type(words)
    expect(panel.locator(".save")).to_contain_text("saved")
    shot(page, "4-conclude")
    reach(page, panel.locator("input[name=password]"))
    page.keyboard.type(PASSWORD)
    press(page, "Enter")


def test_the_whole_job_from_the_list_to_the_committed_report_by_keyboard_alone(
    page, clinic, study_uid
) -> None:
    page.add_init_script("addEventListener('pointerdown', () => { localStorage.hand = 1; }, true)")
    page.set_viewport_size({"width": 1600, "height": 950})
    sign_in(page, clinic)
    shot(page, "1-list")
    panel = open_study(page)
    shot(page, "2-opened")
    measure_swelling(page, panel)
    presses = go_round(page, panel)
    conclude(page, panel)
    expect(panel.locator(".documents")).to_contain_text("committed", timeout=30_000)
    shot(page, "5-committed")
    reach(page, panel.get_by_role("button", name=re.compile("Report")).first)
    press(page, "Enter")
    expect(page.locator("sesamoid-report")).to_contain_text("Fracture of the proximal phalanx")
    shot(page, "6-report-in-viewer")
    print(f"key presses to go round: {presses}")
    assert page.evaluate("localStorage.hand") is None, "a pointer was used"
    documents = [d for d in clinic.archive.stored(study_uid) if d.Modality == "SR"]
    signed = next(d for d in documents if d.ConceptNameCodeSequence[0].CodeValue == "18748-4")
    content = report.read(signed)
    assert [f.item for f in content.reading.findings] == ["R.manus.d4_p1"]
    (measured,) = content.reading.measurements
    assert measured.computed.kind == "swelling_profile"
    assert len(documents) == 2


def test_a_plugin_that_fails_leaves_the_images_and_a_sentence(page, clinic, study_uid) -> None:
    page.route("**/plugin/extension.js", lambda route: route.fulfill(status=500))
    sign_in(page, clinic)
    press(page, "ArrowDown", "Enter")
    expect(page.get_by_role("alert")).to_contain_text("panel could not be loaded")
    expect(page.locator(".cornerstone-canvas").first).to_be_visible(timeout=60_000)
    shot(page, "7-plugin-failed")
