"""How many keys a study takes from open to ready to sign."""

import re
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, expect

from tests.browser.waiting import settled

MOST_KEYS = 12
MOST_KEYS_OF_THREE_FINDINGS = 60


def blocking(node: Any) -> list[str]:
    return [gap["text"] for gap in node.standing()["gaps"] if gap["blocking"]]


def test_a_normal_carpus_takes_few_keys_and_each_structure_was_shown(
    page: Page, panel: Locator, node: Any, shots: Any
) -> None:
    pressed = 0
    page.keyboard.press("o")
    pressed += 1
    sheet = panel.locator(".sheet.eye")
    expect(sheet).to_be_visible()
    page.screenshot(path=shots / "birds_eye.png")
    assert node.reading.observations == {}
    here = panel.locator("nav [aria-current]")
    while pressed < 40 and "Conclude" not in here.inner_text():
        page.keyboard.press("Shift+Space")
        pressed += 1
    expect(panel.locator("input[type=password]")).to_be_visible()
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"))
    page.screenshot(path=shots / "birds_eye_done.png")
    assert set(node.reading.shown) == {item.id for item in node.template.items}
    asked = sum(v != "no" for item in node.template.items for v in item.visibility.values())
    said = [o for views in node.reading.observations.values() for o in views.values()]
    assert len(said) == asked
    assert all(o.by_group and o.value == "normal" for o in said)
    assert blocking(node) == ["The impression is empty."]
    summary = panel.get_by_role("button", name="Take over the summary")
    expect(summary).to_be_attached()
    page.keyboard.press("s")
    expect(summary).to_be_focused()
    page.keyboard.press("s")
    pressed += 2
    expect(summary).to_have_count(0)
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"))
    print(f"keys from open to ready to sign, normal carpus, two views: {pressed}; looks: {asked}")
    assert blocking(node) == []
    assert pressed <= MOST_KEYS


class Keys:
    """A keyboard that counts; letters typed into a search are keys like others."""

    def __init__(self, page: Page) -> None:
        self.page, self.pressed = page, 0

    def __call__(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.pressed += 1

    def type(self, text: str) -> None:
        self(*text, "Enter")


def test_three_findings_take_few_keys_each_checked_at_a_right_angle(
    page: Page, panel: Locator, node: Any, shots: Any
) -> None:
    keys = Keys(page)
    keys("o")
    expect(panel.locator(".sheet.eye")).to_be_visible()
    here = panel.locator("nav [aria-current]")
    while keys.pressed < 40 and "Conclude" not in here.inner_text():
        keys("Shift+Space")
    expect(panel.locator("input[type=password]")).to_be_visible()
    for structure, word in (("l rad", "frac"), ("l soft", "swel"), ("ante", "narr")):
        keys("/")
        keys.type(structure)
        keys("a")
        expect(panel.locator(".editor input[type=search]")).to_be_focused()
        keys.type(word)
        keys("Enter", "Enter")
        page.screenshot(path=shots / f"three_findings_{keys.pressed}.png")
        print(structure, panel.locator(".editor h2").inner_text(), keys.pressed)
        keys("Escape")
    keys("c", "s", "s")
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"))
    print(f"keys from open to ready to sign, three findings, two views: {keys.pressed}")
    found = [(f.item, f.descriptors, f.cross_check) for f in node.reading.findings]
    print(found, blocking(node))
    assert len(found) == 3
    assert all(list(checks.values()) == ["confirmed"] for _, _, checks in found)
    assert blocking(node) == []
    assert keys.pressed <= MOST_KEYS_OF_THREE_FINDINGS


def test_what_lies_below_the_edge_is_not_answered_unseen(
    page: Page, panel: Locator, node: Any, shots: Any
) -> None:
    page.set_viewport_size({"width": 900, "height": 620})
    page.keyboard.press("]")
    page.keyboard.press("o")
    expect(panel.locator(".sheet.eye")).to_be_visible()
    page.screenshot(path=shots / "birds_eye_first_page.png")
    onward = panel.locator(".sheet .confirm button")
    expect(onward).to_contain_text("Next page")
    page.keyboard.press("Shift+Space")
    expect(panel.locator("nav [aria-current]")).to_contain_text("Bone")
    assert node.reading.observations == {}
    assert panel.locator(".sheet.eye").evaluate("sheet => sheet.scrollTop") > 0
    pages = 1
    while "Next page" in onward.inner_text():
        assert pages < 20, "the sheet never ends"
        onward.click()
        pages += 1
        settled(page)
    expect(onward).to_contain_text("All normal")
    assert node.reading.observations == {}
    panel.locator(".sheet.eye").evaluate("sheet => sheet.scrollTo(0, 0)")
    expect(onward).to_contain_text("All normal")
    page.screenshot(path=shots / "birds_eye_seen.png")
    assert Axe().run(page).response["violations"] == []
    page.keyboard.press("Escape")
    expect(panel.locator(".sheet")).to_have_count(0)
