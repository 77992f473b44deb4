"""Normal variants outlined on the images, known again in the next study, in both hosts."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from dicom_service.review.model import Reading, Template
from test_pacs.clinic import Clinic
from test_pacs.reader import normal_reading
from test_pacs.studies import demo_study
from tests.browser import real_node
from tests.browser.real_node import PASSWORD, client, context_of
from tests.browser.waiting import eventually, saved, still

pytestmark = [pytest.mark.browser, pytest.mark.long]
GO = """name => { const s = document.querySelector('sesamoid-panel').session;
  s.choose(s.template.items.find(i => i.structure === name).id); }"""
MIDDLES = """() => { const { host } = document.querySelector('sesamoid-panel');
  return host.images().map(i => host.middle(i.uid)); }"""
SEEN = """count => { const { host } = document.querySelector('sesamoid-panel');
  const all = host.images().map(i => host.middle(i.uid));
  return all.length === count && all.every(Boolean); }"""
PLATES = """() => [...document.querySelectorAll('[data-sesamoid-layer] rect')]
  .map(plate => [plate.getBBox().width, plate.nextSibling.getComputedTextLength()])"""
SESAMOID = "R.manus.sesamoid_7"
LANDMARKS = {
    "DPa": {"R.carpus.antebrachiocarpal": (528, 474), "R.carpus.carpometacarpal": (536, 649),
            "R.manus.mcp_2": (689, 1018), "R.manus.mcp_5": (360, 1018),
            "R.manus.dip_3": (567, 1366)},
    "ML": {"R.carpus.antebrachiocarpal": (582, 468), "R.carpus.carpometacarpal": (574, 642),
           "R.manus.mcp_3": (555, 1070), "R.manus.dip_3": (540, 1338)},
}  # fmt: skip
CUT = (60, 150)
"""Columns and rows that the field of the oldest study lacks at the left and above."""


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    folder = tmp_path_factory.mktemp("outlines")
    options = {"retry_first_seconds": 0.2, "send_presentation_states": True}
    with real_node.with_viewer(folder, **options) as clinic:
        yield clinic


@pytest.fixture(scope="module")
def context(chromium: Browser, clinic: Clinic) -> Iterator[BrowserContext]:
    context = context_of(chromium, clinic, "ida")
    yield context
    context.close()


def arrive(clinic: Clinic, date: str, *, cut: bool = False) -> str:
    """The fractured dog with a sesamoid in two parts, on another day."""
    images = demo_study("lame labrador").datasets
    for image in images:
        image.StudyDate = date
        if cut:
            pixels = image.pixel_array[CUT[1] :, CUT[0] :]
            image.Rows, image.Columns = pixels.shape
            image.PixelData = pixels.tobytes()
    uid = real_node.routed(clinic, images)
    if not cut:
        ida = client(clinic, "ida")
        answer = ida.open(uid)
        views = answer["template"]["views"]
        known = {"landmarks": {view["uid"]: LANDMARKS[view["label"]] for view in views}}
        reading = Reading.model_validate({**answer["reading"], **known})
        ida.save(uid, answer["version"], reading)
    return uid


def opened(context: BrowserContext, clinic: Clinic, uid: str, where: str) -> tuple[Page, Locator]:
    page = context.new_page()
    page.set_viewport_size({"width": 1500, "height": 930})
    page.goto(f"{clinic.service.address}{where}?StudyInstanceUIDs={uid}")
    panel = page.locator("sesamoid-panel")
    panel.locator(".card h2").wait_for(timeout=60_000)
    page.wait_for_function(SEEN, arg=2)
    page.evaluate(GO, "sesamoid_7")
    return page, panel


def saved_reading(page: Page, clinic: Clinic, uid: str) -> dict[str, Any]:
    saved(page)
    return client(clinic, "ida").open(uid)["reading"]


def labels(page: Page) -> list[str]:
    return page.locator("[data-sesamoid-layer] text").all_text_contents()


def sign(clinic: Clinic, uid: str) -> None:
    """All normal but for what the reader said."""
    ida = client(clinic, "ida")
    answer = ida.open(uid)
    said = Reading.model_validate(answer["reading"])
    normal = normal_reading(Template.model_validate(answer["template"]), said)
    kept = {i: {**seen, **said.observations.get(i, {})} for i, seen in normal.observations.items()}
    done = ida.save(uid, answer["version"], normal.model_copy(update={"observations": kept}))
    ida.sign(uid, int(done["version"]), PASSWORD)
    ida.wait_for(uid, "committed")


def test_a_variant_is_outlined_by_keys_and_hand_and_travels_with_the_signed_report(
    context: BrowserContext, clinic: Clinic, shots: Path
) -> None:
    uid = arrive(clinic, "20260202")
    page, panel = opened(context, clinic, uid, "read")
    page.keyboard.press("v")
    expect(panel.get_by_role("button", name="Outline it on the image")).to_be_visible()
    page.keyboard.press("r")
    place = panel.locator("[data-part=place]")
    expect(place).to_be_focused()
    (first,) = saved_reading(page, clinic, uid)["outlines"]
    assert (first["kind"], first["name"], first["item"]) == ("ellipse", "bipartite", SESAMOID)
    for key in ("ArrowRight", "Shift+ArrowUp", "Tab", "Shift+ArrowRight", "Tab", "ArrowRight"):
        page.keyboard.press(key)
    (moved,) = saved_reading(page, clinic, uid)["outlines"]
    assert moved["points"] != first["points"]
    page.screenshot(path=shots / "outline-1-placing.png")
    ((plate, text_width),) = page.evaluate(PLATES)
    assert plate == pytest.approx(text_width + 10, abs=1)
    draw_round(page)
    (drawn,) = saved_reading(page, clinic, uid)["outlines"]
    assert drawn["kind"] == "outline"
    assert len(drawn["points"]) > 20
    page.keyboard.press("Control+z")
    assert saved_reading(page, clinic, uid)["outlines"] == [moved]
    page.keyboard.press("Control+Shift+Z")
    assert saved_reading(page, clinic, uid)["outlines"] == [drawn]
    panel.get_by_label("What it is").fill("two parts")
    page.keyboard.press("Escape")
    panel.get_by_role("button", name="Done").first.click()
    assert "two parts, normal variant" in labels(page)
    page.screenshot(path=shots / "outline-2-dim.png")
    page.keyboard.press("h")
    assert labels(page) == []
    panel.get_by_role("button", name="A normal variant on the images").click()
    assert "two parts, normal variant" in labels(page)
    saved_reading(page, clinic, uid)
    page.close()
    sign(clinic, uid)
    (state,) = [d for d in clinic.archive.stored(uid) if d.Modality == "PR"]
    layers = {a.GraphicLayer: a for a in state.GraphicAnnotationSequence}
    (graphic,) = layers["VARIANTS"].GraphicObjectSequence
    assert list(graphic.GraphicData)[:2] == pytest.approx(drawn["points"][0], abs=0.01)
    (text,) = layers["VARIANTS"].TextObjectSequence
    assert text.UnformattedTextValue == "two parts, normal variant"


def draw_round(page: Page) -> None:
    """A circle drawn freely about the middle of the first image."""
    box = page.locator(".cornerstone-canvas").first.bounding_box()
    assert box
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x + 40, y)
    page.mouse.down()
    for step in range(1, 26):
        page.mouse.move(x + 40 * math.cos(step / 4), y + 25 * math.sin(step / 4))
    page.mouse.up()


@pytest.mark.parametrize("where", [pytest.param("plain", marks=pytest.mark.long), "read"])
def test_it_is_known_again_and_the_tour_takes_the_earlier_images_along(
    context: BrowserContext, clinic: Clinic, shots: Path, where: str
) -> None:
    if where == "plain":
        arrive(clinic, "20251101", cut=True)
        uid = arrive(clinic, "20260401")
    else:
        rows = client(clinic, "ida").request("GET", "api/studies?limit=9")["studies"]
        uid = next(row["study_uid"] for row in rows if row["study_date"] == "20260401")
    page, panel = opened(context, clinic, uid, where)
    if where == "plain":
        expect(panel.locator(".earlier")).to_contain_text("Known: two parts, seen on 2026-02-02")
        panel.get_by_role("button", name="outline it today: two parts").click()
        assert Axe().run(page).response["violations"] == []
        page.keyboard.press("y")
        (today,) = saved_reading(page, clinic, uid)["outlines"]
        assert today["name"] == "two parts"
        beside(page, panel, 0)
        expect(panel.locator(".beside-bar")).not_to_contain_text("guessed")
        page.evaluate(GO, "sesamoid_7")
        expect(page.get_by_text("two parts, seen on 2026-02-02", exact=True)).to_be_visible()
        page.screenshot(path=shots / "outline-3-earlier.png")
        went(page, (0, 0))
    beside(page, panel, 1)
    page.evaluate(GO, "radial_carpal")
    if where == "plain":
        expect(panel.locator(".beside-bar")).to_contain_text("The places below are guessed")
        # Guessed from the middles of two fields, of which one is cut at two of its ends.
        went(page, (CUT[0] / 2, CUT[1] / 2))
        page.keyboard.press("k")
        expect(panel.locator(".landmark", has_text="proposed")).to_have_count(9)
        pull(page, (10, 12))
        page.keyboard.press("y")
        assert len(saved_reading(page, clinic, uid)["prior_landmarks"]) == 2
    else:
        went(page, (CUT[0] / 2, CUT[1] / 2))
    expect(panel.locator(".beside-bar")).not_to_contain_text("guessed")
    page.screenshot(path=shots / f"outline-4-older-{where}.png")
    page.close()


def beside(page: Page, panel: Locator, which: int) -> None:
    page.keyboard.press("b")
    panel.get_by_role("button", name="2 images beside").nth(which).click()
    still(page, 4)
    page.keyboard.press("Escape")


def went(page: Page, by: tuple[float, float]) -> None:
    """Each image below looks at the place of the one above it, less what is cut off."""

    def follows() -> bool:
        above, _, below, _ = page.evaluate(MIDDLES)
        return below == pytest.approx(
            [one - less for one, less in zip(above, by, strict=True)], abs=2
        )

    eventually(page, follows)


def pull(page: Page, way: tuple[float, float]) -> None:
    """Move the last landmark by its handle."""
    x, y = page.evaluate(
        """() => { const all = document.querySelectorAll('[data-sesamoid-layer] circle');
        const box = [...all].at(-1).getBoundingClientRect();
        return [box.left + box.width / 2, box.top + box.height / 2]; }"""
    )
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + way[0], y + way[1], steps=3)
    page.mouse.up()
