"""A signed report beside the images, in the colours that the reader chose."""

from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

pytestmark = pytest.mark.browser

SHOW = """async () => {
  await import('/plugin/host/report_element.js');
  const made = document.createElement('sesamoid-report');
  const images = document.querySelector('#images');
  images.style.position = 'relative';
  images.replaceChildren(made);
  const text = words => ({ RelationshipType: 'CONTAINS', ValueType: 'TEXT', TextValue: words,
    ConceptNameCodeSequence: { 0: { CodeMeaning: 'Impression' } } });
  const instance = { SOPInstanceUID: '1.9', StudyInstanceUID: '1.0', PatientName: 'Marchetti^Rollo',
    CompletionFlag: 'COMPLETE', ContentSequence: [text('Fracture.')] };
  made.show({ instance, instances: [instance] }, () => {});
}"""
COLOURS = "e => [getComputedStyle(e).backgroundColor, getComputedStyle(e).color]"
DARK = ["rgb(22, 24, 27)", "rgb(231, 228, 220)"]


def test_the_report_is_dark_or_light_as_the_panel_is(
    page: Page, panel: Locator, node: Any, shots: Any
) -> None:
    page.evaluate(SHOW)
    document = page.locator("sesamoid-report")
    expect(document).to_contain_text("Fracture.")
    expect(document).to_have_css("background-color", DARK[0])
    assert document.evaluate(COLOURS) == DARK
    page.keyboard.press("?")
    panel.get_by_role("button", name="Light", exact=True).click()
    page.keyboard.press("Escape")
    expect(document).not_to_have_css("background-color", DARK[0])
    assert document.evaluate(COLOURS) == panel.evaluate(COLOURS)
    page.screenshot(path=shots / "report-light.png")
