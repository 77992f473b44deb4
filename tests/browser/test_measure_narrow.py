"""The measuring sheet where there is little room: every kind, both languages, 200 % zoom."""

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from dicom_service.intake.model import StudyFacts
from dicom_service.store import Preferences
from tests.browser.facts import dog_study
from tests.browser.looking import TOO_WIDE, faults
from tests.browser.test_measure_panel import earlier_angle, place
from tests.browser.waiting import settled
from tests.cli.test_measure import shown

pytestmark = [pytest.mark.browser, pytest.mark.long]

KINDS = ("swelling_profile", "joint_space", "lucent_line", "fat_plane", "shaft_axis", "implant",
         "fracture_angulation", "ball", "ruler")  # fmt: skip
ANGLE = ((150.0, 340.0), (150.0, 20.0), (30.0, 150.0), (270.0, 166.0))
ENGLISH = re.compile(
    r"\b(the|of|is|and|with|not|bone|width|from|click|limbs?|large|small|measured|joint)\b", re.I
)
BEGIN = """([kind, name, mm]) => {
  const { measuring } = document.querySelector('sesamoid-panel').session;
  measuring.choose(measuring.offers.find(one => one.kind === kind && one.name === name));
  if (mm) measuring.size(mm);
}"""
STICKING_OUT = """panel => [...panel.shadowRoot.querySelectorAll('.where *, .card *')]
  .filter(e => e.closest('svg') === null && !e.closest('.hidden') && e.offsetParent)
  .filter(e => {
    const frame = e.closest('.where, .card').getBoundingClientRect();
    const own = e.getBoundingClientRect();
    return own.width > 0 && (own.right > frame.right + 1 || own.left < frame.left - 1);
  }).map(e => `${e.localName}.${e.className} ${e.textContent.slice(0, 40)}`)"""


def both_limbs() -> StudyFacts:
    dog = dog_study(views=("DPa", "ML", "DPa", "ML"))
    images = tuple(
        image.model_copy(update={"side": side})
        for image, side in zip(dog.images, "RRLL", strict=True)
    )
    return dog.model_copy(update={"images": images})


def ready(page: Page, node: Any, opened: Any, language: str) -> Locator:
    """Measuring of a bone of the right limb, with both limbs in the study and one seen before."""
    item = "R.carpus.radius_distal"
    node.late(both_limbs())
    node.preferences = Preferences(language=language)
    cookie = {"name": "sesamoid_language", "value": language, "url": node.address}
    page.context.add_cookies([cookie])
    node.earlier = {item: [earlier_angle(item, "Anatomic lateral distal radial angle", 88.0)]}
    node.pictures = {kind: shown(kind)[0] for kind in KINDS}
    panel = opened(page, node)
    page.add_style_tag(content="main { grid-template-columns: 1fr 380px !important; }")
    page.evaluate(
        """async item => { const { session } = document.querySelector('sesamoid-panel');
        session.choose(item); await session.measuring.open(item); }""",
        item,
    )
    return panel


def measure(page: Page, panel: Locator, uid: str, kind: str, name: str = "") -> Locator:
    points = ANGLE if kind == "limb_measurement" else shown(kind)[1]
    mm = {"ball": 25, "ruler": 15}.get(kind, 0)
    page.evaluate(BEGIN, [kind, name, mm])
    place(page, uid, *points)
    if kind == "ball":
        place(page, uid, (242.0, 227.0))
    result = panel.locator(".result:not(.stale)")
    expect(result).to_be_visible(timeout=30_000)
    settled(page)
    return result


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_kind_fits_in_380_pixels_and_speaks_one_language(
    page: Page, node: Any, opened: Any, shots: Path, language: str
) -> None:
    panel = ready(page, node, opened, language)
    uid = node.facts.images[0].uid
    wrong: dict[str, Any] = {}
    for kind, name in [*((kind, "") for kind in KINDS), ("limb_measurement", "aLDRA")]:
        measure(page, panel, uid, kind, name)
        page.set_viewport_size({"width": 1280, "height": 2400})
        settled(page)
        panel.screenshot(path=shots / f"narrow-{language}-{kind}.png")
        if (kind, language) == ("lucent_line", "en"):
            expect(panel.locator(".plot").last).to_contain_text("across the line, mm")
        found = faults_of_the_sheet(page, panel, language)
        page.set_viewport_size({"width": 1280, "height": 900})
        wrong |= {f"{kind} {what}": which for what, which in found.items() if which}
    assert wrong == {}


NOWHERE = {
    "swelling_profile": ((3.0, 3.0),),
    "joint_space": ((20.0, 60.0), (24.0, 64.0)),
    "lucent_line": ((20.0, 60.0), (24.0, 64.0)),
    "fat_plane": ((3.0, 3.0), (4.0, 9.0), (5.0, 14.0)),
    "shaft_axis": ((3.0, 3.0), (3.0, 60.0)),
    "implant": ((3.0, 3.0), (9.0, 60.0)),
    "ruler": ((3.0, 3.0), (3.0, 9.0)),
    "limb_measurement": ((3.0, 3.0), (3.0, 3.2), (3.1, 3.0), (3.0, 3.1)),
}
"""Points that are on nothing."""


def faults_of_the_sheet(page: Page, panel: Locator, language: str) -> dict[str, Any]:
    words = panel.locator("[data-measure]").inner_text()
    return {
        "wide": panel.evaluate(TOO_WIDE), "out": panel.evaluate(STICKING_OUT),
        "faults": faults(page),
        "english": sorted({line for line in words.splitlines() if ENGLISH.search(line)})
        if language == "de" else [],
    }  # fmt: skip


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_refusal_and_every_second_image_fits_in_380_pixels_and_speaks_one_language(
    page: Page, node: Any, opened: Any, shots: Path, language: str
) -> None:
    panel = ready(page, node, opened, language)
    page.set_viewport_size({"width": 1280, "height": 1600})
    uid, beside = (node.facts.images[i].uid for i in (0, 2))
    across = node.facts.images[1].uid
    wrong: dict[str, Any] = {}
    for kind, points in NOWHERE.items():
        name = "aLDRA" if kind == "limb_measurement" else ""
        page.evaluate(BEGIN, [kind, name, 15 if kind == "ruler" else 0])
        place(page, uid, *points)
        expect(panel.locator(".refused:not(.stale)")).to_be_visible(timeout=30_000)
        settled(page)
        panel.screenshot(path=shots / f"narrow-{language}-refused-{kind}.png")
        found = faults_of_the_sheet(page, panel, language)
        wrong |= {f"{kind} {what}": which for what, which in found.items() if which}
    for kind, other in (("swelling_profile", beside), ("fat_plane", beside),
                        ("fracture_angulation", across)):  # fmt: skip
        page.evaluate(BEGIN, [kind, "", 0])
        place(page, uid, *shown(kind)[1])
        panel.locator("[data-second]").select_option(other)
        settled(page)
        panel.screenshot(path=shots / f"narrow-{language}-second-{kind}-open.png")
        place(page, other, *shown(kind)[1])
        expect(panel.locator(".result:not(.stale), .refused:not(.stale)")).to_be_visible()
        expect(panel.locator(".progress")).to_have_count(0)
        settled(page)
        panel.screenshot(path=shots / f"narrow-{language}-second-{kind}.png")
        found = faults_of_the_sheet(page, panel, language)
        wrong |= {f"second {kind} {what}": which for what, which in found.items() if which}
    assert wrong == {}


def test_at_twice_the_size_the_answer_is_in_sight_and_the_rest_can_be_reached(
    page: Page, node: Any, opened: Any, shots: Path
) -> None:
    panel = ready(page, node, opened, "en")
    uid = node.facts.images[0].uid
    # 1280 by 900 pixels at 200 % are 640 by 450 of the page
    page.set_viewport_size({"width": 640, "height": 450})
    wrong: dict[str, Any] = {}
    for kind, name in [*((kind, "") for kind in KINDS), ("limb_measurement", "aLDRA")]:
        result = measure(page, panel, uid, kind, name)
        expect(panel.locator(".glance")).to_be_in_viewport()
        expect(panel.locator("[data-accept]")).to_be_in_viewport(ratio=1)
        panel.screenshot(path=shots / f"zoomed-{kind}.png")
        found = {"wide": panel.evaluate(TOO_WIDE), "out": panel.evaluate(STICKING_OUT)}
        result.locator("> :last-child").scroll_into_view_if_needed()
        expect(result.locator("> :last-child")).to_be_in_viewport()
        wrong |= {f"{kind} {what}": which for what, which in found.items() if which}
    assert wrong == {}


def test_change_and_plot_are_reached_by_keys_and_told_as_a_table(
    page: Page, node: Any, opened: Any, shots: Path
) -> None:
    panel = ready(page, node, opened, "en")
    measure(page, panel, node.facts.images[0].uid, "limb_measurement", "aLDRA")
    group = panel.get_by_role("group", name="Compared")
    expect(group.get_by_role("img", name=re.compile("2026-05-04: 88.00 ± 2.50"))).to_be_visible()
    summary = group.locator("details summary")
    panel.locator('[data-landmark="3"]').focus()
    for _ in range(40):
        page.keyboard.press("Tab")
        if summary.evaluate("e => e.getRootNode().activeElement === e"):
            break
    expect(summary).to_be_focused()
    page.keyboard.press("Enter")
    table = group.get_by_role("table")
    expect(table).to_be_visible()
    expect(table.get_by_role("row")).to_have_count(3)
    expect(table.get_by_role("row", name=re.compile("2026-05-04"))).to_contain_text("88.0 ± 2.5°")
    group.scroll_into_view_if_needed()
    panel.screenshot(path=shots / "narrow-change-table.png")
    assert faults(page) == []
