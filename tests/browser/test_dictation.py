"""Dictation on the device, through a browser's recognition that is played by the test."""

from pathlib import Path
from typing import Any

from playwright.sync_api import Locator, Page, expect

from tests.browser.real_node import accessible
from tests.browser.waiting import saved

RECOGNITION = """window.SpeechRecognition = class {
  static available() { return Promise.resolve('available'); }
  processLocally = false;
  start() { window.recognition = this; }
  stop() { this.onend(); }
};
window.SpeechRecognition.prototype.processLocally = false;
window.hear = (transcript, isFinal) =>
  window.recognition.onresult({ resultIndex: 0, results: [{ isFinal, 0: { transcript } }] });"""


def test_dictation_is_off_until_chosen_and_says_when_the_browser_cannot(
    page: Page, panel: Locator, node: Any
) -> None:
    page.evaluate("delete window.SpeechRecognition")
    assert panel.locator(".dictation").count() == 0
    page.keyboard.press("F9")
    page.keyboard.press("?")
    panel.get_by_role("button", name="English (UK)").click()
    page.keyboard.press("Escape")
    page.keyboard.press("c")
    panel.get_by_label("Impression").focus()
    page.keyboard.press("F9")
    expect(panel.locator(".dictation")).to_contain_text("Nothing was recorded")
    assert node.preferences.dictation == "en-GB"


def test_words_are_written_where_the_reader_is_and_saved(
    page: Page, node: Any, opened: Any, shots: Path
) -> None:
    node.preferences = node.preferences.model_copy(update={"dictation": "en-US"})
    page.add_init_script(RECOGNITION)
    panel = opened(page, node)
    page.keyboard.press("c")
    field = panel.get_by_label("Impression")
    field.fill("No fracture.")
    page.keyboard.press("F9")
    expect(panel.get_by_role("button", name="Stop")).to_have_attribute("aria-pressed", "true")
    page.evaluate("hear('soft tissue swe', false)")
    expect(panel.locator(".dictation")).to_contain_text("soft tissue swe")
    page.screenshot(path=shots / "dictation.png")
    accessible(page)
    page.evaluate("hear('Soft tissue swelling.', true)")
    expect(field).to_have_value("No fracture. Soft tissue swelling.")
    panel.get_by_role("button", name="Stop").click()
    expect(field).to_be_focused()
    expect(panel.get_by_role("button", name="Dictate")).to_be_visible()
    saved(page)
    assert node.reading.impression == "No fracture. Soft tissue swelling."
