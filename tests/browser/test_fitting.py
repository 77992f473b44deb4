"""What readers enter does not make the panel wider than its place."""

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
