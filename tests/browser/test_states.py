"""Every state of the panel in each theme and language, in forced colours, and at 200 %."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page

from tests.browser.looking import TOO_WIDE, WIDTHS, at_widths, faults
from tests.browser.states import every_state
from tests.browser.waiting import settled

pytestmark = [pytest.mark.browser, pytest.mark.long]
USUAL = (400,)
STATES = 40
"""At least so many are walked through; fewer would be a walk that stopped early."""


def in_language(page: Page, node: Any, language: str) -> None:
    page.context.add_cookies(
        [{"name": "sesamoid_language", "value": language, "url": node.address}]
    )
    node.preferences = node.preferences.model_copy(update={"language": language})


def wear(panel: Locator, theme: str) -> None:
    panel.evaluate("(panel, theme) => { panel.dataset.theme = theme; }", theme)


@pytest.mark.timeout(600)
@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("theme", ["dark", "light"])
def test_every_state_fits_and_has_no_fault_in_each_theme_and_language(
    page: Page, node: Any, opened: Any, shots: Path, language: str, theme: str
) -> None:
    node.preferences = node.preferences.model_copy(update={"theme": theme})
    in_language(page, node, language)
    panel = opened(page, node)
    found: dict[str, list[str]] = {}
    seen = 0
    for state in every_state(page, panel, node):
        seen += 1
        assert panel.get_attribute("lang") == language
        name = f"state-{language}-{theme}-{state}"
        for width in at_widths(page, panel, shots, name, WIDTHS if theme == "dark" else USUAL):
            if wrong := faults(page):
                found[f"{state} {width}"] = wrong
    assert found == {}
    assert seen >= STATES


@contextmanager
def zoomed(chromium: Browser) -> Iterator[Page]:
    """1280 x 900 at 200 %: half as many CSS pixels, each twice as large."""
    context = chromium.new_context(viewport={"width": 640, "height": 450}, device_scale_factor=2)
    try:
        yield context.new_page()
    finally:
        context.close()


@pytest.mark.timeout(600)
def test_every_state_fits_at_200_percent(
    chromium: Browser, node: Any, opened: Any, shots: Path
) -> None:
    with zoomed(chromium) as page:
        walked(page, opened(page, node), node, shots, "zoomed")


@pytest.mark.timeout(600)
def test_every_state_is_told_apart_in_forced_colours_without_motion(
    page: Page, node: Any, opened: Any, shots: Path
) -> None:
    page.emulate_media(forced_colors="active", reduced_motion="reduce")
    panel = opened(page, node)
    walked(page, panel, node, shots, "forced")


def walked(page: Page, panel: Locator, node: Any, shots: Path, name: str) -> None:
    found: dict[str, Any] = {}
    seen = 0
    for state in every_state(page, panel, node):
        seen += 1
        settled(page)
        panel.screenshot(path=shots / f"state-{name}-{state}.png")
        if wrong := [*faults(page), *panel.evaluate(TOO_WIDE)]:
            found[state] = wrong
        assert panel.evaluate(MOVING) == [] or name != "forced", state
        if state in ("outline", "points", "refused", "measured", "finding-words", "landmarks"):
            height = panel.locator(".card").evaluate("card => card.clientHeight")
            assert height >= 150, f"{state}: only {height} pixels to work in"
    assert found == {}
    assert seen >= STATES


MOVING = """p => [...p.shadowRoot.querySelectorAll('*')].filter(e => {
  const style = getComputedStyle(e);
  return parseFloat(style.transitionDuration) > 0.01 || parseFloat(style.animationDuration) > 0.01;
}).map(e => e.className)"""
