"""The panel at several sizes, and what an accessibility checker finds in it."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, expect

from tests.browser.waiting import settled

WIDTHS = (380, 400, 560)
"""The least that the panel is made for, what it usually has, and room."""
TOO_WIDE = """p => [...p.shadowRoot.querySelectorAll(
    '.card, .conclude, .where, .segment, .help, header, nav, footer')]
  .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.className || e.localName)"""


def at_widths(
    page: Page, panel: Locator, shots: Path, name: str, widths: Sequence[int] = WIDTHS
) -> Iterator[int]:
    """Make the panel as wide as each of these, with a picture of it; nothing sticks out."""
    for width in widths:
        page.add_style_tag(content=f"main {{ grid-template-columns: 1fr {width}px !important }}")
        settled(page)
        panel.screenshot(path=shots / f"{name}-{width}.png")
        assert panel.evaluate(TOO_WIDE) == [], width
        yield width


def faults(page: Page) -> list[str]:
    """What an accessibility checker finds in the panel; in German or light, too, when it is so."""
    found = Axe().run(page, context="sesamoid-panel").response["violations"]
    return [f"{v['id']}: {n['html']} {n['failureSummary']}" for v in found for n in v["nodes"]]


def visit(page: Page, panel: Locator, bone: str = "Bone") -> Iterator[str]:
    """Show one place of the panel after the other, with something answered in each way."""
    panel.get_by_role("button", name=bone).click()
    for key in (" ", " ", "v", "n", "x", "n", "u", "n"):
        page.keyboard.press(key)
    yield "card"
    page.keyboard.press("o")
    expect(panel.locator(".sheet.eye")).to_be_visible()
    yield "sheet"
    page.keyboard.press("Escape")
    page.keyboard.press("a")
    expect(panel.locator(".editor")).to_be_visible()
    yield "finding"
    page.keyboard.press("Escape")
    page.keyboard.press("c")
    expect(panel.locator(".conclude")).to_be_visible()
    yield "conclude"
    page.keyboard.press("?")
    expect(panel.get_by_role("dialog")).to_be_visible()
    yield "help"
