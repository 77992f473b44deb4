"""In the real host viewer: reports as we show them, new ones without reload, images beside."""

import re
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Locator, Page, expect

from test_pacs.clinic import Clinic
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.browser import real_node
from tests.browser.real_node import PASSWORD, client, context_of
from tests.browser.waiting import eventually, still
from tests.job.helpers import read_and_save

pytestmark = [pytest.mark.browser, pytest.mark.long]

ITS_OWN = "No renderer found for the viewport"
"""What the viewer says when an image gives way to a document in the middle of being drawn."""
ZOOMS = """() => {
  const { host } = document.querySelector('sesamoid-panel');
  return host.images().map(image => host.viewport(image.viewportId).getZoom());
}"""


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    folder = tmp_path_factory.mktemp("beside")
    options = {"retry_first_seconds": 0.2, "send_presentation_states": True}
    with real_node.with_viewer(folder, **options) as clinic:
        yield clinic


@pytest.fixture
def watched(chromium: Browser, clinic: Clinic) -> Iterator[tuple[Page, list[str]]]:
    """A page of a signed-in reader, and all that it complained about."""
    context = context_of(chromium, clinic, "ida")
    page = context.new_page()
    page.set_viewport_size({"width": 1500, "height": 950})
    said: list[str] = []

    def heard(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and message.text != ITS_OWN:
            said.append(f"{message.type}: {message.text[:300]}")

    page.on("console", heard)
    page.on("pageerror", lambda error: said.append(f"thrown: {error}"))
    yield page, said
    context.close()


def arrive(clinic: Clinic, date: str, *sides: str) -> str:
    images: list[Any] = []
    for side in sides:
        images += small_study(side=side)  # type: ignore[arg-type]
    for image in images:
        image.StudyInstanceUID = images[0].StudyInstanceUID
        image.StudyDate = date
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    client(clinic, "ida").wait_for(uid, "waiting")
    return uid


def signed(clinic: Clinic, date: str, *sides: str) -> str:
    uid = arrive(clinic, date, *sides)
    ida = client(clinic, "ida")
    ida.sign(uid, read_and_save(ida, uid, finding="radius_distal"), PASSWORD)
    ida.wait_for(uid, "committed")
    return uid


def open_study(page: Page, clinic: Clinic, uid: str, images: int) -> Locator:
    page.goto(f"{clinic.service.address}read?StudyInstanceUIDs={uid}")
    panel = page.locator("sesamoid-panel")
    panel.locator("h1").wait_for(timeout=60_000)
    expect(page.locator(".cornerstone-canvas")).to_have_count(images)
    return panel


def shown(page: Page) -> list[str | None]:
    return page.evaluate(
        "() => document.querySelector('sesamoid-panel').host.images().map(i => i.uid)"
    )


def test_earlier_images_and_the_other_limb_come_beside_linked_and_go_again(
    clinic: Clinic, watched: tuple[Page, list[str]], shots
) -> None:
    page, said = watched
    before = signed(clinic, "20260202", "R")
    uid = arrive(clinic, "20260302", "R", "L")
    panel = open_study(page, clinic, uid, 4)
    usual = shown(page)
    page.keyboard.press("b")
    page.screenshot(path=shots / "beside-1-page.png")
    panel.get_by_role("button", name="2 images beside").click()
    priors = client(clinic, "ida").request("GET", f"api/studies/{uid}/priors")["studies"]
    theirs = {i["view"]: i["uid"] for s in priors if s["study_uid"] == before for i in s["images"]}
    views = client(clinic, "ida").open(uid)["template"]["views"]
    right = [v for v in views if v["side"] == "R"]
    wanted = [v["uid"] for v in right] + [theirs[v["view"]] for v in right]
    page.wait_for_function(
        "wanted => JSON.stringify(document.querySelector('sesamoid-panel').host.images()"
        ".map(i => i.uid)) === JSON.stringify(wanted)",
        arg=wanted,
    )
    still(page, 4)
    page.screenshot(path=shots / "beside-2-prior.png")
    at_first = page.evaluate(ZOOMS)
    box = page.locator(".cornerstone-canvas").first.bounding_box()
    assert box
    page.mouse.move(box["x"] + 100, box["y"] + 100)
    page.mouse.down(button="right")
    page.mouse.move(box["x"] + 100, box["y"] + 200, steps=5)
    page.mouse.up(button="right")
    still(page, 4)
    now = page.evaluate(ZOOMS)
    assert now[0] != pytest.approx(at_first[0])
    assert now[2] / at_first[2] == pytest.approx(now[0] / at_first[0], rel=0.05)
    assert now[1] == pytest.approx(at_first[1])

    choose = """side => { const { session } = document.querySelector('sesamoid-panel');
        session.choose(session.template.items.find(i => i.side === side
            && Object.values(i.visibility).every(seen => seen !== 'no')).id); }"""
    page.evaluate(choose, "L")
    left = {v["uid"] for v in views if v["side"] == "L"}
    eventually(page, lambda: set(shown(page)) == left)
    page.screenshot(path=shots / "beside-5-no-partner.png")
    page.evaluate(choose, "R")
    eventually(page, lambda: set(shown(page)) == set(wanted))
    page.keyboard.press("b")
    panel.get_by_role("button", name="Show the limbs").click()
    eventually(page, lambda: set(shown(page)) == {v["uid"] for v in views})
    page.screenshot(path=shots / "beside-3-limbs.png")
    panel.get_by_role("button", name="Only today again").click()
    eventually(page, lambda: shown(page) == usual)
    page.screenshot(path=shots / "beside-4-again.png")
    assert said == []


def test_reports_open_in_our_view_the_newest_version_first_and_new_ones_without_reload(
    clinic: Clinic, watched: tuple[Page, list[str]], shots
) -> None:
    page, said = watched
    uid = signed(clinic, "20260302", "R")
    _older_version_in_the_same_series(clinic, uid)
    panel = open_study(page, clinic, uid, 2)
    panel.get_by_role("button", name="Open: Report", exact=True).click()
    document = page.locator("sesamoid-report")
    expect(document).to_contain_text("Fracture.")
    expect(document).to_contain_text("Signed by Dr Ida Vreeland")
    expect(document).to_contain_text("version 2 of 2")
    expect(document).not_to_contain_text("An older wording.")
    place = document.locator(".place").first
    expect(place).to_contain_text("Distal Radius, right: fracture line")
    page.screenshot(path=shots / "documents-1-report.png")
    place.get_by_role("button", name="other view").click()
    views = {v["label"]: v["uid"] for v in client(clinic, "ida").open(uid)["template"]["views"]}
    page.wait_for_function(
        "uid => document.querySelector('sesamoid-panel').host.images().some(i => i.uid === uid)",
        arg=views["ML"],
    )
    page.screenshot(path=shots / "documents-2-image.png")

    panel.get_by_role("button", name="Add", exact=True).click()
    panel.get_by_label("What is to be added").fill("Seen without reload.")
    panel.locator("input[name=password]").fill(PASSWORD)
    panel.get_by_role("button", name="Sign the addendum").click()
    expect(panel.locator(".standing")).to_contain_text("Version 2 of 2")
    panel.get_by_role("button", name="Open: Report with addendum, version 2").click()
    expect(document).to_contain_text("Seen without reload.")
    page.screenshot(path=shots / "documents-3-addendum.png")
    # A colleague withdraws it while it is on the screen.
    expect(document.locator(".superseded")).to_have_count(0)
    withdrawn = {"reason": "safety", "text": "Wrong animal.", "password": PASSWORD}
    client(clinic, "ida").request("POST", f"api/studies/{uid}/withdrawal", withdrawn)
    page.evaluate("() => window.dispatchEvent(new Event('focus'))")
    expect(document.locator(".superseded")).to_have_text(
        "▲ Withdrawn: none of the 2 versions is to be used."
    )
    page.screenshot(path=shots / "documents-7-withdrawn.png")
    assert said == []


def test_printed_report_key_images_and_presentation_states_raise_no_complaint(
    clinic: Clinic, watched: tuple[Page, list[str]], shots
) -> None:
    page, said = watched
    uid = signed(clinic, "20260302", "R")
    kinds = {d["role"] for d in client(clinic, "ida").open(uid)["documents"]}
    assert {"report", "measurements", "pdf", "key_images", "presentation"} <= kinds
    panel = open_study(page, clinic, uid, 2)
    panel.get_by_role("button", name="Open: Printed report").click()
    pdf = page.locator("object[type='application/pdf']")
    expect(pdf).to_be_visible()
    page.screenshot(path=shots / "documents-4-pdf.png")
    panel.get_by_role("button", name="Open: Measurements").click()
    expect(page.locator("svg").filter(has_text="22.50 mm").first).to_be_attached()
    page.screenshot(path=shots / "documents-5-measurements.png")
    _shows_the_presentation_state(page, panel)
    page.screenshot(path=shots / "documents-6-presentation.png")
    panel.get_by_role("button", name="Show: Key images").click()
    expect(panel.locator(".message")).to_have_text(re.compile("^Key images: .*DPa"))
    labels = page.evaluate(
        "() => window.services.displaySetService.getActiveDisplaySets()"
        ".map(s => [s.Modality, Boolean(s.unsupported), Boolean(s.excludeFromThumbnailBrowser)])"
    )
    assert ["KO", False, True] in labels
    assert ["PR", False, True] in labels
    assert page.locator("[data-cy='notification'], .toast, [data-sonner-toast]").count() == 0
    assert said == []


DRAWN = """() => [...document.querySelectorAll('[data-sesamoid-layer] text')]
    .map(t => t.textContent)"""
WINDOWS = """() => { const { host } = document.querySelector('sesamoid-panel');
    return host.images().map(i => host.viewport(i.viewportId).getProperties().voiRange); }"""


def _shows_the_presentation_state(page: Page, panel: Locator) -> None:
    """Lines, texts and window as signed; afterwards the images are free of them again."""
    narrow = """() => { const { host } = document.querySelector('sesamoid-panel');
        for (const i of host.images()) { const v = host.viewport(i.viewportId);
            v.setProperties({ voiRange: { lower: 10, upper: 20 } }); v.render(); } }"""
    page.evaluate(narrow)
    panel.get_by_role("button", name="Show: Lines and angles on the images").first.click()
    page.wait_for_function(f"() => ({DRAWN})().some(text => text.includes('fracture line'))")
    drawn = page.evaluate(DRAWN)
    assert "22.5 mm" in drawn
    page.wait_for_function(f"() => ({WINDOWS})().some(w => w.upper - w.lower > 100)")
    panel.get_by_role("button", name="Hide: Lines and angles on the images").click()
    page.wait_for_function(f"() => ({DRAWN})().length === 0")
    panel.get_by_role("button", name="Show: Lines and angles on the images").first.click()
    page.wait_for_function(f"() => ({DRAWN})().some(text => text.includes('fracture line'))")


def _older_version_in_the_same_series(clinic: Clinic, uid: str) -> None:
    report = next(
        d for d in clinic.archive.stored(uid)
        if d.Modality == "SR" and d.ConceptNameCodeSequence[0].CodeValue == "18748-4"
    )  # fmt: skip
    older = deepcopy(report)
    older.SOPInstanceUID = older.file_meta.MediaStorageSOPInstanceUID = "1.2.3.99"
    older.InstanceNumber = 9
    older.ContentDate = "20200101"
    for item in older.ContentSequence:
        for inner in item.get("ContentSequence") or []:
            if inner.ValueType == "TEXT" and inner.TextValue == "Fracture.":
                inner.TextValue = "An older wording."
    send([older], clinic.service.dimse_port, "SESAMOID")
