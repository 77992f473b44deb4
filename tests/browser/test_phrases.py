"""Phrases of the reader's own: made, put into text fields, kept with the account, in a file."""

import json
from pathlib import Path
from typing import Any

from playwright.sync_api import Locator, Page, expect

from dicom_service.store import Phrase
from tests.browser.real_node import accessible
from tests.browser.waiting import eventually, saved


def value(field: Locator) -> str:
    return field.input_value()


def selected(field: Locator) -> str:
    return str(field.evaluate("f => f.value.slice(f.selectionStart, f.selectionEnd)"))


def test_a_phrase_is_made_by_keyboard_and_typed_by_its_name(
    page: Page, panel: Locator, node: Any, shots: Path
) -> None:
    page.keyboard.press("f")
    expect(panel.get_by_role("button", name="New phrase")).to_be_focused()
    page.keyboard.press("Enter")
    expect(panel.get_by_label("Name, without spaces")).to_be_focused()
    page.keyboard.type("two words")
    page.keyboard.press("Tab")
    page.keyboard.type("f")  # the first place that begins so: findings and notes
    page.keyboard.press("Tab")
    page.keyboard.type("{structure} {side}: smooth, {size} mm, {margin} margin.")
    page.screenshot(path=shots / "phrases-form.png")
    accessible(page)
    panel.get_by_role("button", name="Keep").press("Enter")
    expect(panel.locator(".bad")).to_contain_text("no space")
    panel.get_by_label("Name, without spaces").fill("edge")
    page.keyboard.press("Enter")
    expect(panel.get_by_role("status")).to_contain_text("Kept: ;edge")
    page.screenshot(path=shots / "phrases-list.png")
    accessible(page)
    expect(panel.get_by_role("button", name="New phrase")).to_be_focused()
    page.keyboard.press("Escape")
    assert [phrase.name for phrase in node.preferences.phrases] == ["edge"]

    panel.get_by_role("button", name="Bone").click()
    page.keyboard.press(" ")
    page.keyboard.press("p")
    page.keyboard.press("a")
    note = panel.get_by_label("Note on the finding")
    note.focus()
    page.keyboard.type("Seen. ;edge")
    page.keyboard.press("Tab")
    name = panel.locator(".editor h2").inner_text()
    assert (
        value(note).casefold()
        == f"Seen. {name} right: smooth, {{size}} mm, {{margin}} margin.".casefold()
    )
    assert selected(note) == "{size}"
    page.keyboard.type("8")
    page.keyboard.press("Tab")
    assert selected(note) == "{margin}"
    page.keyboard.type("ill-defined")
    page.keyboard.press("Tab")
    expect(note).not_to_be_focused()
    saved(page)
    assert node.reading.findings[0].note.endswith("smooth, 8 mm, ill-defined margin.")


def test_a_phrase_goes_where_it_belongs_from_the_search_and_from_a_file(
    page: Page, panel: Locator, node: Any, opened: Any, tmp_path: Path
) -> None:
    node.preferences = node.preferences.model_copy(
        update={"phrases": (Phrase(name="told", text="{date}: told.", where="recommendations"),)}
    )
    panel = opened(page, node)
    page.keyboard.press("c")
    panel.get_by_label("Impression").fill("One. ;told")
    page.keyboard.press("Tab")
    expect(panel.locator(".message")).to_contain_text("The phrase told is for: recommendations.")
    panel.get_by_label("Recommendations").fill("Now ")
    page.keyboard.press("Escape")
    page.keyboard.press("/")
    page.keyboard.type(";told")
    page.keyboard.press("Enter")
    field = panel.get_by_label("Recommendations")
    expect(field).to_be_focused()
    assert value(field).startswith("Now 20")
    assert value(field).endswith(": told.")
    page.keyboard.press("Escape")

    page.keyboard.press("f")
    with page.expect_download() as saved:
        panel.get_by_role("button", name="Save as a file").click()
    content = json.loads(Path(saved.value.path()).read_text("utf-8"))
    content["phrases"].append({"name": "more", "text": "More.", "where": "any"})
    file = tmp_path / "phrases.json"
    file.write_text(json.dumps(content), "utf-8")
    panel.get_by_role("button", name="Remove the phrase told").click()
    expect(panel.locator(".phrase-list li")).to_have_count(0)
    panel.locator("input[type=file]").set_input_files(file)
    expect(panel.locator(".phrase-list li")).to_have_count(2)
    file.write_text("{}", "utf-8")
    panel.locator("input[type=file]").set_input_files(file)
    expect(panel.locator(".bad")).to_contain_text("Nothing was taken")
    node.away = True
    panel.get_by_role("button", name="Remove the phrase more").click()
    expect(panel.get_by_role("status")).to_contain_text("goes to the node later")
    node.away = False
    panel = opened(page, node)
    eventually(page, lambda: [one.name for one in node.preferences.phrases] == ["told"])
