"""Computing a measurement in the panel: by keys alone, published values, refusals, nothing lost."""

import re
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Locator, Page, expect

from dicom_service.codes import all_codes
from dicom_service.measure.angles import METHOD, VERSION
from dicom_service.review.computed import Computed, ComputedNumber
from dicom_service.review.model import Measurement
from dicom_service.workflow.prior_model import PriorImage, PriorMeasurement
from tests.browser.waiting import saved

pytestmark = [pytest.mark.browser, pytest.mark.long]

JOINT = "R.carpus.antebrachiocarpal"
SAVED = re.compile(r"^saved \d\d:\d\d:\d\d$")


def violations(page: Page) -> list[str]:
    found = Axe().run(page, context="sesamoid-panel").response["violations"]
    return [f"{v['id']}: {node['html']}" for v in found for node in v["nodes"]]


def too_wide(page: Page) -> int:
    """How many parts of the panel are wider than their place."""
    return page.evaluate(
        """() => [...document.querySelector('sesamoid-panel').shadowRoot.querySelectorAll('.card')]
        .filter(e => e.scrollWidth > e.clientWidth + 1).length"""
    )


def press(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def choose(page: Page, section: str = "cartilage") -> str:
    """Go to the first structure of a section; its id."""
    return page.evaluate(
        """section => { const s = document.querySelector('sesamoid-panel').session;
        s.chooseSection(section); return s.item; }""",
        section,
    )


def place(page: Page, uid: str, *points: tuple[float, float]) -> None:
    for point in points:
        page.evaluate(
            "([uid, point]) => window.host.picking({uid, point})", [uid, [float(p) for p in point]]
        )


def layer(page: Page) -> dict[str, Any]:
    return page.evaluate("() => window.host.layer")


def start(page: Page, panel: Locator, what: str) -> None:
    press(page, "m")
    panel.get_by_role("button", name=what).click()
    expect(panel.locator(".marks")).to_be_visible()


def earlier_angle(item: str, name: str, value: float) -> PriorMeasurement:
    """An angle that this program measured in a study of May."""
    number = ComputedNumber(id="aLDRA", name=name, value=value, unit="deg", plus_minus=2.5)
    made = Computed(kind="limb_measurement", name="aLDRA", method=METHOD, version=VERSION,
                    numbers=(number,))  # fmt: skip
    kept = Measurement(id="c-1", item=item, view="1.9", kind="computed", points=((0, 0), (1, 1)),
                       value=value, unit="deg", computed=made)  # fmt: skip
    return PriorMeasurement(study_uid="1.8", date="20260504", meaning=name, value=value, unit="deg",
                            item=item, tracking_id="c-1", image_uid="1.9", view="DPa",
                            view_side="R", own=kept)  # fmt: skip


def foreign_angle(name: str, value: float) -> PriorMeasurement:
    """The same under the same code in another maker's report."""
    code = all_codes()["computed_limb_measurement_aLDRA"]
    return PriorMeasurement(study_uid="1.7", date="20260101", meaning=name, value=value, unit="deg",
                            site="distal radius", side="Right", maker="Somebody Else",
                            code=f"{code.scheme}:{code.value}")  # fmt: skip


@pytest.mark.parametrize("width", [380, 460])
def test_a_joint_space_is_measured_by_keys_alone(
    page: Page, panel: Locator, node: Any, shots: Path, width: int
) -> None:
    page.add_style_tag(content=f"main {{ grid-template-columns: 1fr {width}px !important; }}")
    item = choose(page)
    panel.locator("[data-place]").first.focus()
    press(page, "m")
    expect(panel.get_by_role("button", name="Joint space width")).to_be_focused()
    press(page, "Enter")
    expect(panel.locator('[data-landmark="0"]')).to_be_focused()
    press(page, "Enter")
    expect(panel.locator('[data-landmark="1"]')).to_be_focused()
    press(page, "Shift+Tab", "Shift+ArrowLeft", "Shift+ArrowLeft", "Shift+ArrowLeft")
    press(page, "Tab", "Enter")
    expect(panel.locator(".result")).to_contain_text("Mean width", ignore_case=True)
    assert node.asked[-1].points == ((120.0, 180.0), (190.0, 180.0))
    assert [h["point"] for h in layer(page)["handles"]] == [[120, 180], [190, 180]]
    assert {s["name"] for s in layer(page)["shapes"]} == {
        "first margin",
        "second margin",
        "minimum",
    }
    assert violations(page) == []
    page.screenshot(path=shots / f"measure-joint-{width}.png")
    assert too_wide(page) == 0
    press(page, "y")
    expect(panel.locator("li.computed")).to_contain_text("joint space width")
    expect(panel.locator(".save")).to_have_text(SAVED)
    (kept,) = node.reading.measurements
    assert (kept.item, kept.kind, kept.computed.kind) == (item, "computed", "joint_space")
    panel.locator("li.computed").scroll_into_view_if_needed()
    page.screenshot(path=shots / f"measure-joint-kept-{width}.png")
    assert too_wide(page) == 0
    assert violations(page) == []
    # Adjusted, it keeps its name and its place in the reading.
    panel.get_by_role("button", name=re.compile("^Adjust")).click()
    expect(panel.locator(".result")).to_be_visible()
    page.evaluate("() => window.host.moveHandle('other_end', [180, 180])")
    expect(panel.locator('[data-landmark="1"]')).to_contain_text("column 180")
    expect(panel.get_by_role("button", name="Accept the change")).to_be_enabled()
    press(page, "y")
    expect(panel.locator(".save")).to_have_text(SAVED)
    saved(page)
    (moved,) = node.reading.measurements
    assert moved.id == kept.id
    assert moved.points[1] == (180.0, 180.0)
    panel.get_by_role("button", name=re.compile("^Remove")).click()
    expect(panel.locator("li.computed")).to_have_count(0)
    press(page, "Control+z")
    expect(panel.locator("li.computed")).to_have_count(1)


def test_an_angle_stands_beside_what_is_published_and_what_was_before(
    page: Page, node: Any, opened: Any, shots: Path
) -> None:
    name = "anatomic lateral distal radial angle"
    item = "R.carpus.radius_distal"
    node.earlier = {item: [earlier_angle(item, name, 88.0), foreign_angle(name, 91.0)]}
    panel = opened(page, node)
    choose(page, "bone")
    start(page, panel, "Anatomic lateral distal radial angle")
    expect(
        panel.get_by_role("img", name=re.compile("^Where the points lie: 1 axis distal"))
    ).to_be_visible()
    uid = node.facts.images[0].uid
    place(page, uid, (150, 340), (150, 20), (30, 150), (270, 166))
    expect(panel.locator(".published")).to_contain_text("85.6 ± 1.74°")
    expect(panel.locator(".published")).to_contain_text("DUNCAN2022 (source read)")
    expect(
        panel.get_by_role(
            "img", name=re.compile("over time: 2026-01-01: 91.00 °; 2026-05-04: 88.00 ± 2.50")
        )
    ).to_be_visible()
    own, theirs = panel.locator(".against").all()
    expect(own.locator(".verdict")).to_have_text(re.compile("changed|smaller than can be detected"))
    expect(theirs).to_contain_text("by Somebody Else")
    expect(theirs.locator(".verdict")).to_have_text("cannot be told")
    assert violations(page) == []
    page.screenshot(path=shots / "measure-angle.png")
    panel.locator(".published").scroll_into_view_if_needed()
    page.screenshot(path=shots / "measure-angle-published.png")


def test_every_kind_is_placed_with_its_drawing_and_its_second_image(
    page: Page, node: Any, opened: Any, shots: Path
) -> None:
    node.earlier = {"R.carpus.radius_distal": [earlier_angle("R.carpus.radius_distal", "x", 88.0)]}
    node.prior_images = (PriorImage(uid="1.9", series_uid="1.9.0", view="DPa", side="R"),)
    panel = opened(page, node)
    page.add_style_tag(content="main { grid-template-columns: 1fr 380px !important; }")
    choose(page, "bone")
    dpa, ml = (image.uid for image in node.facts.images)
    # A ball needs its true size, said by keys.
    press(page, "m")
    panel.get_by_role("button", name="Calibration by a ball").hover()
    page.screenshot(path=shots / "measure-kinds.png")
    panel.get_by_role("button", name="Calibration by a ball").click()
    place(page, dpa, (150, 180))
    assert node.asked == []
    panel.get_by_label("True diameter, mm").fill("25")
    page.keyboard.press("Tab")
    expect(panel.locator(".refused, .result")).to_be_visible()
    assert (node.asked[-1].kind, node.asked[-1].true_mm) == ("ball", 25.0)
    page.screenshot(path=shots / "measure-ball.png")
    press(page, "Escape")
    # A fracture in one view is a lower bound; the view across is offered, and takes its own points.
    panel.get_by_role("button", name="Angulation of a fracture").click()
    place(page, dpa, (150, 20), (150, 120), (150, 220), (156, 330))
    expect(panel.locator(".result")).to_contain_text("at least")
    panel.get_by_label("View across").select_option(label="R ML")
    place(page, ml, (150, 20), (150, 120), (150, 220), (156, 330))
    expect(panel.locator('[data-landmark="7"]')).to_contain_text("column 156, row 330")
    expect(panel.locator(".progress")).to_have_count(0)
    assert node.asked[-1].control_uid == ml
    assert len(node.asked[-1].control_points) == 4
    assert violations(page) == []
    panel.locator("[data-second]").scroll_into_view_if_needed()
    page.screenshot(path=shots / "measure-fracture.png")
    assert too_wide(page) == 0
    press(page, "Escape")
    # An earlier image is a control without a click, and stands beside.
    panel.get_by_role("button", name="Soft tissue profile").click()
    panel.get_by_label("Compare with").select_option(label="2026-05-04 DPa")
    page.wait_for_function("uid => window.host.images().some(one => one.uid === uid)", arg="1.9")
    expect(panel.locator(".refused, .result")).to_be_visible()
    assert node.asked[-1].control_uid == "1.9"
    page.screenshot(path=shots / "measure-control.png")
    press(page, "Escape", "Escape")


def test_what_cannot_be_trusted_is_a_sentence_and_cannot_be_accepted(
    page: Page, panel: Locator, node: Any
) -> None:
    choose(page)
    start(page, panel, "Joint space width")
    uid = node.facts.images[0].uid
    place(page, uid, (120, 100), (180, 100))
    expect(panel.get_by_role("alert")).to_contain_text("Not measured")
    expect(panel.get_by_role("button", name=re.compile("^Accept"))).to_be_disabled()
    press(page, "y")
    expect(panel.locator(".refused")).to_be_visible()
    assert panel.locator(".measuring").inner_text().count("Not measured") == 1
    press(page, "Escape", "Escape")
    expect(panel.locator(".card h2")).to_be_visible()
    assert node.reading.measurements == ()
    assert layer(page) == {"shapes": [], "handles": [], "labels": []}
    assert page.evaluate("() => window.host.picking") is None


def test_while_the_node_is_away_the_points_stay(page: Page, panel: Locator, node: Any) -> None:
    choose(page)
    start(page, panel, "Joint space width")
    uid = node.facts.images[0].uid
    node.away = True
    place(page, uid, (120, 180), (190, 180))
    expect(panel.get_by_role("alert")).to_contain_text("restarted")
    node.away = False
    page.evaluate("() => window.host.moveHandle('one_end', [121, 180])")
    expect(panel.locator(".result")).to_contain_text("Mean width", ignore_case=True)


def test_keys_that_answer_do_nothing_while_measuring(page: Page, panel: Locator, node: Any) -> None:
    choose(page)
    start(page, panel, "Joint space width")
    page.evaluate("() => document.activeElement.blur()")
    page.locator("#images").focus()
    press(page, "a", " ", "x")
    assert node.reading.observations == {}
    expect(panel.locator(".measuring")).to_be_visible()


def test_what_was_measured_before_the_finding_is_offered_to_it(
    page: Page, panel: Locator, node: Any, shots: Any
) -> None:
    choose(page)
    start(page, panel, "Joint space width")
    uid = node.facts.images[0].uid
    place(page, uid, (120, 180), (180, 180))
    expect(panel.locator(".result:not(.stale)")).to_be_visible()
    press(page, "y")
    expect(panel.locator(".card .measurements > li")).to_be_visible()
    press(page, "a", "Enter")  # the search for words is empty: on to the cross-check
    offered = panel.locator(".loose button")
    offered.scroll_into_view_if_needed()
    page.screenshot(path=shots / "measured-before-the-finding.png")
    press(page, "y")
    expect(offered).to_be_focused()
    press(page, "y")
    expect(panel.locator(".editor .measurements > li")).to_be_visible()
    expect(offered).to_have_count(0)
    saved(page)
    (finding,), (kept,) = node.reading.findings, node.reading.measurements
    assert kept.finding == finding.id
