"""The panel in a bright room, in forced colours, without motion and at 200 %."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.looking import TOO_WIDE, faults, visit
from tests.browser.waiting import saved, settled

pytestmark = pytest.mark.long

PROBES = """panel => 'open normal abnormal variant undetermined blind'.split(' ').map(kind => {
  const probe = document.createElement('span');
  probe.className = `strip-fill ${kind}`;
  panel.stage.append(probe);
  const { backgroundColor, backgroundImage } = getComputedStyle(probe);
  probe.remove();
  return `${backgroundColor} ${backgroundImage}`;
})"""


def check(page: Page, panel: Locator, shot: Path) -> None:
    saved(page)
    settled(page)
    panel.screenshot(path=shot)
    assert faults(page) == [], shot.name
    assert panel.evaluate(TOO_WIDE) == []


def ground(panel: Locator) -> str:
    return str(panel.evaluate("p => getComputedStyle(p).backgroundColor"))


def test_the_light_theme_is_chosen_kept_and_readable_everywhere(
    page: Page, panel: Locator, node: Any, opened: Any, shots: Path
) -> None:
    dark = ground(panel)
    page.emulate_media(color_scheme="light")
    assert ground(panel) == dark, "what the system prefers counts only when it was chosen"
    page.keyboard.press("?")
    panel.get_by_role("button", name="As the system").click()
    light = ground(panel)
    assert light != dark
    page.emulate_media(color_scheme="dark")
    expect(panel).to_have_css("background-color", dark)
    panel.get_by_role("button", name="Light", exact=True).click()
    expect(panel).to_have_css("background-color", light)
    panel = opened(page, node)
    assert ground(panel) == light
    for place in visit(page, panel):
        check(page, panel, shots / f"light-{place}.png")


def test_forced_colours_keep_every_state_apart_and_nothing_moves(
    page: Page, panel: Locator, shots: Path
) -> None:
    page.emulate_media(forced_colors="active", reduced_motion="reduce")
    for place in visit(page, panel):
        check(page, panel, shots / f"forced-{place}.png")
        if place == "card":
            fills = panel.evaluate(PROBES)
            assert len(set(fills)) == len(fills), fills
            motion = panel.locator(".body").evaluate("b => getComputedStyle(b).transitionDuration")
            assert motion == "0s"


@contextmanager
def zoomed(chromium: Browser) -> Iterator[Page]:
    """A page of 1280 x 900 at 200 %: half as many CSS pixels, each twice as large."""
    context = chromium.new_context(viewport={"width": 640, "height": 450}, device_scale_factor=2)
    try:
        yield context.new_page()
    finally:
        context.close()


def test_at_200_percent_the_work_keeps_its_room(
    chromium: Browser, node: Any, opened: Any, shots: Path
) -> None:
    with zoomed(chromium) as page:
        panel = opened(page, node)
        for place in visit(page, panel):
            check(page, panel, shots / f"zoomed-{place}.png")
            if place in ("card", "sheet", "finding"):
                height = panel.locator(".card").evaluate("card => card.clientHeight")
                assert height >= 150, f"{place}: only {height} pixels"
