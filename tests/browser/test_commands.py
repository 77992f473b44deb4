"""Search over everything the panel can do, and keys of the reader's own."""

from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, expect


def accessible(page: Page) -> None:
    found = Axe().run(page, context="sesamoid-panel").response["violations"]
    assert [(v["id"], n["html"]) for v in found for n in v["nodes"]] == []


def test_one_key_searches_commands_sections_and_structures(
    page: Page, panel: Locator, node: Any, shots: Path
) -> None:
    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press("/")
    box = panel.get_by_role("combobox", name="Search everything")
    expect(box).to_be_focused()
    page.keyboard.type("describe it")
    expect(panel.get_by_role("option")).to_have_count(1)
    page.keyboard.press("Enter")
    expect(panel.locator(".editor")).to_be_visible()
    assert panel.evaluate("p => p.session.reading.findings.length") == 1
    page.keyboard.press("Escape")
    page.keyboard.press("/")
    page.keyboard.type("metacarpal")
    page.keyboard.press("ArrowDown")
    page.screenshot(path=shots / "search.png")
    accessible(page)
    chosen = panel.get_by_role("option", selected=True).locator(".row-name").inner_text()
    page.keyboard.press("Enter")
    expect(panel.locator(".card h2")).to_have_text(chosen, ignore_case=True)
    page.keyboard.press("/")
    page.keyboard.type("no such thing")
    expect(panel.get_by_role("status").filter(has_text="Nothing has")).to_be_visible()
    page.keyboard.press("Escape")
    expect(panel.locator(".card h2")).to_have_text(chosen, ignore_case=True)


def test_a_finding_is_said_by_its_word_at_the_structure_chosen(
    page: Page, panel: Locator, node: Any
) -> None:
    panel.get_by_role("button", name="Bone").click()
    structure = panel.locator(".card h2").inner_text()
    page.keyboard.press("/")
    page.keyboard.type("lysis")
    row = panel.get_by_role("option", selected=True)
    expect(row).to_contain_text(f"finding, {structure}", ignore_case=True)
    word = row.locator(".row-name").inner_text()
    page.keyboard.press("Enter")
    expect(panel.locator(".editor .chip[aria-pressed=true], .editor .field-said")).to_have_text(
        word, ignore_case=True
    )
    page.keyboard.press("Escape")  # out of the search field of the words
    page.keyboard.press("/")
    page.keyboard.type("lysis")
    page.keyboard.press("Enter")  # said already: it stays
    assert panel.evaluate("p => p.session.reading.findings.map(f => f.descriptors.length)") == [1]
    # The field of the words has the focus and no text of its own to take back.
    page.keyboard.press("Control+z")
    page.keyboard.press("Control+z")
    assert panel.evaluate("p => p.session.reading.findings.length") == 0


def test_a_key_is_changed_refused_kept_and_reset(
    page: Page, panel: Locator, node: Any, opened: Any, shots: Path
) -> None:
    page.keyboard.press("?")
    button = panel.get_by_role("button", name="abnormal: describe it: a. Change")
    button.click()
    page.keyboard.press("v")
    expect(panel.locator(".bad")).to_contain_text("v is the key of: normal variant")
    page.keyboard.press("i")
    expect(panel.locator(".bad")).to_contain_text("belongs to the images")
    page.screenshot(path=shots / "keys-refused.png")
    accessible(page)
    page.keyboard.press("q")
    expect(panel.get_by_role("status")).to_contain_text("q is now: abnormal")
    page.evaluate("localStorage.clear()")  # at another desk
    panel = opened(page, node)
    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press("a")
    assert panel.locator(".editor").count() == 0
    expect(panel.locator(".value.abnormal kbd").first).to_have_text("q")
    page.keyboard.press("q")
    expect(panel.locator(".editor")).to_be_visible()
    page.keyboard.press("Escape")
    page.keyboard.press("?")
    panel.get_by_role("button", name="Keys as delivered").click()
    expect(panel.get_by_role("button", name="abnormal: describe it: a. Change")).to_be_visible()
