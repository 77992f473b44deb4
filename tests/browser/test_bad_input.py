"""What a study may bring that nobody wished for: the panel says so and keeps what was entered."""

from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, expect

from tests.browser.facts import dog_study

CLEAN = "() => document.querySelector('sesamoid-panel').session.queue.clean"


def test_an_image_that_comes_late_is_taken_in_and_what_was_entered_stays(
    page: Page, panel: Locator, node: Any, shots: Path
) -> None:
    page.keyboard.press("t")
    expect(panel.get_by_role("status").filter(has_text="answer this view first")).to_be_visible()
    page.keyboard.press("v")
    page.keyboard.press("t")
    page.keyboard.type("In mid-")
    page.wait_for_function(CLEAN)
    node.prepare_anew(dog_study(views=("DPa", "ML", "D45L-PaMO")))
    page.keyboard.type("sentence", delay=60)
    expect(panel.get_by_role("status").filter(has_text="images")).to_be_visible()
    page.screenshot(path=shots / "late-image.png")
    page.wait_for_function(CLEAN)
    assert node.reading.template_revision == 2
    views = page.evaluate(
        "() => document.querySelector('sesamoid-panel').session.template.views.map(v => v.view)"
    )
    assert views == ["DPa", "ML", "D45L-PaMO"]
    notes = [o.note for seen in node.reading.observations.values() for o in seen.values()]
    assert notes == ["In mid-sentence"]


@pytest.mark.parametrize("node", ["forty images"], indirect=True)
def test_forty_images_can_be_read(page: Page, panel: Locator, node: Any, shots: Path) -> None:
    panel.get_by_role("button", name="Bone").click()
    page.screenshot(path=shots / "forty-images.png")
    page.keyboard.press(" ")
    page.wait_for_function(CLEAN)
    (seen,) = node.reading.observations.values()
    assert len(seen) == 40
    overflow = panel.evaluate("p => p.scrollWidth - p.clientWidth")
    assert overflow <= 0
    found = Axe().run(page, context="sesamoid-panel").response["violations"]
    assert [v["id"] for v in found] == []


@pytest.mark.parametrize("node", ["one view"], indirect=True)
def test_a_finding_without_a_second_view_says_that_it_has_none(
    page: Page, panel: Locator, node: Any
) -> None:
    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press("a")
    editor = panel.locator(".editor")
    expect(editor).to_contain_text("no orthogonal view; the report will say so")
    page.wait_for_function(CLEAN)
    (finding,) = node.reading.findings
    assert finding.cross_check == {"": "no_such_view"}
