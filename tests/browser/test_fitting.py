"""What readers enter fits into its place, and a mark goes on by keys where the pointer left it."""

from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.looking import TOO_WIDE
from tests.browser.states import at_item, keys
from tests.browser.waiting import settled

pytestmark = pytest.mark.browser


def test_long_words_that_were_chosen_fit_into_the_finding(page: Page, panel: Locator) -> None:
    at_item(page, "R.carpus.soft_medial")
    keys(page, "1", "a")
    expect(panel.get_by_role("searchbox")).to_be_focused()
    page.keyboard.type("joint-centred")
    keys(page, "Enter")
    panel.locator(".field-head", has_text="Foreign material").click()
    expect(panel.locator(".field-said")).to_have_text("joint-centred soft-tissue swelling")
    for width in (380, 400):
        page.add_style_tag(content=f"main {{ grid-template-columns: 1fr {width}px !important }}")
        settled(page)
        assert panel.evaluate(TOO_WIDE) == [], width


def test_a_landmark_that_was_dragged_is_moved_on_by_the_arrow_keys(
    page: Page, panel: Locator, node: Any
) -> None:
    uid = node.facts.images[0].uid
    at_item(page, "R.carpus.radius_distal")
    keys(page, "k")
    place = panel.locator("[data-landmark]").nth(1)
    name = str(place.get_attribute("data-landmark"))
    assert name.startswith(uid)
    page.evaluate("name => window.host.moveHandle(name, [60, 70])", name)
    expect(place).to_be_focused()
    keys(page, "ArrowRight", "ArrowDown")
    layer = page.evaluate("() => document.querySelector('sesamoid-panel').hand().layer().handles")
    assert [h["point"] for h in layer if h["id"] == name] == [[62, 72]]
