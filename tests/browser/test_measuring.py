"""A swelling profile and a joint space, from the reader's click to the signed documents."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from dicom_service import report
from dicom_service.validators import outside_problems
from test_pacs.clinic import Clinic
from test_pacs.studies import demo_study
from tests.browser import real_node
from tests.browser.measuring import (
    HANDLES,
    TO_PAGE,
    begin,
    choose,
    click_at,
    item_ids,
    measured,
    opened,
    sign,
)
from tests.browser.waiting import still

pytestmark = [pytest.mark.browser, pytest.mark.long]
SHOTS = Path(__file__).parent / "screenshots"
JOINT = ((522.0, 1010.0), (547.0, 1010.0))
"""Along the third metacarpophalangeal joint of the demo dog, DPa."""
OBLIQUE = ((420.0, 1210.0), (455.0, 1215.0))
"""Along its antebrachiocarpal joint, which curves away from the beam."""

ZOOM = """uid => document.querySelector('sesamoid-panel').host
  .zoomTo(uid, {x: 535, y: 1008, fov: 220})"""


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("clinic")) as clinic:
        yield clinic


@pytest.fixture(scope="module")
def images(clinic) -> dict[str, str]:
    """View -> SOP Instance UID of the demo dog's images, once the study waits to be read."""
    made = demo_study("lame labrador").datasets
    uid = real_node.routed(clinic, made)
    return {"study": uid} | {d.ViewPosition: str(d.SOPInstanceUID) for d in made}


def shot(page: Page, name: str) -> None:
    SHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SHOTS / f"measuring-{name}.png")


def test_swelling_and_joint_from_the_click_to_the_signed_report(
    page: Page, clinic: Clinic, images: dict[str, str], tmp_path: Path
) -> None:
    panel = opened(page, clinic, "Biscuit", 2)
    dpa = images["DPA"]
    items = item_ids(page)
    soft = next(i["id"] for i in items if i["section"] == "soft_tissue")
    joint = next(i["id"] for i in items if i["name"] == "metacarpophalangeal joint III")
    # A profile, its joint marked with one click.
    choose(page, panel, "Soft tissue", soft)
    page.keyboard.press("m")
    expect(panel.locator(".offers")).to_be_visible()
    shot(page, "1-choose")
    panel.get_by_role("button", name="Soft tissue profile").click()
    click_at(page, dpa, (535.0, 1008.0))
    expect(measured(panel)).to_contain_text("thickest soft tissue", ignore_case=True)
    shot(page, "2-profile")
    page.keyboard.press("y")
    expect(panel.locator("li.computed")).to_contain_text("soft tissue thickness")
    shot(page, "3-accepted")
    # A joint that is seen obliquely: a sentence, no number, nothing kept.
    choose(page, panel, "Cartilage", joint)
    begin(page, panel, "Joint space width")
    for point in OBLIQUE:
        click_at(page, dpa, point)
    expect(measured(panel)).to_contain_text("no width is given")
    expect(panel.get_by_role("button", name=re.compile("^Accept"))).to_be_disabled()
    shot(page, "4-refused")
    panel.get_by_role("button", name="Discard").click()
    # A joint that is tangential, zoomed, nudged by keys, accepted.
    begin(page, panel, "Joint space width")
    for point in JOINT:
        click_at(page, dpa, point)
    expect(measured(panel)).to_contain_text(re.compile(r"1\.[1-4]\d ± 0\.\d\d mm"))
    page.evaluate(ZOOM, dpa)
    still(page, 2)
    for (x, y), point in zip(page.evaluate(HANDLES), JOINT, strict=True):
        where = page.evaluate(TO_PAGE, [dpa, list(point)])
        assert abs(x - where[0]) < 1.5, (x, where)
        assert abs(y - where[1]) < 1.5, (y, where)
    shot(page, "5-joint-zoomed")
    panel.locator('[data-landmark="0"]').focus()
    with page.expect_response("**/measure"):
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowDown")
        expect(panel.locator('[data-landmark="0"]')).to_contain_text("column 523, row 1011")
    expect(measured(panel)).to_contain_text("Mean width", ignore_case=True)
    x, y = page.evaluate(HANDLES)[1]
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 6, y, steps=4)
    page.mouse.up()
    expect(measured(panel)).to_contain_text("Mean width", ignore_case=True)
    moved = panel.locator('[data-landmark="1"]').inner_text()
    assert re.search(r"column 54[4-6]", moved), moved
    shot(page, "6-joint-adjusted")
    page.keyboard.press("y")
    expect(panel.locator("li.computed")).to_contain_text("joint space width")
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"))
    # Signed, committed, and the same in the archive.
    sign(page, panel)
    signed = [d for d in clinic.archive.stored(images["study"]) if d.Modality == "SR"]
    by_title = {d.ConceptNameCodeSequence[0].CodeValue: d for d in signed}
    kept = report.read(by_title["18748-4"]).reading.measurements
    assert [m.computed and m.computed.kind for m in kept] == ["swelling_profile", "joint_space"]
    assert kept[0].points == ((pytest.approx(535, abs=1.5), pytest.approx(1008, abs=1.5)),)
    for name, document in by_title.items():
        path = tmp_path / f"{name}.dcm"
        document.save_as(path, enforce_file_format=True)
        assert outside_problems(path) == []
