"""Earlier studies in the panel: what was said before, and what of it cannot be read."""

import json
import re
from collections.abc import Callable, Iterator
from contextlib import closing
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, Route, expect

from dicom_service.review.model import Reading
from test_pacs.clinic import Clinic
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.browser import real_node
from tests.browser.real_node import PASSWORD, accessible, client, context_of, open_panel
from tests.browser.waiting import saved
from tests.job.helpers import read_and_save

pytestmark = [pytest.mark.browser, pytest.mark.long]


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    options = {"settle_seconds": 0.3, "retry_first_seconds": 0.2}
    with Clinic(tmp_path_factory.mktemp("before"), options=options) as clinic:
        real_node.add_readers(clinic)
        yield clinic


def arrive(clinic: Clinic, date: str) -> tuple[list[Any], str]:
    images = small_study()
    for image in images:
        image.StudyDate = date
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    client(clinic, "ida").wait_for(uid, "waiting")
    return images, uid


@pytest.fixture(scope="module")
def first(clinic: Clinic) -> str:
    """A signed report with an addendum, a false report beside it, and another maker's."""
    _, uid = arrive(clinic, "20260202")
    ida = client(clinic, "ida")
    ida.sign(uid, read_and_save(ida, uid, finding="radius_distal"), PASSWORD)
    ida.request(
        "POST", f"api/studies/{uid}/addendum", {"text": "Owner told.", "password": PASSWORD}
    )
    ida.wait_for(uid, "committed")
    documents = {
        d.ConceptNameCodeSequence[0].CodeValue: d
        for d in clinic.archive.stored(uid) if d.Modality == "SR"
    }  # fmt: skip
    false = deepcopy(documents["18748-4"])
    false.SOPInstanceUID = false.file_meta.MediaStorageSOPInstanceUID = "1.2.3.4.5"
    false.ContentSequence = false.ContentSequence[:2]
    foreign = deepcopy(documents["126000"])
    foreign.SOPInstanceUID = foreign.file_meta.MediaStorageSOPInstanceUID = "1.2.3.4.6"
    foreign.Manufacturer = "Somebody Else"
    for template in foreign.ContentTemplateSequence:
        template.TemplateIdentifier = "1500"
    send([false, foreign], clinic.service.dimse_port, "SESAMOID")
    return uid


@pytest.fixture
def context(chromium: Browser, clinic: Clinic) -> Iterator[BrowserContext]:
    with closing(context_of(chromium, clinic, "ida")) as context:
        yield context


def go_to(page: Page, panel: Locator, name: str) -> None:
    page.evaluate(
        """structure => { const { session } = document.querySelector('sesamoid-panel');
        session.choose(session.template.items.find(i => i.structure === structure).id); }""",
        name,
    )


def measured_again(page: Page, panel: Locator, clinic: Clinic, uid: str, shots: Path) -> None:
    """What the earlier report did not measure is measured on its image, and compared."""
    priors = client(clinic, "ida").request("GET", f"api/studies/{uid}/priors")["studies"][0]
    there = next(image["uid"] for image in priors["images"] if image["view"] == "DPa")
    dpa = client(clinic, "ida").open(uid)["template"]["views"][0]["uid"]
    page.evaluate("() => document.activeElement.blur()")
    page.keyboard.press("m")
    panel.get_by_role("button", name=re.compile("proximal and distal sagittal")).click()
    shaft = [[70, 10], [70, 50], [72, 90]]
    for image, last in ((dpa, [72, 140]), (there, [90, 140])):
        if image == there:
            panel.get_by_role("button", name="2026-02-02 DPa").click()
        for point in [*shaft, last]:
            page.evaluate("([uid, point]) => window.host.picking({uid, point})", [image, point])
    changed = panel.locator(".measuring .against").first
    expect(changed).to_contain_text("2026-02-02")
    expect(changed).to_contain_text("measured today on the earlier image", ignore_case=True)
    changed.scroll_into_view_if_needed()
    page.screenshot(path=shots / "before-2-same.png")
    accessible(page)
    page.keyboard.press("y")
    saved(page)
    kept = Reading.model_validate(client(clinic, "ida").open(uid)["reading"]).measurements[-1]
    assert kept.computed is not None
    assert [place.view for place in kept.computed.before] == [there]
    # Its sentence stands in the report by choice.
    own = panel.locator(".computed .against").first
    own.get_by_role("button", name="Into the report").click()
    saved(page)
    kept = Reading.model_validate(client(clinic, "ida").open(uid)["reading"]).measurements[-1]
    assert kept.note.startswith("Compared with 2026-02-02")


def test_what_was_said_before_stands_beside_today_and_is_copied_only_by_choice(
    context: BrowserContext, clinic: Clinic, first: str, shots
) -> None:
    _, uid = arrive(clinic, "20260302")
    page, panel = open_panel(context, clinic, uid)
    line = panel.locator(".before-line")
    expect(line).to_contain_text("An earlier study of 2026-02-02")
    go_to(page, panel, "radius_distal")
    earlier = panel.locator(".earlier")
    expect(earlier).to_contain_text("2026-02-02 abnormal")
    expect(earlier).to_contain_text("length 22.5 mm, not measured today")
    page.screenshot(path=shots / "before-1-card.png")
    accessible(page)
    assert client(clinic, "ida").open(uid)["version"] == 0

    earlier.get_by_role("button", name="copy to DPa").click()
    expect(panel.locator(".editor .copied")).to_have_text(
        "Description copied from the report of 2026-02-02."
    )
    dpa = client(clinic, "ida").open(uid)["template"]["views"][0]["uid"]
    page.keyboard.press("Escape")
    page.keyboard.press("l")
    page.evaluate("uid => window.host.draw('m-1', uid, [[60, 60], [60, 94]])", dpa)
    changed = panel.locator(".measurements .against").first
    expect(changed).to_contain_text("2026-02-02")
    expect(changed.locator(".verdict")).to_have_text("smaller than can be detected")
    expect(changed).to_contain_text("+3.00 mm")
    changed.get_by_role("button", name="Into the report").click()
    expect(changed.get_by_role("button", name="take it out")).to_be_visible()
    page.screenshot(path=shots / "before-2-changed.png")
    saved(page)
    kept = Reading.model_validate(client(clinic, "ida").open(uid)["reading"])
    (finding,) = kept.findings
    assert (finding.descriptors, finding.severity) == (("fracture_line",), "moderate")
    assert finding.cross_check == {}
    prior = client(clinic, "ida").request("GET", f"api/studies/{uid}/priors")["studies"][0]
    assert finding.copied_from == prior["report"]["sop_instance_uid"]
    page.screenshot(path=shots / "before-2-copied.png")
    measured_again(page, panel, clinic, uid, shots)

    page.evaluate("() => document.activeElement.blur()")
    page.keyboard.press("b")
    studies = panel.locator(".studies .prior")
    expect(studies).to_have_count(1)
    expect(studies).to_contain_text("Version 2 of 2, with addendum · Dr Ida Vreeland")
    expect(studies).to_contain_text("Owner told.")
    expect(studies).to_contain_text("Somebody Else")
    expect(studies).to_contain_text("A report that could not be read (1.2.3.4.5)")
    expect(panel.locator(".changes")).to_contain_text("then22.50 mmnow25.50 mm")
    preview = client(clinic, "ida").request("GET", f"api/studies/{uid}/preview")
    assert "Compared with 2026-02-02 (22.50 ± " in preview["findings_text"]
    studies.get_by_role("button", name="2 images beside").click()
    images = {i["view"]: i["uid"] for i in prior["images"]}
    today = client(clinic, "ida").open(uid)["template"]["views"]
    pairs = [[view["uid"], images[view["view"]]] for view in today]
    assert ["beside", first, *pairs] in page.evaluate("() => window.host.calls")
    page.screenshot(path=shots / "before-3-page.png")
    accessible(page)
    page.keyboard.press("l")
    page.evaluate("uid => window.host.draw('m-2', uid, [[6, 6], [6, 9]])", images["DPa"])
    page.evaluate("() => window.host.stopTool()")  # in a viewer a tool ends with its line
    expect(panel.locator(".message")).to_contain_text("image of another study: not kept")
    panel.get_by_role("button", name="Only today again").click()
    page.keyboard.press("Escape")
    expect(panel.locator(".card h2")).to_contain_text("istal radius")


def changed(context: BrowserContext, change: Callable[[dict[str, Any]], None]) -> None:
    """Let the node's answer on earlier studies be another."""

    def answer(route: Route) -> None:
        real = route.fetch()
        content = real.json()
        change(content)
        route.fulfill(response=real, body=json.dumps(content))

    context.route("**/api/studies/*/priors", answer)


def many(answer: dict[str, Any]) -> None:
    one = answer["studies"][0]
    answer["studies"] = [{**one, "study_uid": f"{one['study_uid']}.{n}"} for n in range(60)]
    answer["more"] = 9940
    answer["search"] |= {
        "state": "failed",
        "detail": "archive did not answer: connection refused",
        "next_at": "2026-11-25T17:40:00Z",
    }


def fetching(answer: dict[str, Any]) -> None:
    one = answer["studies"][0]
    away = {"state": "archive", "images": [], "report": None, "foreign": [], "unreadable": []}
    answer["studies"] = [one] + [
        {**one, **away, "study_uid": f"1.{n}", "study_date": f"2025010{n}"} for n in range(1, 4)
    ]
    answer["studies"][2] |= {
        "state": "refused",
        "detail": "Not taken, it may be another animal's: name.",
    }
    answer["search"] |= {"state": "looking", "found": 4}


def test_ten_thousand_earlier_studies_an_archive_that_is_down_and_one_that_is_slow(
    context: BrowserContext, clinic: Clinic, first: str, shots
) -> None:
    _, uid = arrive(clinic, "20260302")
    changed(context, many)
    page, panel = open_panel(context, clinic, uid)
    expect(panel.locator(".before-line")).to_contain_text("10000 earlier studies")
    page.keyboard.press("b")
    expect(panel.locator(".studies .prior")).to_have_count(8)
    expect(panel.locator(".before")).to_contain_text("connection refused")
    expect(panel.locator(".before")).to_contain_text("It is asked again at")
    panel.get_by_role("button", name="Show more (52)").click()
    expect(panel.locator(".studies .prior")).to_have_count(28)
    expect(panel.locator(".before")).to_contain_text("9940 more are not listed")
    page.screenshot(path=shots / "before-4-many.png")
    context.unroute("**/api/studies/*/priors")
    changed(context, fetching)
    page.reload()
    line = panel.locator(".before-line")
    expect(line).to_contain_text("3 earlier studies, the newest of 2026-03-02")
    expect(line).to_contain_text("a study under this number was not taken")
    page.keyboard.press("b")
    expect(panel.locator(".before")).to_contain_text("Fetching: 1 of 3 earlier studies are here")
    expect(panel.locator(".before")).to_contain_text("it may be another animal's")
    page.screenshot(path=shots / "before-5-fetching.png")
    accessible(page)
    page.keyboard.press("Escape")
    page.keyboard.press(" ")
    expect(panel.locator(".save")).to_contain_text("saved")


def test_the_species_is_put_right_in_the_panel(
    context: BrowserContext, clinic: Clinic, shots
) -> None:
    _, uid = arrive(clinic, "20260302")
    page, panel = open_panel(context, clinic, uid)
    page.keyboard.press(" ")
    saved(page)
    panel.locator(".images summary").click()
    panel.get_by_role("button", name="Correct Species").click()
    panel.locator("select[name=species]").select_option("cat")
    page.screenshot(path=shots / "before-6-species.png")
    panel.get_by_role("button", name="Put right").click()
    expect(panel.locator(".animal")).to_contain_text("cat")
    expect(panel.locator(".message")).to_contain_text("The species was put right")
    opened = client(clinic, "ida").open(uid)
    assert opened["template"]["species"] == "cat"
    assert len(opened["reading"]["observations"]) == 1
