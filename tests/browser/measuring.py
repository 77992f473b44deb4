"""Computing a measurement on a real node in the real viewer: what its long tests share."""

import re
from typing import Any

from playwright.sync_api import Locator, Page, expect

from test_pacs.clinic import Clinic
from tests.browser.real_node import PASSWORD

USER = "ida"
TO_PAGE = """([uid, point]) => {
  const { services } = window;
  for (const [id] of services.viewportGridService.getState().viewports) {
    const vp = services.cornerstoneViewportService.getCornerstoneViewport(id);
    const image = vp?.getCurrentImageId?.();
    if (!image || cornerstone.metaData.get('instance', image).SOPInstanceUID !== uid) continue;
    const box = vp.element.getBoundingClientRect();
    const [x, y] = vp.worldToCanvas(cornerstone.utilities.imageToWorldCoords(image, point));
    return [box.left + x, box.top + y];
  }
}"""
HANDLES = """() => [
  ...document.querySelectorAll('[data-sesamoid-layer] circle[data-handle]')
].map(c => {
  const box = c.getBoundingClientRect();
  return [box.left + box.width / 2, box.top + box.height / 2];
})"""


def opened(page: Page, clinic: Clinic, patient: str, images: int) -> Locator:
    """The panel of this patient's study beside so many images."""
    page.set_viewport_size({"width": 1600, "height": 950})
    page.goto(clinic.service.address)
    page.get_by_label("User").fill(USER)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.get_by_role("link", name=re.compile(patient)).click()
    panel = page.locator("sesamoid-panel")
    panel.locator(".card h2").wait_for(timeout=60_000)
    expect(page.locator(".cornerstone-canvas")).to_have_count(images)
    return panel


def click_at(page: Page, uid: str, point: tuple[float, float]) -> None:
    """A click on a point of an image."""
    x, y = page.evaluate(TO_PAGE, [uid, list(point)])
    page.mouse.click(x, y)


def begin(page: Page, panel: Locator, what: str) -> None:
    """Start computing this for the structure at hand."""
    page.keyboard.press("m")
    panel.get_by_role("button", name=what).click()
    expect(panel.locator(".marks")).to_be_visible()


def measured(panel: Locator) -> Locator:
    """What the node answered to the newest points."""
    expect(panel.locator(".progress")).to_have_count(0)
    expect(panel.locator(".result:not(.stale), .refused:not(.stale)")).to_be_visible(timeout=30_000)
    return panel.locator(".result, .refused")


def choose(page: Page, panel: Locator, section: str, name: str) -> None:
    """Go to a structure by its section and id."""
    panel.get_by_role("button", name=section).first.click()
    page.evaluate(
        """name => { const s = document.querySelector('sesamoid-panel').session;
        s.choose(s.template.items.find(i => i.id === name).id); }""",
        name,
    )


def item_ids(page: Page) -> list[dict[str, Any]]:
    """The structures of the template."""
    return page.evaluate(
        """() => document.querySelector('sesamoid-panel').session.template.items
        .map(i => ({id: i.id, section: i.section, name: i.name, side: i.side}))"""
    )


def sign(page: Page, panel: Locator) -> None:
    """Sign with all the rest open, and wait until the archive has committed it."""
    page.keyboard.press("c")
    panel.get_by_label("Why you sign with this still open").fill("Only the measurements count.")
    panel.get_by_label("Impression").fill("Swollen foot.")
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"))
    panel.locator("input[name=password]").fill(PASSWORD)
    panel.get_by_role("button", name=re.compile("^Sign")).click()
    expect(panel.locator(".documents")).to_contain_text("committed", timeout=30_000)
