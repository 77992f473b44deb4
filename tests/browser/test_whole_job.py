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


def sign_in(page: Page, clinic: Clinic) -> None:
    page.goto(clinic.service.address)
    page.get_by_label("User").fill(USER)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")


def open_study(page: Page) -> Locator:
    page.get_by_role("link", name=re.compile("Biscuit")).click()
    panel = page.locator("sesamoid-panel")
    panel.locator(".card h2").wait_for(timeout=60_000)
    expect(page.locator(".cornerstone-canvas")).to_have_count(2)
    return panel


def heading(panel: Locator) -> str:
    return panel.locator(".card h2").inner_text()


def describe_fracture(page: Page, panel: Locator) -> None:
    """Abnormal on DPa, with a descriptor, a severity, a length and the cross-check."""
    page.keyboard.press("1")
    page.keyboard.press("a")
    expect(panel.get_by_role("searchbox")).to_be_focused()
    page.keyboard.type("fracture line")
    page.keyboard.press("Enter")
    panel.get_by_role("button", name="moderate").click()
    panel.get_by_role("button", name="Length").click()
    box = page.locator(".cornerstone-canvas").first.bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] * 0.43, box["y"] + box["height"] * 0.73)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.47, box["y"] + box["height"] * 0.75, steps=6)
    page.mouse.up()
    expect(panel.locator(".measurements")).to_contain_text("mm")
    panel.get_by_role("button", name="confirmed").click()
    shot(page, "3-finding")
    page.keyboard.press("Escape")


def go_round(page: Page, panel: Locator) -> int:
    """Space through the whole limb; the fractured bone is described. Returns the key presses."""
    presses = 0
    left = panel.locator(".left")
    while left.inner_text()[:1].isdigit() and presses < 300:
        if FRACTURED.search(heading(panel)) and "abnormal" not in panel.inner_text():
            describe_fracture(page, panel)
            page.keyboard.press("n")
        page.keyboard.press("Space")
        presses += 1
    return presses


def conclude(page: Page, panel: Locator) -> None:
    panel.get_by_role("button", name="Conclude").last.click()
    panel.get_by_label("Impression").fill("Fracture of the proximal phalanx of digit IV.")
    panel.get_by_label("Recommendations").fill("Splint; films again in two weeks.")
    expect(panel.locator(".save")).to_contain_text("saved")
    shot(page, "4-conclude")


def test_the_whole_job_from_the_list_to_the_committed_report(page, clinic, study_uid) -> None:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.set_viewport_size({"width": 1600, "height": 950})
    sign_in(page, clinic)
    expect(page.get_by_role("link", name=re.compile("Biscuit"))).to_be_visible()
    shot(page, "1-list")
    panel = open_study(page)
    shot(page, "2-opened")
    presses = go_round(page, panel)
    conclude(page, panel)
    panel.locator("input[name=password]").fill(PASSWORD)
    panel.get_by_role("button", name=re.compile("^Sign")).click()
    expect(panel.locator(".documents")).to_contain_text("committed", timeout=30_000)
    shot(page, "5-committed")
    panel.get_by_role("button", name=re.compile("Report")).first.click()
    expect(page.locator("sesamoid-report")).to_contain_text("Fracture of the proximal phalanx")
    shot(page, "6-report-in-viewer")
    print(f"key presses to go round: {presses}")
    assert errors == []
    documents = [d for d in clinic.archive.stored(study_uid) if d.Modality == "SR"]
    signed = next(d for d in documents if d.ConceptNameCodeSequence[0].CodeValue == "18748-4")
    content = report.read(signed)
    assert [f.item for f in content.reading.findings] == ["R.manus.d4_p1"]
    assert len(content.reading.measurements) == 1
    assert len(documents) == 2


def test_a_plugin_that_fails_leaves_the_images_and_a_sentence(page, clinic, study_uid) -> None:
    page.route("**/plugin/extension.js", lambda route: route.fulfill(status=500))
    sign_in(page, clinic)
    page.get_by_role("link", name=re.compile("Biscuit")).click()
    expect(page.get_by_role("alert")).to_contain_text("panel could not be loaded")
    expect(page.locator(".cornerstone-canvas").first).to_be_visible(timeout=60_000)
    shot(page, "7-plugin-failed")
