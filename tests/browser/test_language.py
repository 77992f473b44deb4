"""The panel in German: chosen on the page of keys, kept with the account."""

from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

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
    page.wait_for_function("() => document.querySelector('sesamoid-panel').session?.queue.clean")
    assert node.reading.observations["R.carpus.radius_distal"]
    assert node.preferences.language == "de"
    panel.get_by_role("button", name="Knochen").click()
    page.screenshot(path=shots / "german-1-reading.png")
    page.keyboard.press("c")
    expect(panel.get_by_role("heading", name="Noch offen")).to_be_visible()
    page.screenshot(path=shots / "german-2-conclude.png")
    page.keyboard.press("?")
    languages = panel.get_by_role("group", name="Sprache")
    expect(languages.get_by_role("button", name="Deutsch")).to_have_attribute(
        "aria-pressed", "true"
    )
    page.screenshot(path=shots / "german-3-keys.png")
    languages.get_by_role("button", name="English").click()
    expect(panel.get_by_role("button", name="Bone")).to_be_visible()
