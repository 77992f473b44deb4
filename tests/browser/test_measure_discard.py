"""Measured, looked at, adjusted and discarded: nothing is kept; the same on the plain page."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from dicom_service import report
from test_pacs.clinic import Clinic
from tests.browser import real_node
from tests.browser.measuring import begin, choose, click_at, item_ids, measured, opened, sign
from tests.browser.real_node import client, context_of
from tests.browser.test_measured_objects import (
    ACROSS,
    drag,
    kept,
    look_at,
    made_study,
    nudge,
    spot,
)
from tests.browser.test_plain import open_plain
from tests.browser.waiting import saved, still

pytestmark = [pytest.mark.browser, pytest.mark.long]
SCREW = (ACROSS.head, ACROSS.tip)


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("clinic")) as clinic:
        yield clinic


def part(page: Page, section: str) -> str:
    items = item_ids(page)
    return next(i["id"] for i in items if i["side"] == "R" and i["section"] == section)


def discarded(page: Page, panel: Locator) -> None:
    panel.get_by_role("button", name="Discard").click()
    expect(panel.locator(".measuring")).to_have_count(0)
    expect(page.locator("[data-sesamoid-layer] circle[data-handle]")).to_have_count(0)
    expect(page.locator("[data-sesamoid-layer] [class*=now]")).to_have_count(0)


def test_a_screw_and_a_fat_plane_that_are_discarded_are_kept_nowhere(
    page: Page, clinic: Clinic
) -> None:
    made, points = made_study()
    uid = real_node.routed(clinic, made)
    _, metal, fat, sound = (str(d.SOPInstanceUID) for d in made)
    panel = opened(page, clinic, "Pixel", 4)
    still(page, 4)
    choose(page, panel, "Bone", part(page, "bone"))
    look_at(page, metal)
    begin(page, panel, "Screw or pin")
    for place in SCREW:
        click_at(page, metal, spot(*place))
    expect(measured(panel)).to_contain_text("lucent rim", ignore_case=True)
    drag(page, 1, 5, 3)
    expect(measured(panel)).to_contain_text("length of the metal", ignore_case=True)
    nudge(page, panel, 0, "ArrowLeft", "ArrowDown")
    expect(measured(panel)).to_contain_text("length of the metal", ignore_case=True)
    discarded(page, panel)
    choose(page, panel, "Soft tissue", part(page, "soft_tissue"))
    look_at(page, fat)
    begin(page, panel, "Fat plane")
    for point in points["along"]:
        click_at(page, fat, point)
    expect(measured(panel)).to_contain_text("no control")
    panel.locator("select[data-second]").select_option(sound)
    for point in points["beside"]:
        click_at(page, sound, point)
    expect(measured(panel)).to_contain_text("intracapsular supported")
    nudge(page, panel, 1, "ArrowUp")
    expect(measured(panel)).to_contain_text("displacement", ignore_case=True)
    discarded(page, panel)
    assert kept(page) == []
    # something else is entered, so that the draft and the documents are written
    choose(page, panel, "Bone", part(page, "bone"))
    page.keyboard.press(" ")
    saved(page)
    assert client(clinic, "ida").open(uid)["reading"]["measurements"] == []
    sign(page, panel)
    signed = [d for d in clinic.archive.stored(uid) if d.Modality == "SR"]
    assert signed
    for document in signed:
        words = str(document)
        assert "sesamoid.implant" not in words
        assert "sesamoid.fat_plane" not in words
    told = next(d for d in signed if d.ConceptNameCodeSequence[0].CodeValue == "18748-4")
    assert report.read(told).reading.measurements == ()


def test_on_the_plain_page_a_screw_is_measured_adjusted_discarded_and_accepted(
    chromium: Browser, clinic: Clinic, shots: Path
) -> None:
    made, _ = made_study()
    uid = real_node.routed(clinic, made)
    metal = str(made[1].SOPInstanceUID)
    context = context_of(chromium, clinic, "ida")
    page, panel = open_plain(context, clinic, uid)
    choose(page, panel, "Bone", part(page, "bone"))
    page.evaluate("uid => window.sesamoidHost.show([uid])", metal)
    expect(page.locator("#stage .view-note").last).to_be_empty(timeout=20_000)
    for accepted in (False, True):
        begin(page, panel, "Screw or pin")
        for place in SCREW:
            page.mouse.click(*on_screen(page, metal, spot(*place)))
        expect(measured(panel)).to_contain_text("length of the metal", ignore_case=True)
        before = panel.locator('[data-landmark="1"]').inner_text()
        nudge(page, panel, 1, "ArrowLeft", "ArrowLeft", "ArrowDown")
        expect(measured(panel)).to_contain_text("length of the metal", ignore_case=True)
        after = panel.locator('[data-landmark="1"]').inner_text()
        assert after != before
        start = panel.locator('[data-landmark="0"]').inner_text()
        drag_plain(page, metal)
        expect(measured(panel)).to_contain_text("length of the metal", ignore_case=True)
        assert panel.locator('[data-landmark="0"]').inner_text() != start
        page.screenshot(path=shots / f"plain-screw-{accepted}.png")
        if not accepted:
            panel.get_by_role("button", name="Discard").click()
            expect(panel.locator(".measuring")).to_have_count(0)
            assert stored(clinic, uid) == []
    page.keyboard.press("y")
    expect(panel.locator("li.computed")).to_contain_text("implant")
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"))
    (one,) = stored(clinic, uid)
    assert one["computed"]["kind"] == "implant"
    length = one["computed"]["numbers"][0]
    assert abs(length["value"] - 20.7 * 1.042) <= length["plus_minus"] + 0.3
    context.close()


def on_screen(page: Page, uid: str, point: tuple[float, float]) -> tuple[float, float]:
    """Where a point of an image is on the plain page."""
    return page.evaluate(
        """([uid, point]) => {
        const view = window.sesamoidHost.views.find(one => one.facts.uid === uid);
        const box = view.element.getBoundingClientRect();
        const [x, y] = view.camera.toScreen(point);
        return [x + box.left, y + box.top]; }""",
        [uid, list(point)],
    )


def drag_plain(page: Page, uid: str) -> None:
    """The first handle a few pixels along, by mouse."""
    place = page.evaluate(
        "() => document.querySelector('sesamoid-panel').session.measuring.points[0]"
    )
    x, y = on_screen(page, uid, place)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 3, y - 2, steps=3)
    with page.expect_response("**/measure"):
        page.mouse.up()


def stored(clinic: Clinic, uid: str) -> list[dict[str, Any]]:
    return client(clinic, "ida").open(uid)["reading"]["measurements"]
