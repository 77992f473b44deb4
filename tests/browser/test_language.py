"""The panel in German: chosen on the page of keys, kept with the account."""

from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.looking import TOO_WIDE, faults, visit
from tests.browser.waiting import saved, settled

pytestmark = pytest.mark.browser


def test_the_reader_chooses_german_and_nothing_entered_is_lost(
    page: Page, panel: Locator, node, shots: Path
) -> None:
    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press(" ")
    page.keyboard.press("?")
    panel.get_by_role("group", name="Language").get_by_role("button", name="Deutsch").click()
    expect(panel.get_by_role("button", name="Knochen")).to_be_visible()
    expect(panel).to_have_attribute("lang", "de")
    saved(page)
    assert node.reading.observations["R.carpus.radius_distal"]
    assert node.preferences.language == "de"
    for place in visit(page, panel, "Knochen"):
        saved(page)
        for theme in ("light", "dark"):
            panel.evaluate("(panel, theme) => { panel.dataset.theme = theme; }", theme)
            settled(page)
            panel.screenshot(path=shots / f"german-{place}-{theme}.png")
            assert faults(page) == [], (place, theme)
            assert panel.evaluate(TOO_WIDE) == []
        if place == "conclude":
            expect(panel.get_by_role("heading", name="Noch offen")).to_be_visible()
    languages = panel.get_by_role("group", name="Sprache")
    expect(languages.get_by_role("button", name="Deutsch")).to_have_attribute(
        "aria-pressed", "true"
    )
    languages.get_by_role("button", name="English").click()
    expect(panel.get_by_role("button", name="Bone").first).to_be_visible()
