"""The panel on our own page of plain images, opened by an address, on a real node."""

import io
import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image, ImageStat
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from test_pacs.clinic import Clinic
from test_pacs.studies import demo_study
from tests.browser import real_node
from tests.browser.real_node import client, context_of
from tests.browser.waiting import saved, settled, still
from tests.job.helpers import signed_study

pytestmark = [pytest.mark.browser, pytest.mark.long]
ENDS = ((0.43, 0.73), (0.55, 0.66))
"""Of a length, as shares of the columns and rows of the first image."""


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("plain")) as clinic:
        yield clinic


@pytest.fixture(scope="module")
def study_uid(clinic) -> str:
    return real_node.routed(clinic, demo_study("lame labrador").datasets)


@pytest.fixture(scope="module")
def context(chromium: Browser, clinic) -> Iterator[BrowserContext]:
    context = context_of(chromium, clinic, "ida")
    yield context
    context.close()


def open_plain(context: BrowserContext, clinic: Clinic, study_uid: str) -> tuple[Page, Locator]:
    page = context.new_page()
    page.set_viewport_size({"width": 1440, "height": 900})
    page.goto(f"{clinic.service.address}plain?StudyInstanceUIDs={study_uid}")
    panel = page.locator("sesamoid-panel")
    panel.locator(".card h2, .conclude").first.wait_for()
    for view in page.locator("#stage .view").all():
        expect(view.locator(".view-note")).to_be_empty(timeout=20_000)
    return page, panel


def measured(clinic: Clinic, study_uid: str) -> list[dict]:
    return client(clinic, "ida").open(study_uid)["reading"]["measurements"]


def draw(page: Page, ends: list[list[float]]) -> None:
    page.mouse.move(*ends[0])
    page.mouse.down()
    page.mouse.move(*ends[1], steps=6)
    page.mouse.up()


def on_plain_screen(page: Page, places: list[list[float]]) -> list[list[float]]:
    return page.evaluate(
        """places => { const view = window.sesamoidHost.views[0];
        const box = view.element.getBoundingClientRect();
        return places.map(p => view.camera.toScreen(p))
          .map(([x, y]) => [x + box.left, y + box.top]); }""",
        places,
    )


def middle_grey(page: Page) -> float:
    """What the eye sees in the middle of the first image, from a screenshot's mean."""
    box = page.locator("#stage .view").first.bounding_box()
    assert box
    clip = {"x": box["x"] + box["width"] / 2 - 40, "y": box["y"] + box["height"] / 2 - 40}
    shot = page.screenshot(clip={**clip, "width": 80, "height": 80})
    return ImageStat.Stat(Image.open(io.BytesIO(shot)).convert("L")).mean[0]


def test_the_page_reads_measures_and_saves_without_the_web_viewer(
    context, clinic, study_uid, shots: Path
) -> None:
    page, panel = open_plain(context, clinic, study_uid)
    expect(page.locator("#stage .view")).to_have_count(2)
    page.screenshot(path=shots / "plain-1-opened.png")
    facts = client(clinic, "ida").open(study_uid)["facts"]["images"]
    shown = page.evaluate("window.sesamoidHost.images().map(i => i.uid)")
    image = next(one for one in facts if one["uid"] == shown[0])
    grey = middle_grey(page)
    page.locator("#stage .view").first.focus()
    for _ in range(6):
        page.keyboard.press("Shift+ArrowDown")  # a lower centre: brighter
    assert middle_grey(page) != pytest.approx(grey, abs=3)
    with page.expect_response(lambda answer: "window=" in answer.url):
        page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("0")
    expect_grey(page, grey)
    page.keyboard.press("l")
    places = [[x * image["columns"], y * image["rows"]] for x, y in ENDS]
    draw(page, on_plain_screen(page, places))
    expect(panel.locator(".measurements")).to_contain_text("mm")
    expect(page.locator(".lines text").first).to_contain_text("mm")
    (kept,) = measured(clinic, study_uid)
    spacing = image["spacing"]
    wanted = math.hypot(
        (places[1][0] - places[0][0]) * spacing["column_mm"],
        (places[1][1] - places[0][1]) * spacing["row_mm"],
    )
    assert kept["value"] == pytest.approx(wanted, rel=0.005)
    page.screenshot(path=shots / "plain-2-measured.png")
    move_by_key(page, clinic, study_uid, kept)
    page.close()


def expect_grey(page: Page, grey: float) -> None:
    for _ in range(20):
        if abs(middle_grey(page) - grey) < 2:
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"grey is {middle_grey(page)}, not {grey}")


def move_by_key(page: Page, clinic: Clinic, study_uid: str, before: dict) -> None:
    """A handle goes with the arrows, and what it measures with it; then both are removed."""
    page.locator(".handle").first.focus()
    page.keyboard.press("Shift+ArrowRight")
    saved(page)
    expect(page.locator(".lines text").first).to_contain_text("mm")
    (moved,) = measured(clinic, study_uid)
    assert moved["points"][0] != before["points"][0]
    assert moved["points"][1] == before["points"][1]
    assert page.evaluate("document.activeElement.className") == "handle"
    page.keyboard.press("Delete")
    expect(page.locator(".handle")).to_have_count(0)
    saved(page)
    assert measured(clinic, study_uid) == []


def test_a_length_and_an_angle_need_no_mouse_and_the_page_has_no_fault(
    context, clinic, study_uid
) -> None:
    page, _panel = open_plain(context, clinic, study_uid)
    page.keyboard.press("l")
    for key in ("ArrowLeft", "ArrowLeft", "Enter", "ArrowRight", "ArrowDown", "ArrowDown"):
        page.keyboard.press(key)
    page.keyboard.press("Enter")
    expect(page.locator(".handle")).to_have_count(2)
    page.keyboard.press("g")
    for key in ("Enter", "ArrowRight", "ArrowRight", "Enter", "ArrowDown", "ArrowDown", "Enter"):
        page.keyboard.press(key)
    expect(page.locator(".handle")).to_have_count(5)
    saved(page)
    angle = next(m for m in measured(clinic, study_uid) if m["kind"] == "angle")
    assert angle["value"] == pytest.approx(90, abs=0.5)
    assert Axe().run(page).response["violations"] == []
    for _ in range(2):
        page.locator(".handle").first.focus()
        page.keyboard.press("Delete")
    saved(page)
    page.close()


@pytest.mark.long
def test_the_web_viewer_and_the_plain_page_measure_the_same(
    context, clinic, study_uid, shots: Path
) -> None:
    page = context.new_page()
    page.set_viewport_size({"width": 1440, "height": 900})
    page.goto(f"{clinic.service.address}read?StudyInstanceUIDs={study_uid}")
    panel = page.locator("sesamoid-panel")
    panel.locator(".card h2").wait_for(timeout=60_000)
    expect(page.locator(".cornerstone-canvas")).to_have_count(2)
    still(page, 2)
    box = page.locator(".cornerstone-canvas").first.bounding_box()
    assert box
    page.keyboard.press("l")
    draw(page, [[box["x"] + box["width"] * x, box["y"] + box["height"] * y] for x, y in ENDS])
    expect(panel.locator(".measurements")).to_contain_text("mm")
    page.close()
    (theirs,) = measured(clinic, study_uid)
    page, panel = open_plain(context, clinic, study_uid)
    expect(page.locator(".lines text").first).to_have_text(f"{theirs['value']:.2f} mm")
    page.keyboard.press("l")
    ours_at = on_plain_screen(page, theirs["points"])
    page.screenshot(path=shots / "plain-3-same.png")
    draw(page, ours_at)
    expect(page.locator(".handle")).to_have_count(4)
    saved(page)
    ours = next(m for m in measured(clinic, study_uid) if m["id"] != theirs["id"])
    for one, other in zip(ours["points"], theirs["points"], strict=True):
        assert one == pytest.approx(other, abs=0.02)
    assert ours["value"] == pytest.approx(theirs["value"], abs=0.005)
    assert ours["calibration"] == theirs["calibration"]
    page.close()


def test_a_joint_space_is_computed_and_stays_in_its_place(context, clinic, study_uid, shots):
    page, panel = open_plain(context, clinic, study_uid)
    panel.get_by_role("button", name="Cartilage").click()
    page.keyboard.press("m")
    panel.get_by_role("button", name="Joint space width").click()
    to_page = """point => {
      const { host } = document.querySelector('sesamoid-panel');
      const view = host.views[0];
      const box = view.element.getBoundingClientRect();
      const [x, y] = view.camera.toScreen(point);
      return [box.left + view.element.clientLeft + x, box.top + view.element.clientTop + y];
    }"""
    ends = [[522, 1010], [547, 1010]]
    for end in ends:
        page.mouse.click(*page.evaluate(to_page, end))
    expect(panel.locator(".result")).to_contain_text("Mean width", ignore_case=True, timeout=20_000)
    page.mouse.move(*page.evaluate(to_page, [535, 1010]))
    page.mouse.wheel(0, -900)
    still(page, 2)
    page.screenshot(path=shots / "plain-computed.png")
    handles = page.evaluate(
        """() => [...document.querySelectorAll('[data-sesamoid-layer] circle[data-handle]')]
        .map(c => { const b = c.getBoundingClientRect();
        return [b.left + b.width / 2, b.top + b.height / 2]; })"""
    )
    for handle, end in zip(handles, ends, strict=True):
        assert math.dist(handle, page.evaluate(to_page, end)) < 3
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    expect(page.locator("[data-sesamoid-layer] circle[data-handle]")).to_have_count(0)
    page.close()


def test_what_was_signed_is_opened_without_the_web_viewer(
    context: BrowserContext, clinic, shots: Path
) -> None:
    ida = client(clinic, "ida")
    study, _ = signed_study(clinic, ida)
    ida.wait_for(study, "committed")
    page, panel = open_plain(context, clinic, study)
    images = [image["uid"] for image in ida.open(study)["facts"]["images"]]
    page.evaluate("() => { window.asked = []; const { show } = window.sesamoidHost;"
                  "window.sesamoidHost.show = uids => { asked.push(...uids);"
                  "show.call(window.sesamoidHost, uids); }; }")  # fmt: skip
    panel.get_by_role("button", name="Show: Key images").click()
    expect(panel.locator(".message")).to_have_text("Key images: DPa, ML.")
    assert page.evaluate("asked") == images
    page.screenshot(path=shots / "plain-4-signed.png")
    with page.expect_popup() as opened:
        panel.get_by_role("button", name="Open: Report").click()
    (report,) = (d for d in ida.open(study)["documents"] if d["role"] == "report")
    assert opened.value.url.endswith(f"/report.pdf?document={report['sop_instance_uid']}")
    page.close()


def test_an_image_that_does_not_come_is_said_and_the_rest_is_read(
    context: BrowserContext, clinic, study_uid
) -> None:
    page = context.new_page()
    first = client(clinic, "ida").open(study_uid)["facts"]["images"][0]["uid"]
    page.route(f"**/instances/{first}/rendered*", lambda route: route.abort())
    page.goto(f"{clinic.service.address}plain?StudyInstanceUIDs={study_uid}")
    note = page.locator("#stage .view-note").filter(has_text="could not be loaded")
    expect(note).to_have_count(1)
    page.locator("sesamoid-panel .card h2").wait_for()
    expect(page.locator("#stage .view-note").filter(has_not_text="loaded")).to_have_count(1)
    page.unroute_all()
    note.get_by_role("button").click()
    expect(note).to_have_count(0)
    page.close()


def test_in_a_narrow_window_there_is_room_to_answer_and_the_images_stay_in_sight(
    context: BrowserContext, clinic: Clinic, study_uid: str, shots: Path
) -> None:
    page, panel = open_plain(context, clinic, study_uid)
    page.set_viewport_size({"width": 380, "height": 800})
    panel.evaluate("p => p.session.choose(p.session.template.items[0].id)")
    answer = panel.locator(".card .value.normal").first
    answer.scroll_into_view_if_needed()
    settled(page)
    page.screenshot(path=shots / "plain-380.png")
    expect(page.locator("#stage .view").first).to_be_in_viewport(ratio=0.9)
    for label in page.locator("#stage .lines text").all():
        words, view = label.bounding_box(), label.locator("xpath=ancestor::section").bounding_box()
        assert words
        assert view
        assert view["x"] <= words["x"] <= view["x"] + view["width"] - words["width"]
    box, foot = answer.bounding_box(), panel.locator("footer").bounding_box()
    assert box
    assert foot
    assert box["y"] + box["height"] <= foot["y"]
    assert page.evaluate("document.documentElement.scrollWidth") == 380
    answer.click()
    page.close()
