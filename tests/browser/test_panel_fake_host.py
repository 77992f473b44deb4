"""The panel in a real browser, beside a viewer that is not there and a node that can fail."""

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.looking import at_widths, faults
from tests.browser.waiting import CLEAN, saved

pytestmark = pytest.mark.browser

RADIUS = "R.carpus.radius_distal"
SAVED = re.compile(r"^saved \d\d:\d\d:\d\d$")


def press(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def expect_saved(panel: Locator) -> None:
    expect(panel.locator(".save")).to_have_text(SAVED)


def values(node: Any, item: str) -> dict[str, str]:
    """What the node knows of one structure, by the label of the view."""
    seen = node.reading.observations.get(item, {})
    return {v.label: seen[v.uid].value for v in node.template.views if v.uid in seen}


def mark_radius_abnormal(page: Page, panel: Locator) -> None:
    panel.get_by_role("button", name="Bone").click()
    press(page, "a")
    expect(panel.get_by_role("searchbox")).to_be_focused()


def test_space_says_normal_on_all_views_and_goes_on(page: Page, panel: Locator, node: Any) -> None:
    panel.get_by_role("button", name="Bone").click()
    press(page, " ")
    expect(panel.locator(".card h2")).to_have_text("styloid process of the radius")
    expect_saved(panel)
    assert values(node, RADIUS) == {"DPa": "normal", "ML": "normal"}


def test_a_whole_section_is_read_with_one_key(page: Page, panel: Locator, node: Any) -> None:
    panel.get_by_role("button", name="Soft tissue").click()
    asked = [i for i in node.template.items if i.section == "soft_tissue"]
    for _ in asked:
        press(page, " ")
    expect_saved(panel)
    assert node.opening()["coverage"]["sections"]["soft_tissue"][0] == sum(
        v != "no" for i in asked for v in i.visibility.values()
    )


def test_every_value_has_its_key_on_the_chosen_view(page: Page, panel: Locator, node: Any) -> None:
    panel.get_by_role("button", name="Bone").click()
    press(page, "2", "v", "1", "u")
    expect_saved(panel)
    assert values(node, RADIUS) == {"DPa": "undetermined", "ML": "variant"}
    press(page, "1", "x")
    expect(panel.get_by_role("option", selected=True)).to_have_attribute(
        "aria-label", "distal radius: DPa cannot be shown, ML variant"
    )
    press(page, "1", "Backspace")
    expect_saved(panel)
    page.wait_for_function(CLEAN)
    assert values(node, RADIUS) == {"ML": "variant"}


def test_an_abnormal_observation_demands_its_cross_check(
    page: Page, panel: Locator, node: Any
) -> None:
    mark_radius_abnormal(page, panel)
    page.keyboard.type("geographic")
    press(page, "Enter")
    panel.get_by_role("button", name="moderate").click()
    expect(panel.locator(".left")).to_contain_text("1 to confirm")
    press(page, "Escape")
    expect(panel.locator(".open-check")).to_contain_text("Is it there on ML?")
    panel.locator(".open-check").click()
    panel.get_by_role("button", name="confirmed").click()
    expect(panel.locator(".left")).not_to_contain_text("to confirm")
    page.wait_for_function(CLEAN)
    (finding,) = node.reading.findings
    ml = node.template.views[1].uid
    assert (finding.item, finding.severity) == (RADIUS, "moderate")
    assert finding.descriptors == ("lysis_geographic",)
    assert finding.cross_check == {ml: "confirmed"}


def test_undo_brings_back_a_finding_that_was_overwritten(
    page: Page, panel: Locator, node: Any
) -> None:
    mark_radius_abnormal(page, panel)
    press(page, "Escape", "1", "v")
    expect(panel.locator(".message")).to_contain_text("Ctrl Z brings it back")
    press(page, "Control+z")
    page.wait_for_function(CLEAN)
    assert values(node, RADIUS) == {"DPa": "abnormal"}
    assert len(node.reading.findings) == 1


def test_a_drawn_length_becomes_evidence_with_the_value_of_the_node(
    page: Page, panel: Locator, node: Any
) -> None:
    mark_radius_abnormal(page, panel)
    panel.get_by_role("button", name="Length").click()
    dpa = node.template.views[0].uid
    page.evaluate("uid => window.host.draw('m-1', uid, [[10.5, 20.5], [65.8, 20.5]])", dpa)
    expect(panel.locator(".measurements")).to_contain_text("8.3 mm")
    expect(panel.locator(".measurements")).to_contain_text("detector plane")
    (measured,) = node.reading.measurements
    assert measured.finding == node.reading.findings[0].id
    assert measured.points == ((10.5, 20.5), (65.8, 20.5))
    panel.get_by_role("button", name="remove: Length").click()
    page.wait_for_function(CLEAN)
    assert node.reading.measurements == ()
    assert ["removeMeasurement", "m-1"] in page.evaluate("() => window.host.calls")


def test_what_is_measured_without_a_finding_stands_on_the_card(
    page: Page, panel: Locator, node: Any
) -> None:
    press(page, "l")
    dpa = node.template.views[0].uid
    page.evaluate("uid => window.host.draw('m-2', uid, [[10.5, 20.5], [65.8, 20.5]])", dpa)
    expect(panel.locator(".card .measurements")).to_contain_text("8.3 mm")
    (measured,) = node.reading.measurements
    assert (measured.item, measured.finding) == ("R.carpus.frontal_axis", "")


def test_a_measurement_made_beside_the_editor_belongs_to_the_finding_of_its_view(
    page: Page, panel: Locator, node: Any
) -> None:
    mark_radius_abnormal(page, panel)
    press(page, "Escape", "l")
    dpa = node.template.views[0].uid
    page.evaluate("uid => window.host.draw('m-3', uid, [[10.5, 20.5], [65.8, 20.5]])", dpa)
    expect(panel.locator(".card .measurements")).to_contain_text("8.3 mm")
    assert node.reading.measurements[0].finding == node.reading.findings[0].id


def test_keys_pressed_over_the_images_reach_the_panel(
    page: Page, panel: Locator, node: Any
) -> None:
    page.locator("#images").click()
    press(page, " ", "v")
    page.wait_for_function(CLEAN)
    assert values(node, "R.carpus.frontal_axis") == {"DPa": "normal"}
    assert values(node, "R.carpus.sagittal_alignment") == {"ML": "variant"}


def test_a_note_keeps_its_keys_when_the_viewer_takes_the_focus_away(
    page: Page, panel: Locator, node: Any
) -> None:
    press(page, "v", "t")
    page.keyboard.type("slight")
    page.evaluate("() => document.activeElement.blur()")
    page.keyboard.type(" and ax")
    page.wait_for_function(CLEAN)
    item = node.reading.observations["R.carpus.frontal_axis"]
    assert [o.note for o in item.values()] == ["slight and ax"]


def test_reloading_and_remounting_lose_nothing(page: Page, panel: Locator, node: Any) -> None:
    press(page, " ")
    expect_saved(panel)
    page.reload()
    expect(panel.locator("nav button").first).to_contain_text("1/4")
    node.away = True
    press(page, " ")
    page.evaluate("() => document.querySelector('sesamoid-panel').remove()")
    page.evaluate("() => window.mount()")
    expect(panel.locator("nav button").first).to_contain_text("2/4")
    expect(panel.locator(".save")).to_contain_text("not saved")


def test_without_the_node_it_says_so_tries_again_and_survives_a_reload(
    page: Page, panel: Locator, node: Any
) -> None:
    node.away = True
    press(page, " ")
    expect(panel.locator(".save")).to_contain_text("not saved – trying again")
    expect(panel.get_by_role("alert")).to_contain_text("The node is being restarted.")
    node.away = False
    expect_saved(panel)
    assert values(node, "R.carpus.frontal_axis") == {"DPa": "normal"}
    node.away = True
    press(page, " ")
    expect(panel.locator(".save")).to_contain_text("not saved")
    page.on("dialog", lambda dialog: dialog.accept())
    node.away = False
    node.saves = 0
    page.evaluate("() => document.querySelector('sesamoid-panel').session.queue.flush = () => {}")
    page.reload()
    expect_saved(panel)
    assert values(node, "R.carpus.sagittal_alignment") == {"ML": "normal"}


@pytest.mark.parametrize("choice", ["Load theirs", "Keep mine as new"])
def test_a_change_in_another_tab_is_shown_and_nothing_is_lost(
    page: Page, panel: Locator, node: Any, choice: str
) -> None:
    node.elsewhere(impression="Written in the other tab.")
    press(page, " ")
    expect(panel.get_by_role("alert")).to_contain_text("Changed in another tab")
    press(page, " ")
    panel.get_by_role("button", name=choice).click()
    expect(panel.get_by_role("alert")).to_have_count(0)
    theirs = choice == "Load theirs"
    page.wait_for_function(CLEAN)
    assert bool(node.reading.impression) == theirs
    assert bool(node.reading.observations) != theirs
    if theirs:
        press(page, "Control+z")
        page.wait_for_function(CLEAN)
        assert len(node.reading.observations) == 2


def test_signed_out_it_offers_to_sign_in_and_then_saves(
    page: Page, panel: Locator, node: Any
) -> None:
    node.signed_out = True
    press(page, " ")
    link = panel.get_by_role("link", name="Sign in")
    expect(link).to_have_attribute("target", "_blank")
    node.signed_out = False
    panel.get_by_role("button", name="Try again").click()
    expect_saved(panel)


def test_signing_asks_for_the_password_and_ends_read_only(
    page: Page, panel: Locator, node: Any
) -> None:
    press(page, "c")
    sign = panel.get_by_role("button", name="Sign the report")
    expect(sign).to_be_disabled()
    panel.get_by_label("Impression").fill("No abnormality.")
    panel.get_by_label("Why you sign").fill("Recheck of one toe.")
    expect(sign).to_be_enabled()
    panel.get_by_label("Your password").fill("wrong")
    sign.click()
    expect(panel.get_by_role("alert")).to_contain_text("Nothing was signed")
    expect(panel.locator("form")).to_contain_text("Signing as Dr Vera Vet")
    panel.get_by_label("Your password").fill("right")
    sign.click()
    expect(panel.locator(".documents")).to_contain_text("waiting to be sent")
    node.documents[0]["delivery"] = "committed"
    expect(panel.locator(".documents")).to_contain_text("committed: the archive keeps it")
    panel.get_by_role("button", name="Bone").click()
    press(page, " ", "a")
    assert node.reading.observations == {}
    press(page, "c")
    panel.get_by_role("button", name="Add", exact=True).click()
    panel.get_by_label("What is to be added").fill("The owner called.")
    panel.get_by_label("Your password").fill("right")
    panel.get_by_role("button", name="Sign the addendum").click()
    expect(panel.locator(".documents li")).to_have_count(2)


def test_a_refused_signature_is_no_more_spoken_of_once_somebody_else_has_signed(
    page: Page, panel: Locator, node: Any
) -> None:
    press(page, "c")
    panel.get_by_label("Impression").fill("No abnormality.")
    panel.get_by_label("Why you sign").fill("Recheck of one toe.")
    expect_saved(panel)
    panel.get_by_label("Your password").fill("wrong")
    press(page, "Enter")
    expect(panel.get_by_role("alert")).to_contain_text("Nothing was signed")
    node.state = "signed"
    page.evaluate("window.dispatchEvent(new Event('focus'))")
    expect(panel.locator(".save")).to_have_text("signed, read only")
    expect(panel.get_by_role("alert")).to_have_count(0)


def test_the_findings_text_is_written_can_be_edited_and_written_again(
    page: Page, panel: Locator, node: Any
) -> None:
    press(page, " ")
    expect_saved(panel)
    press(page, "c")
    panel.get_by_role("button", name="Edit", exact=True).click()
    panel.get_by_label("Findings", exact=True).fill("In my own words.")
    page.wait_for_function(CLEAN)
    assert node.reading.findings_text == "In my own words."
    panel.get_by_role("button", name="Back to written").click()
    page.wait_for_function(CLEAN)
    assert node.reading.findings_text is None


def test_arrow_keys_move_on_the_map(page: Page, panel: Locator) -> None:
    panel.get_by_role("button", name="Bone").click()
    panel.get_by_role("option", name="distal radius").focus()
    press(page, "ArrowDown")
    focused = panel.get_by_role("option", selected=True)
    expect(focused).to_be_focused()
    expect(focused).to_have_attribute("aria-label", re.compile("^radial"))


def test_scripts_in_names_are_text(page: Page, node: Any, opened: Any) -> None:
    evil = "<img src onerror><script>window.caught()</script>"
    animal = node.facts.signalment.model_copy(update={"patient_name": evil})
    node.facts = node.facts.model_copy(update={"signalment": animal, "question": evil})
    panel = opened(page, node)
    expect(panel.locator("h1")).to_have_text(evil)
    assert panel.locator("h1 *, .question *").count() == 0


@pytest.mark.parametrize(
    "place",
    [
        "finding",
        "conclude",
        *(pytest.param(p, marks=pytest.mark.long) for p in ("bone", "help", "conflict")),
    ],
)
def test_every_place_is_accessible_and_fits(
    page: Page, panel: Locator, node: Any, shots: Path, place: str
) -> None:
    panel.get_by_role("button", name="Bone").click()
    press(page, " ", " ", "v", "n", "x", "n", "u", "n", "2", "u", "n", *" " * 12)
    if place == "finding":
        press(page, "a")
        page.evaluate("() => window.host.startTool('length')")
        dpa = node.template.views[0].uid
        page.evaluate("uid => window.host.draw('m-1', uid, [[10.5, 20.5], [65.8, 20.5]])", dpa)
    elif place == "conclude":
        press(page, "a", "Escape", "c")
        panel.get_by_label("fracture", exact=False).first.select_option("supported")
    elif place == "help":
        press(page, "?")
        expect(panel.get_by_role("dialog")).to_be_visible()
    saved(page)
    if place == "conflict":
        node.elsewhere()
        press(page, " ")
        expect(panel.get_by_role("alert")).to_be_visible()
    for _ in at_widths(page, panel, shots, place):
        assert faults(page) == []


def test_targets_are_large_enough(page: Page, panel: Locator) -> None:
    press(page, "a")
    small = panel.evaluate(
        "p => [...p.shadowRoot.querySelectorAll('button, select, input, summary, a')]"
        ".map(e => [e.textContent.trim() || e.type, e.getBoundingClientRect()])"
        ".filter(([, r]) => r.width && (r.height < 24 || r.width < 24)).map(([t]) => t)"
    )
    assert small == []


def test_the_head_names_the_reader_and_keeps_remarks_apart_from_cautions(
    page: Page, panel: Locator, node: Any, shots: Path
) -> None:
    head = panel.locator("header")
    expect(head).to_contain_text("Dr Vera Vet · 2026-11-04")
    assert len(node.facts.remarks) == 2
    expect(head.locator(".remarks summary")).to_have_text(
        ["1 more remark", f"{len(node.template.cautions)} cautions"]
    )
    head.screenshot(path=shots / "head.png")
