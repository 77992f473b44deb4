"""What does not fit, before the reader: said in place, and nothing that was entered is lost."""

import re
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, expect

from tests.browser.facts import dog_study
from tests.browser.looking import at_widths
from tests.browser.waiting import saved

pytestmark = pytest.mark.browser
CALLS = "name => window.host.calls.filter(call => call[0] === name).map(call => call[1])"
SWAPPED = {
    "R.carpus.antebrachiocarpal": (900.0, 400.0),
    "R.carpus.carpometacarpal": (900.0, 1500.0),
    "R.manus.mcp_3": (900.0, 700.0),
    "R.manus.dip_3": (900.0, 1900.0),
}
"""Of the lateral image: two of them in each other's place."""


def fits(page: Page, panel: Locator, shot: Path) -> None:
    """Nothing is cut off at 380 px, and axe finds nothing."""
    page.wait_for_timeout(200)
    panel.screenshot(path=shot)
    wide = panel.evaluate(
        "p => [...p.shadowRoot.querySelectorAll('.card, .conclude, header, nav, footer, .strip')]"
        ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.className)"
    )
    assert wide == []
    results = Axe().run(page, context="sesamoid-panel")
    assert results.violations_count == 0, results.generate_report()


def narrow(page: Page) -> None:
    page.add_style_tag(content="main { grid-template-columns: 1fr 380px !important }")


def test_wrong_landmarks_and_an_image_that_fails_are_said_in_place(
    page: Page, node: Any, opened: Any, shots: Path
) -> None:
    dpa, ml = (view.uid for view in node.template.views)
    node.reading = node.reading.model_copy(update={"landmarks": {ml: SWAPPED}})
    panel = opened(page, node)
    narrow(page)
    panel.get_by_role("button", name="Bone").click()
    line = panel.locator(".tour-line")
    expect(line).to_contain_text("No landmarks on DPa")
    expect(line).to_contain_text(re.compile("comes before carpometacarpal joint", re.I))
    assert page.evaluate(CALLS, "zoomTo") == []
    fits(page, panel, shots / "bad-1-landmarks.png")
    page.keyboard.press("k")
    expect(panel.locator("[data-landmarks] .wrong")).to_have_count(1)
    fits(page, panel, shots / "bad-2-landmark-sheet.png")
    panel.locator(f'[data-landmark="{ml}|R.manus.mcp_3"]').focus()
    for _ in range(50):
        page.keyboard.press("Shift+ArrowDown")
    expect(panel.locator("[data-landmarks] .wrong")).to_contain_text("out of proportion")
    page.keyboard.press("Escape")
    page.evaluate("uid => window.host.fail(uid)", dpa)
    trouble = panel.locator("[data-image-trouble]")
    expect(trouble).to_contain_text("DPa could not be loaded. What you entered is kept.")
    page.keyboard.press("n")
    expect(trouble).to_be_visible()
    fits(page, panel, shots / "bad-3-image.png")
    trouble.get_by_role("button").click()
    expect(trouble).to_have_count(0)
    assert page.evaluate(CALLS, "again") == [dpa]


def test_without_landmarks_the_images_stay_whole_and_everything_can_be_answered(
    page: Page, panel: Locator, node: Any
) -> None:
    panel.get_by_role("button", name="Bone").click()
    expect(panel.locator(".tour-line")).to_contain_text("No landmarks on DPa and ML")
    page.keyboard.press("n")
    page.keyboard.press("Space")
    saved(page)
    assert page.evaluate(CALLS, "zoomTo") == []
    assert len(node.reading.observations) == 1
    page.keyboard.press("a")
    expect(panel.locator(".editor")).to_be_visible()
    assert page.evaluate("window.host.layer.shapes") == [], "a ghost where nothing is known"


def test_a_draft_older_than_its_template_is_opened_with_all_that_it_holds(
    page: Page, panel: Locator, node: Any, opened: Any
) -> None:
    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press("Space")
    saved(page)
    before = dict(node.reading.observations)
    node.template = node.template.model_copy(update={"revision": node.template.revision + 1})
    panel = opened(page, node)
    assert node.reading.template_revision < node.template.revision
    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press("v")
    saved(page)
    assert node.reading.template_revision == node.template.revision
    now = node.reading.observations
    assert {item: now[item] for item in before} == before
    assert len(now) == len(before) + 1
    expect(panel.get_by_role("alert")).to_have_count(0)


@pytest.mark.parametrize("node", ["forty"], indirect=True)
def test_forty_images_leave_room_to_work(
    page: Page, panel: Locator, node: Any, shots: Path
) -> None:
    narrow(page)
    panel.get_by_role("button", name="Bone").click()
    title = panel.locator(".card h2")
    values = panel.locator(".card .values").first
    for seen in (title, values):
        expect(seen).to_be_in_viewport(ratio=1)
    expect(panel.locator(".tour-line")).to_contain_text("more: the images stay")
    fits(page, panel, shots / "bad-4-forty.png")
    page.keyboard.press("Space")
    expect(panel.locator("nav button").nth(1)).to_contain_text("40/1560")
    saved(page)
    assert [len(said) for said in node.reading.observations.values()] == [40]
    seen_by_kind(page, panel, node, shots)
    page.keyboard.press("c")
    expect(panel.locator(".conclude")).to_contain_text("not yet observed on 10 × DPa, 10 × ML")
    fits(page, panel, shots / "bad-5-forty-conclude.png")


def seen_by_kind(page: Page, panel: Locator, node: Any, shots: Path) -> None:
    """Four strips instead of forty in each shape, and in the card the kinds that show it."""
    chosen = panel.locator(".shape.chosen")
    expect(panel.locator(".legend").first).to_contain_text("10 × DPa · 10 × ML · 10 × D45L-PaMO")
    expect(chosen.locator(".cut")).to_have_count(3)
    expect(panel.locator(".card .kind-head")).to_have_count(3)
    expect(panel.locator(".card .view")).to_have_count(10)
    for key in ("a", "Escape", "4", "v"):
        page.keyboard.press(key)
    strips = chosen.locator(".fill")
    shown = "s => s.map(e => e.className.baseVal.split(' ')[1])"
    assert strips.evaluate_all(shown) == ["abnormal", "variant", "open", "blind", "open", "open"]
    heights = strips.evaluate_all("s => s.map(e => e.height.baseVal.value)")
    assert min(heights) > 0.1 * max(heights), "one of ten can be seen"
    expect(chosen).to_have_attribute("aria-label", re.compile("10 × DPa: 1 abnormal, "))
    for _ in at_widths(page, panel, shots, "forty-card"):
        pass
    narrow(page)
    more = panel.locator(".more-images")
    more.locator("summary").click()
    expect(more.get_by_role("button")).to_have_count(36)
    panel.locator(".kind-head").last.click()
    expect(panel.locator(".card .view").first).to_contain_text("D45M-PaLO")
    page.keyboard.press("o")
    fits(page, panel, shots / "bad-4-forty-sheet.png")
    page.keyboard.press("Escape")
    more.locator("summary").click()


def test_a_session_that_ends_and_an_image_that_comes_late_in_mid_sentence(
    page: Page, panel: Locator, node: Any, shots: Path
) -> None:
    narrow(page)
    page.keyboard.press("c")
    field = panel.get_by_label("Impression")
    field.focus()
    page.keyboard.type("Fissure of the ")
    saved(page)
    node.signed_out = True
    page.keyboard.type("distal ra")
    expect(panel.get_by_role("link", name="Sign in")).to_be_visible()
    fits(page, panel, shots / "bad-6-signed-out.png")
    page.keyboard.type("di")
    node.signed_out = False
    node.late(dog_study(views=("DPa", "ML", "D45L-PaMO")))
    page.keyboard.type("us")
    expect(panel.locator("details.images summary")).to_contain_text("D45L-PaMO")
    page.keyboard.type(".")
    saved(page)
    assert node.reading.impression == "Fissure of the distal radius."
    expect(field).to_have_value("Fissure of the distal radius.")
    expect(field).to_be_focused()
    expect(panel.get_by_role("alert")).to_have_count(0)


def test_a_note_needs_an_answer_and_outlives_an_image_that_comes_late(
    page: Page, panel: Locator, node: Any
) -> None:
    page.keyboard.press("t")
    expect(panel.get_by_role("status").filter(has_text="answer this view first")).to_be_visible()
    page.keyboard.press("v")
    page.keyboard.press("t")
    page.keyboard.type("In mid-")
    saved(page)
    node.late(dog_study(views=("DPa", "ML", "D45L-PaMO")))
    page.keyboard.type("sentence", delay=60)
    expect(panel.get_by_role("status").filter(has_text="images")).to_be_visible()
    saved(page)
    assert node.reading.template_revision == 2
    notes = [o.note for seen in node.reading.observations.values() for o in seen.values()]
    assert notes == ["In mid-sentence"]


@pytest.mark.parametrize("node", ["one view"], indirect=True)
def test_a_finding_without_a_second_view_says_that_it_has_none(
    page: Page, panel: Locator, node: Any
) -> None:
    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press("a")
    expect(panel.locator(".editor")).to_contain_text("no orthogonal view; the report will say so")
    saved(page)
    (finding,) = node.reading.findings
    assert finding.cross_check == {"": "no_such_view"}
