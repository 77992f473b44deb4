"""A length and an angle on the images of both hosts: by clicks, taps, a drag, and keys alone."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from test_pacs.clinic import Clinic
from test_pacs.studies import demo_study
from tests.browser import real_node
from tests.browser.real_node import client, context_of, sign_in
from tests.browser.waiting import eventually, saved, still

pytestmark = [pytest.mark.browser, pytest.mark.long]
CORNERS = ((500.0, 900.0), (500.0, 1100.0), (640.0, 1100.0))
"""A right angle on the first image, its vertex second; in columns and rows."""
HOSTS = ("read", "plain")
PLACE = """([uid, point]) => {
  const { host } = document.querySelector('sesamoid-panel');
  const seen = host.views?.find(view => view.facts.uid === uid);
  const shown = host.images().find(image => image.uid === uid);
  const viewport = seen ? null : host.viewport(shown.viewportId);
  const element = seen?.element ?? viewport.element;
  const box = element.getBoundingClientRect();
  const [x, y] = seen ? seen.camera.toScreen(point)
    : viewport.worldToCanvas(cornerstone.utilities.imageToWorldCoords(
        viewport.getCurrentImageId(), point));
  return [box.left + x, box.top + y];
}"""
FIRST = "() => document.querySelector('sesamoid-panel').host.images()[0].uid"
KEPT = "() => document.querySelector('sesamoid-panel').session.reading.measurements.length"
FOCUS = "() => document.activeElement.closest('[data-sesamoid-layer], .view') !== null"


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("drawing")) as clinic:
        yield clinic


@pytest.fixture(scope="module")
def study_uid(clinic) -> str:
    return real_node.routed(clinic, demo_study("lame labrador").datasets)


@pytest.fixture
def context(chromium: Browser, clinic) -> Iterator[BrowserContext]:
    context = context_of(chromium, clinic, "ida")
    yield context
    context.close()


def opened(context: BrowserContext, clinic: Clinic, study_uid: str, host: str) -> Page:
    page = context.new_page()
    page.set_viewport_size({"width": 1440, "height": 900})
    page.goto(f"{clinic.service.address}{host}?StudyInstanceUIDs={study_uid}")
    page.locator("sesamoid-panel .card h2").wait_for(timeout=60_000)
    still(page, 2)
    return page


def on_screen(page: Page) -> list[list[float]]:
    uid = page.evaluate(FIRST)
    return [page.evaluate(PLACE, [uid, list(corner)]) for corner in CORNERS]


def measurements(clinic: Clinic, study_uid: str) -> list[dict[str, Any]]:
    return client(clinic, "ida").open(study_uid)["reading"]["measurements"]


def new_one(page: Page, clinic: Clinic, study_uid: str, known: set[str]) -> dict[str, Any]:
    """What was drawn since, once the node has it and has worked it out."""

    def fresh() -> list[dict[str, Any]]:
        return [m for m in measurements(clinic, study_uid) if m["id"] not in known]

    eventually(page, lambda: bool(fresh()))
    saved(page)
    (found,) = fresh()
    known.add(found["id"])
    return found


def by_clicks(page: Page, places: list[list[float]]) -> None:
    for place in places:
        page.mouse.click(*place)


def by_a_drag(page: Page, places: list[list[float]]) -> None:
    page.mouse.move(*places[0])
    page.mouse.down()
    page.mouse.move(*places[1], steps=5)
    page.mouse.up()
    for place in places[2:]:
        page.mouse.click(*place)


def lies_at(found: dict[str, Any], kind: str) -> None:
    assert found["kind"] == kind
    corners = CORNERS[: len(found["points"])]
    for point, corner in zip(found["points"], corners, strict=True):
        assert point == pytest.approx(corner, abs=4)
    if kind == "angle":
        assert found["value"] == pytest.approx(90, abs=1.5)
    else:
        assert found["unit"] == "mm"
        assert found["value"] > 0


@pytest.mark.parametrize("host", HOSTS)
def test_clicks_a_drag_and_keys_each_set_a_length_and_an_angle(
    context: BrowserContext, clinic: Clinic, study_uid: str, host: str, shots: Path
) -> None:
    page = opened(context, clinic, study_uid, host)
    panel = page.locator("sesamoid-panel")
    known = {m["id"] for m in measurements(clinic, study_uid)}
    for hand in (by_clicks, by_a_drag):
        for kind, key, needed in (("length", "l", 2), ("angle", "g", 3)):
            page.keyboard.press(key)
            expect(panel.locator(".message")).to_contain_text(kind, ignore_case=True)
            hand(page, on_screen(page)[:needed])
            lies_at(new_one(page, clinic, study_uid, known), kind)
    with_keys(page, clinic, study_uid, known)
    given_up(page, panel, shots / f"drawing-{host}-on-the-way.png")
    page.get_by_role("button", name="Length", exact=True).first.click()
    by_clicks(page, on_screen(page)[:2])
    lies_at(new_one(page, clinic, study_uid, known), "length")
    page.screenshot(path=shots / f"drawing-{host}-all.png")
    page.close()


def with_keys(page: Page, clinic: Clinic, study_uid: str, known: set[str]) -> None:
    """From the middle of the image to the right, then down: a right angle, and no pointer."""
    page.mouse.move(5, 5)
    for kind, keys in (
        ("length", ("l", "Enter", *["ArrowRight"] * 4, "Enter")),
        (
            "angle",
            ("g", *["ArrowUp"] * 4, "Enter", *["ArrowDown"] * 4, "Enter", *["ArrowLeft"] * 4),
        ),
    ):
        page.keyboard.press(keys[0])
        assert page.evaluate(FOCUS), "keys go to the image"
        for pressed in keys[1:]:
            page.keyboard.press(pressed)
        if kind == "angle":
            page.keyboard.press("Enter")
        found = new_one(page, clinic, study_uid, known)
        assert found["kind"] == kind
        if kind == "angle":
            assert found["value"] == pytest.approx(90, abs=0.6)
        else:
            assert found["points"][0][1] == pytest.approx(found["points"][1][1], abs=0.2)
            assert found["value"] > 0


def given_up(page: Page, panel: Locator, shot: Path) -> None:
    """Escape leaves nothing behind, and the next click works the viewer's tool again."""
    before = page.evaluate(KEPT)
    page.keyboard.press("g")
    places = on_screen(page)
    by_clicks(page, places[:2])
    page.mouse.move(*places[2])
    page.screenshot(path=shot)
    page.keyboard.press("Escape")
    expect(panel.locator(".message")).to_be_empty()
    by_clicks(page, places)
    assert page.evaluate(KEPT) == before


@pytest.mark.parametrize("host", HOSTS)
def test_taps_set_a_length_and_an_angle(
    chromium: Browser, clinic: Clinic, study_uid: str, host: str
) -> None:
    with closing(chromium.new_context(has_touch=True)) as context:
        sign_in(context, clinic, "ida")
        page = opened(context, clinic, study_uid, host)
        known = {m["id"] for m in measurements(clinic, study_uid)}
        for kind, key, needed in (("length", "l", 2), ("angle", "g", 3)):
            page.keyboard.press(key)
            for place in on_screen(page)[:needed]:
                page.touchscreen.tap(*place)
            lies_at(new_one(page, clinic, study_uid, known), kind)
