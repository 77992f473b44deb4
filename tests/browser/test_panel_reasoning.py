"""Groups, words, proposals and corrections in a real browser, with the rules of the product."""

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.looking import at_widths, faults
from tests.browser.waiting import saved

pytestmark = pytest.mark.browser

RADIUS = "R.carpus.radius_distal"
BONES = (RADIUS, "R.carpus.radius_styloid", "R.carpus.ulna_distal", "R.carpus.ulna_styloid")


def press(page: Page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def first_group(panel: Locator) -> None:
    panel.get_by_role("button", name="Bone").click()
    expect(panel.locator(".card h2")).to_have_text("distal radius")


def describe(page: Page, panel: Locator, *words: str) -> None:
    """Call the distal radius abnormal, in words found by searching."""
    first_group(panel)
    press(page, "a")
    for word in words:
        expect(panel.get_by_role("searchbox")).to_be_focused()
        page.keyboard.type(word)
        press(page, "Enter")
    saved(page)


def confirm_on_ml(page: Page, panel: Locator) -> None:
    panel.get_by_role("button", name="confirmed", exact=True).click()
    saved(page)
    press(page, "Escape")


def descriptors(node: Any) -> set[str]:
    (finding,) = node.reading.findings
    return set(finding.descriptors)


def test_a_group_is_normal_after_two_presses_and_each_member_was_shown(
    page: Page, panel: Locator, node: Any
) -> None:
    first_group(panel)
    press(page, "Shift+Space")
    sheet = panel.get_by_role("region", name="Group: distal antebrachial bones")
    expect(sheet.get_by_role("listitem")).to_have_count(len(BONES))
    expect(sheet).to_contain_text("cut-back zone")
    expect(panel.locator(".shape.together")).to_have_count(len(BONES))
    saved(page)
    assert set(BONES) <= set(node.reading.shown)
    assert node.reading.observations == {}
    press(page, "Shift+Space")
    saved(page)
    said = [o for item in BONES for o in node.reading.observations[item].values()]
    assert {(o.value, o.by_group) for o in said} == {("normal", True)}
    expect(panel.locator(".card h2")).to_have_text("radial (intermedioradial) carpal bone")
    expect(panel.get_by_role("option", name="distal radius")).to_have_attribute(
        "aria-label", "distal radius: DPa normal as a group, ML normal as a group"
    )


def test_a_group_leaves_alone_what_was_found_and_one_undo_takes_it_back(
    page: Page, panel: Locator, node: Any
) -> None:
    describe(page, panel, "sclerosis")
    press(page, "Escape", "Shift+Space")
    expect(panel.locator(".member.apart")).to_contain_text("stays as it is")
    panel.get_by_role("button", name="All normal").click()
    saved(page)
    seen = node.reading.observations
    assert {o.value for o in seen[RADIUS].values()} == {"abnormal"}
    assert set(seen) == set(BONES)
    press(page, "Control+z")
    saved(page)
    assert set(node.reading.observations) == {RADIUS}


def test_keys_for_one_structure_do_nothing_while_a_group_is_shown(
    page: Page, panel: Locator, node: Any
) -> None:
    first_group(panel)
    press(page, "Shift+Space", " ", "a", "Escape")
    expect(panel.locator(".card h2")).to_have_text("distal radius")
    saved(page)
    assert node.reading.observations == {}


def test_fields_open_one_at_a_time_and_depend_on_what_is_chosen(
    page: Page, panel: Locator, node: Any
) -> None:
    describe(page, panel)
    course = panel.get_by_role("button", name=re.compile("^course of the fracture"))
    expect(course).to_have_count(0)
    panel.get_by_role("button", name="fracture line", exact=True).click()
    course.click()
    panel.get_by_role("button", name="transverse", exact=True).click()
    panel.get_by_role("button", name="oblique", exact=True).click()
    saved(page)
    assert descriptors(node) == {"fracture_line", "fx_oblique"}
    expect(panel.get_by_role("button", name="fracture: fracture line")).to_contain_text("1")
    panel.get_by_role("button", name="fracture: fracture line").click()
    panel.get_by_role("button", name="fracture line", exact=True).click()
    expect(panel.locator(".message")).to_contain_text("Ctrl Z brings it back")
    saved(page)
    assert descriptors(node) == set()


def test_a_word_with_a_note_says_it_to_eye_and_ear(page: Page, panel: Locator) -> None:
    describe(page, panel)
    panel.get_by_role("button", name=re.compile("^pattern of lysis")).click()
    word = panel.get_by_role("button", name="permeative lysis")
    expect(word).to_have_accessible_description("Many pinpoint areas, indistinct.")
    word.hover()
    expect(panel.locator(".word-note p")).to_have_text("Many pinpoint areas, indistinct.")


def test_words_of_other_structures_and_species_are_not_offered(page: Page, panel: Locator) -> None:
    first_group(panel)
    press(page, "a")
    page.keyboard.type("bipartite")
    expect(panel.locator(".editor")).to_contain_text("No descriptor has this word.")


def test_aggressiveness_is_derived_with_its_reason_and_can_be_overruled(
    page: Page, panel: Locator, node: Any
) -> None:
    describe(page, panel, "permeative", "long zone")
    select = panel.get_by_label("Aggressiveness")
    expect(select.locator("option").first).to_have_text("aggressive (derived)")
    expect(panel.locator(".lesion")).to_contain_text("permeative lysis, long zone of transition")
    expect(panel.locator(".lesion .grade")).to_contain_text("(")
    select.select_option("indeterminate")
    expect(panel.locator(".lesion")).to_contain_text("The reader's word")
    assert node.reading.findings[0].aggressiveness == "indeterminate"


def test_how_sure_a_finding_is_stands_beside_it(page: Page, panel: Locator) -> None:
    describe(page, panel, "sclerosis")
    expect(panel.locator(".check")).to_contain_text("provisional, not yet checked")
    confirm_on_ml(page, panel)
    expect(panel.locator(".finding-line .certainty")).to_have_text("confirmed at a right angle")


def fracture(panel: Locator) -> Locator:
    return panel.locator(".rule-out", has=panel.page.get_by_text("fracture", exact=True))


def test_a_proposal_is_taken_over_by_a_press_and_never_by_itself(
    page: Page, panel: Locator, node: Any
) -> None:
    describe(page, panel, "fracture line")
    confirm_on_ml(page, panel)
    press(page, "c")
    row = fracture(panel)
    expect(row).to_contain_text("proposed: supported")
    press(page, "y")
    expect(row.get_by_role("button", name=re.compile("^Take over"))).to_be_focused()
    assert node.reading.rule_outs == ()
    press(page, "y")
    expect(row).to_contain_text("as proposed: supported")
    saved(page)
    (verdict,) = node.reading.rule_outs
    assert (verdict.id, verdict.verdict) == ("fracture", "supported")
    assert verdict.evidence == (node.reading.findings[0].id,)
    expect(panel.locator("[data-take]").first).to_be_focused()


def test_the_evidence_of_a_proposal_leads_to_the_finding(page: Page, panel: Locator) -> None:
    describe(page, panel, "fracture line")
    press(page, "Escape", "c")
    row = fracture(panel)
    row.get_by_text("1 for it").click()
    expect(row).to_contain_text("For it")
    expect(row).to_contain_text("Limits")
    row.get_by_role("button", name="distal radius, DPa: fracture line").click()
    expect(panel.get_by_role("region", name="Finding, distal radius")).to_be_visible()


def test_what_only_the_findings_raise_is_listed_apart(page: Page, panel: Locator) -> None:
    describe(page, panel, "sequestrum")
    confirm_on_ml(page, panel)
    press(page, "c")
    also = panel.locator(".also + .rule-out")
    expect(also).to_have_count(1)
    expect(also).to_contain_text("proposed: ")


def test_differentials_and_steps_come_from_the_proposals(
    page: Page, panel: Locator, node: Any
) -> None:
    describe(page, panel, "fracture line")
    confirm_on_ml(page, panel)
    press(page, "c")
    panel.get_by_label("New differential").fill("sprain")
    panel.get_by_label("New differential").press("Enter")
    panel.get_by_role("button", name="Take over the proposed order").click()
    saved(page)
    assert node.reading.differentials[-1] == "sprain"
    assert node.reading.differentials[0] == "fracture"
    step = panel.get_by_role("button", name=re.compile("^Add the step: ")).first
    name = (step.get_attribute("aria-label") or "").removeprefix("Add the step: ")
    step.click()
    saved(page)
    assert node.reading.recommendations == f"{name}."
    expect(panel.locator(".steps li").first).to_contain_text("✓ added")


def own_wording(page: Page, panel: Locator, node: Any) -> None:
    """Word the findings, then change what they rest on."""
    first_group(panel)
    press(page, " ")
    saved(page)
    press(page, "c")
    panel.get_by_role("button", name="Edit", exact=True).click()
    field = panel.get_by_label("Findings", exact=True)
    field.fill(f"{field.input_value()} Looked at twice.")
    saved(page)
    assert node.reading.findings_generated
    panel.get_by_role("button", name="Bone").click()
    press(page, "a")
    expect(panel.get_by_role("searchbox")).to_be_focused()
    page.keyboard.type("sclerosis")
    press(page, "Enter")
    saved(page)
    press(page, "Escape", "c")
    expect(panel.locator(".merge")).to_contain_text("The observations have changed")


@pytest.mark.parametrize("choice", ["take over", "keep mine"])
def test_an_older_wording_is_brought_up_to_date_only_when_wanted(
    page: Page, panel: Locator, node: Any, choice: str
) -> None:
    own_wording(page, panel, node)
    mark = panel.locator(".piece.added, .piece.both").first
    expect(mark.locator(".tag")).to_have_text(re.compile("new|beside yours"))
    assert "underline" in mark.evaluate("e => getComputedStyle(e).textDecorationLine")
    before = node.reading.findings_text
    panel.locator(".merge").get_by_role("button", name=choice).click()
    expect(panel.locator(".merge")).to_have_count(0)
    saved(page)
    assert "Looked at twice." in node.reading.findings_text
    assert ("sclerosis" in node.reading.findings_text) == (choice == "take over")
    assert (node.reading.findings_text == before) == (choice == "keep mine")


def test_the_preview_gives_the_answer_first(page: Page, panel: Locator) -> None:
    press(page, "c")
    panel.get_by_label("Impression").fill("Nothing to worry about.")
    saved(page)
    panel.get_by_text("Report as it stands").click()
    paper = panel.locator("details.block .paper")
    expect(paper).to_have_text(re.compile(r"^Impression: Nothing to worry about\."))


@pytest.mark.parametrize("node", ["horse"], indirect=True)
def test_a_guessed_view_is_marked_and_put_right(page: Page, panel: Locator, node: Any) -> None:
    first = node.facts.images[1].uid
    press(page, " ")
    saved(page)
    expect(panel.locator(".images summary")).to_contain_text("2 to be checked")
    panel.locator(".images summary").click()
    expect(panel.locator(".images")).to_contain_text("View guessed from the order of the images")
    panel.get_by_role("button", name="Correct L LM").click()
    panel.get_by_label("View").select_option("D45L-PaMO")
    panel.get_by_role("button", name="Put right").click()
    expect(panel.locator(".images summary")).to_contain_text("1 to be checked")
    assert node.corrections == [{"image_uid": first, "view": "D45L-PaMO"}]
    assert len(node.reading.observations) == 1
    panel.get_by_role("button", name="Bone").click()
    press(page, " ")
    saved(page)
    assert len(node.reading.observations) == 2


def test_a_correction_that_is_refused_says_why(page: Page, panel: Locator, node: Any) -> None:
    panel.locator(".images summary").click()
    panel.get_by_role("button", name="Correct ML").click()
    node.facts = node.facts.model_copy(update={"images": node.facts.images[:1]})
    panel.get_by_label("Side").select_option("L")
    panel.get_by_role("button", name="Put right").click()
    expect(panel.get_by_role("alert")).to_contain_text("no image")


@pytest.mark.parametrize("node", ["own order"], indirect=True)
def test_the_sections_stand_in_the_order_of_the_site(panel: Locator, node: Any) -> None:
    names = panel.locator("nav .name").all_text_contents()
    assert names == ["Soft tissue", "Bone", "Cartilage", "Alignment", "Devices", "Conclude"]
    expect(panel.locator("nav [aria-current]")).to_contain_text("Soft tissue")


@pytest.mark.parametrize("node", ["horse"], indirect=True)
def test_a_horse_is_read_on_its_map_by_keyboard(page: Page, panel: Locator, node: Any) -> None:
    panel.get_by_role("button", name="Bone").click()
    limb = panel.locator(".limb")
    first = limb.get_by_role("option", selected=True)
    expect(first).to_have_attribute("aria-label", re.compile("^distal end of metacarpal.*not look"))
    first.focus()
    press(page, "ArrowDown")
    here = limb.get_by_role("option", selected=True)
    expect(here).to_be_focused()
    expect(here).not_to_have_attribute("aria-label", re.compile("^distal end of metacarpal"))
    panel.get_by_text("List", exact=True).click()
    panel.locator(".list").get_by_role("option", name=re.compile("^proximal end of the p")).click()
    press(page, "Shift+Space", "Shift+Space")
    saved(page)
    group = next(g for g in node.template.groups if "L.fetlock.p1_proximal" in g.items)
    assert set(node.reading.observations) == set(group.items)
    head = panel.get_by_role("button", name=re.compile("^proximal P1,"))
    expect(head.locator(".count")).to_have_class("count done")


@pytest.mark.parametrize("node", ["horse"], indirect=True)
def test_only_the_images_of_the_limb_in_hand_are_offered(panel: Locator) -> None:
    expect(panel.locator(".strip button")).to_have_count(0)
    panel.get_by_role("button", name="Right", exact=True).click()
    names = panel.locator(".strip button").all_text_contents()
    assert names == ["R DPa", "R LM ?", "R D45L-PaMO", "R D45M-PaLO"]


def test_the_last_measurement_can_be_seen_whole(page: Page, panel: Locator, node: Any) -> None:
    node.calibration = "detector plane, 0.150 mm per pixel; magnification not known, " * 3
    describe(page, panel, "sclerosis")
    page.evaluate("() => window.host.startTool('length')")
    dpa = node.template.views[0].uid
    for n in range(4):
        page.evaluate(f"uid => window.host.draw('m-{n}', uid, [[10.5, 20.5], [65.8, 20.5]])", dpa)
    row = panel.locator(".measurements li").last
    expect(row).to_contain_text("magnification not known")
    row.scroll_into_view_if_needed()
    end = row.evaluate("e => e.getBoundingClientRect().bottom")
    assert end <= panel.locator("footer").evaluate("e => e.getBoundingClientRect().top")
    assert row.evaluate("e => e.scrollWidth <= e.clientWidth")


PLACES = ["sheet", "fields", "advice", "merge", "horse", "horse sheet", "correction"]


@pytest.mark.parametrize(
    ("node", "place"),
    [
        pytest.param(
            "horse" if place[0] == "h" or place == "correction" else "dog",
            place,
            marks=[] if place == "horse" else [pytest.mark.long],
        )
        for place in PLACES
    ],
    indirect=["node"],
)
def test_every_new_place_is_accessible_and_fits(
    page: Page, panel: Locator, node: Any, shots: Path, place: str
) -> None:
    go(page, panel, node, place)
    saved(page)
    for _ in at_widths(page, panel, shots, place.replace(" ", "-")):
        small = panel.evaluate(
            "p => [...p.shadowRoot.querySelectorAll("
            "'button, select, input, summary, a, .row')].map(e => "
            "[e.textContent.trim() || e.type, e.getBoundingClientRect(), e.closest('label')])"
            ".filter(([, r, l]) => r.width && !l && (r.height < 24 || r.width < 24))"
            ".map(([t]) => t)"
        )
        assert small == []
        assert faults(page) == []


def go(page: Page, panel: Locator, node: Any, place: str) -> None:
    """Bring the panel to a place with something to see in it."""
    panel.get_by_role("button", name="Bone").click()
    if place == "merge":
        own_wording(page, panel, node)
        panel.locator(".merge").scroll_into_view_if_needed()
    elif place in ("fields", "advice"):
        describe(page, panel, "fracture line", "transverse", "moth")
    elif place.startswith("horse"):
        press(page, " ", " ", "v", "n", "x", "n", "a", "Escape")
    else:
        press(page, " ", "v", "n")
    if place == "advice":
        press(page, "Escape", "c", "y", "y")
        panel.locator(".rule-out details").first.evaluate("e => { e.open = true }")
    if place.endswith("sheet"):
        press(page, "Shift+Space")
    if place == "correction":
        panel.locator(".images summary").click()
        panel.get_by_role("button", name="Correct L LM").click()
