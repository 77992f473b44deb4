"""The guided tour: landmarks set once, then every image goes to the structure, in both hosts."""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from test_pacs.clinic import Clinic
from test_pacs.studies import DemoStudy, demo_study
from tests.browser import real_node
from tests.browser.measuring import click_at
from tests.browser.real_node import client, context_of
from tests.browser.waiting import eventually, still

pytestmark = [pytest.mark.browser, pytest.mark.long]
SHOTS = Path(__file__).parent / "screenshots"
MIDDLE = "uid => document.querySelector('sesamoid-panel').host.middle(uid)"
GO = """name => { const s = document.querySelector('sesamoid-panel').session;
  s.choose(s.template.items.find(i => i.structure === name).id); }"""
PROPOSALS = """async () => {
  const { landmarksOf } = await import('/plugin/panel/landmarks.js');
  return landmarksOf(document.querySelector('sesamoid-panel').session).proposals; }"""
HANDLE = """id => { const c = document.querySelector(
  `[data-sesamoid-layer] circle[data-handle="${id}"]`);
  const box = c.getBoundingClientRect();
  return [box.left + box.width / 2, box.top + box.height / 2]; }"""


@pytest.fixture(scope="module")
def study() -> DemoStudy:
    return demo_study("lame labrador")


@pytest.fixture(scope="module")
def clinic(tmp_path_factory, study: DemoStudy) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("tour")) as clinic:
        real_node.routed(clinic, study.datasets)
        yield clinic


@pytest.fixture(scope="module")
def context(chromium: Browser, clinic: Clinic) -> Iterator[BrowserContext]:
    context = context_of(chromium, clinic, "ida")
    yield context
    context.close()


def opened(context: BrowserContext, clinic: Clinic, study: DemoStudy, where: str) -> Page:
    page = context.new_page()
    page.set_viewport_size({"width": 1500, "height": 930})
    uid = study.datasets[0].StudyInstanceUID
    page.goto(f"{clinic.service.address}{where}?StudyInstanceUIDs={uid}")
    page.locator("sesamoid-panel .card h2").wait_for(timeout=60_000)
    expect(page).to_have_title("Dog, right carpus and manus – Sesamoid")
    return page


def opened_at_last(
    context: BrowserContext, clinic: Clinic, study: DemoStudy, where: str
) -> tuple[Page, Locator]:
    """Both images, of which the second could not be loaded before it was tried again."""
    address = re.compile(f"{study.datasets[1].SOPInstanceUID}/(frames|rendered)")
    context.route(address, lambda route: route.abort())
    page = opened(context, clinic, study, where)
    trouble = panel_of(page).locator("[data-image-trouble]")
    expect(trouble).to_contain_text("ML could not be loaded", timeout=20_000)
    shot(page, f"0-failed-{where}")
    context.unroute(address)
    trouble.get_by_role("button").click()
    expect(trouble).to_have_count(0, timeout=20_000)
    return page, panel_of(page)


def panel_of(page: Page) -> Locator:
    return page.locator("sesamoid-panel")


def go(page: Page, structure: str) -> None:
    page.evaluate(GO, structure)
    still(page, 2)


def shot(page: Page, name: str) -> None:
    SHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SHOTS / f"tour-{name}.png")


def looks_at(page: Page, study: DemoStudy, structure: str, *, within: float) -> None:
    """The middle of every image is near the true place of the structure."""
    truths = zip(study.datasets, study.truths, strict=True)
    true = {str(image.SOPInstanceUID): truth.image[structure][1] for image, truth in truths}

    def there() -> bool:
        return all(abs(page.evaluate(MIDDLE, uid)[1] - row) < within for uid, row in true.items())

    eventually(page, there)


def proposals_lie_near(page: Page, study: DemoStudy, *, within: float) -> None:
    """Each proposal is so many mm from the joint it names."""
    found = page.evaluate(PROPOSALS)
    for image, truth in zip(study.datasets, study.truths, strict=True):
        for name, at in found[str(image.SOPInstanceUID)].items():
            joint = name.split(".")[2]
            true = truth.image[{"mcp_3": "MCP3", "dip_3": "DIP3"}.get(joint, joint)]
            assert np.hypot(*np.subtract(at, true)) * truth.pixel < within, (truth.view, name)


def test_landmarks_are_proposed_corrected_and_taken_and_every_image_follows(
    context: BrowserContext, clinic: Clinic, study: DemoStudy
) -> None:
    page, panel = opened_at_last(context, clinic, study, "read")
    expect(page.locator(".cornerstone-canvas")).to_have_count(2)
    still(page, 2)
    go(page, "radial_carpal")
    expect(panel.locator(".tour-line")).to_contain_text("No landmarks on DPa and ML")
    shot(page, "1-none")
    page.keyboard.press("k")
    expect(panel.locator("[data-landmarks]")).to_be_visible()
    uids = [str(image.SOPInstanceUID) for image in study.datasets]
    dpa = uids[0]
    proposed = panel.locator(".landmark", has_text="proposed")
    for uid, truth in zip(uids, study.truths, strict=True):
        expect(proposed).to_have_count(0 if uid == dpa else 1)
        click_at(page, uid, truth.image["antebrachiocarpal"])
        shot(page, f"1-first-{truth.view}")
        if uid == dpa:  # of the other image the one click is enough
            click_at(page, uid, truth.image["DIP3"])
    expect(proposed).to_have_count(4, timeout=20_000)
    proposals_lie_near(page, study, within=7.0)
    for toe in ("MCP2", "MCP5"):  # as a pair they would lie off the limb: not proposed
        click_at(page, dpa, study.truths[0].image[toe])
    shot(page, "2-proposed")
    tip = f"{dpa}|R.carpus.carpometacarpal"
    x, y = page.evaluate(HANDLE, tip)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 4, y - 5, steps=4)
    page.mouse.up()
    moved = panel.locator(f'[data-landmark="{tip}"]')
    expect(moved).to_contain_text(re.compile("set$"))
    moved.focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("y")
    expect(panel.locator("[data-landmarks]")).to_have_count(0)
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"))
    still(page, 2)
    looks_at(page, study, "radial_carpal", within=60)
    shot(page, "3-radial-carpal")
    go(page, "mcp_3")
    looks_at(page, study, "MCP3", within=60)
    shot(page, "4-joint")
    page.keyboard.press("w")
    whole = study.datasets[0].Rows / 2
    eventually(page, lambda: abs(page.evaluate(MIDDLE, dpa)[1] - whole) < 5)
    kept = client(clinic, "ida").open(str(study.datasets[0].StudyInstanceUID))["reading"]
    assert [len(marks) for marks in kept["landmarks"].values()] == [5, 4]
    page.close()


def test_plain_images_follow_the_same_landmarks_and_show_the_level_of_a_finding(
    context: BrowserContext, clinic: Clinic, study: DemoStudy
) -> None:
    page, panel = opened_at_last(context, clinic, study, "plain")
    for view in page.locator("#stage .view").all():
        expect(view.locator(".view-note")).to_be_empty(timeout=20_000)
    go(page, "mcp_3")
    expect(panel.locator(".tour-line")).not_to_contain_text("No landmarks")
    looks_at(page, study, "MCP3", within=60)
    go(page, "c3")
    page.keyboard.press("a")
    label = page.locator("[data-sesamoid-layer] text", has_text="same level")
    expect(label).to_have_count(1)
    shot(page, "5-ghost")
    page.keyboard.press("Escape")
    page.keyboard.press("Control+z")
    page.close()
