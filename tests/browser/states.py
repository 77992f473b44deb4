"""Every state of the panel, one after the other, in any language; the node changes with it."""

from collections.abc import Iterator
from typing import Any

from playwright.sync_api import Locator, Page, expect

from tests.browser.waiting import saved

SESSION = "document.querySelector('sesamoid-panel').session"
RADIUS = "R.carpus.radius_distal"
JOINT = "R.manus.mcp_3"
ON_BONE, OFF_JOINT = ((120, 180), (180, 180)), ((120, 100), (180, 100))
"""Ends of a joint space on the phantom, and where there is none."""
ALL_ANSWERED = """(other => s.commit({...s.reading, impression: 'Fracture.',
  open_accepted: 'Only the carpus.',
  findings: s.reading.findings.map(f => ({...f, cross_check: {[other]: 'confirmed'}}))}))"""


REFUSALS = {
    422: "The reading is wrong at findings.0.note: String should have at most 4000 characters.",
    413: "What was sent is larger than this address takes.",
    409: "The study is being prepared anew. Put that right, then try again.",
}
"""Sentences with which a node refuses to save, by their status."""


def told(page: Page, what: str) -> None:
    """Something done to the session, as a press does it."""
    page.evaluate(f"() => {{ const s = {SESSION}; {what} }}")


def keys(page: Page, *pressed: str) -> None:
    for key in pressed:
        page.keyboard.press(key)


def at_item(page: Page, item: str) -> None:
    told(page, f"s.choose('{item}'); document.activeElement.blur?.();")


def every_state(page: Page, panel: Locator, node: Any) -> Iterator[str]:
    """The name of a state while the panel is in it; begins with a study that was just opened."""
    yield "fresh"
    yield from while_reading(page, panel)
    yield from while_measuring(page, panel, node)
    yield from over_everything(page, panel)
    yield from concluding(page, panel)
    yield from in_trouble(page, panel, node)
    yield from signed(page, panel, node)
    yield from not_opened(page, panel, node)


def while_reading(page: Page, panel: Locator) -> Iterator[str]:
    told(page, "s.chooseSection('bone')")
    keys(page, " ", " ", "v", "n", "x", "n", "u", "n", "2", "u", "n", *" " * 12)
    at_item(page, RADIUS)
    yield "card"
    panel.locator(".images > summary").click()
    panel.locator(".images button[aria-expanded]").last.click()
    expect(panel.locator("form.correction")).to_be_visible()
    yield "images"
    panel.locator("form.correction button[type=button]").click()
    panel.locator(".images > summary").click()
    panel.locator(".where details > summary").click()
    yield "list"
    panel.locator(".where details > summary").click()
    keys(page, "o")
    expect(panel.locator(".sheet.eye")).to_be_visible()
    yield "eye"
    keys(page, "Escape", "Shift+Space")
    expect(panel.locator(".sheet")).to_be_visible()
    yield "group"
    keys(page, "Escape", "k")
    expect(panel.locator("[data-landmarks]")).to_be_visible()
    yield "landmarks"
    keys(page, "Escape")
    at_item(page, "R.carpus.c2")
    keys(page, "v", "r")
    expect(panel.locator("[data-part=place]")).to_be_visible()
    yield "outline"
    keys(page, "Escape")
    at_item(page, RADIUS)
    keys(page, "1", "a")
    page.keyboard.type("fract")
    expect(panel.locator(".editor")).to_be_visible()
    yield "finding-words"
    keys(page, "Enter")
    saved(page)
    panel.locator(".editor").evaluate("e => e.scrollTo(0, e.scrollHeight)")
    yield "finding-end"
    keys(page, "Escape", "Escape")


def while_measuring(page: Page, panel: Locator, node: Any) -> Iterator[str]:
    uid = node.facts.images[0].uid
    keys(page, "l")
    page.evaluate("uid => window.host.draw('m-1', uid, [[10.5, 20.5], [65.8, 20.5]])", uid)
    saved(page)
    panel.locator(".measurements").first.scroll_into_view_if_needed()
    yield "length"
    for name, ends in (("refused", OFF_JOINT), ("measured", ON_BONE)):
        at_item(page, JOINT)
        keys(page, "m")
        expect(panel.locator("[data-first-offer]")).to_be_visible()
        if name == "refused":
            yield "offers"
        panel.locator("[data-first-offer] button").first.click()
        expect(panel.locator(".marks").first).to_be_visible()
        if name == "refused":
            yield "points"
        for end in ends:
            page.evaluate("([uid, point]) => window.host.picking?.({uid, point})", [uid, list(end)])
        expect(panel.locator(".result, .refused").first).to_be_visible()
        expect(panel.locator(".progress")).to_have_count(0)
        yield name
        keys(page, "y" if name == "measured" else "Escape", *["Escape"] * (name == "refused"))
    saved(page)
    yield "kept"


def over_everything(page: Page, panel: Locator) -> Iterator[str]:
    for key, name in (("/", "search"), ("f", "phrases"), ("?", "keys")):
        keys(page, key)
        expect(panel.get_by_role("dialog")).to_be_visible()
        if name == "search":
            page.keyboard.type("a")
        yield name
        if name == "phrases":
            panel.get_by_role("dialog").get_by_role("button").last.click()
            yield "phrases-more"
        keys(page, "Escape", "Escape")
        told(page, "s.update({help: ''})")


def concluding(page: Page, panel: Locator) -> Iterator[str]:
    keys(page, "c")
    expect(panel.locator(".paper").first).not_to_be_empty()
    saved(page)
    yield "conclude"
    panel.locator(".rule-out details").first.evaluate("e => { e.open = true }")
    panel.locator(".rule-out").first.scroll_into_view_if_needed()
    yield "rule-outs"
    panel.locator("input[name=password]").scroll_into_view_if_needed()
    yield "sign"
    keys(page, "b")
    yield "before"
    keys(page, "b")


def in_trouble(page: Page, panel: Locator, node: Any) -> Iterator[str]:
    at_item(page, "R.carpus.ulna_distal")
    alert = panel.locator(".trouble")
    node.away = True
    keys(page, "1", "u")
    expect(alert).to_be_visible()
    yield "away"
    node.away, node.signed_out = False, True
    alert.get_by_role("button").click()
    expect(alert.get_by_role("link")).to_be_visible()
    yield "signed-out"
    node.signed_out = False
    alert.get_by_role("button").click()
    expect(alert).to_have_count(0)
    saved(page)
    node.elsewhere()
    keys(page, "1", "v")
    expect(alert.get_by_role("button")).to_have_count(2)
    yield "elsewhere"
    alert.get_by_role("button").last.click()
    expect(alert).to_have_count(0)
    saved(page)
    for status, why in REFUSALS.items():
        node.refuses = (status, why)
        keys(page, "1", "u" if status == 413 else "v")
        expect(alert).to_contain_text(why)
        yield f"save-refused-{status}"
    node.refuses = None
    alert.get_by_role("button").click()
    expect(alert).to_have_count(0)
    saved(page)
    uid = node.facts.images[0].uid
    page.evaluate("uid => window.host.fail(uid)", uid)
    expect(panel.locator("[data-image-trouble]")).to_be_visible()
    yield "image-failed"
    page.evaluate("uid => window.host.fail(uid, false)", uid)


def signed(page: Page, panel: Locator, node: Any) -> Iterator[str]:
    """The report as it is after signing, with each thing that can be done with it."""
    told(page, f"{ALL_ANSWERED}('{node.template.views[1].uid}')")
    keys(page, "c")
    saved(page)
    told(page, "s.update({gaps: []})")
    panel.locator("input[name=password]").fill("wrong")
    keys(page, "Enter")
    expect(panel.get_by_role("alert").first).to_be_visible()
    yield "sign-refused"
    node.state = "signed"
    node.documents = [document(node)]
    told(page, "s.load()")
    expect(panel.locator(".documents")).to_be_visible()
    yield "signed"
    for deed in range(panel.locator(".segment[role=group] button[aria-pressed]").count()):
        panel.locator(".segment[role=group] button[aria-pressed]").nth(deed).click()
        yield f"deed-{deed + 1}"
    node.state = "withdrawn"
    told(page, "s.load()")
    yield "withdrawn"


def document(node: Any) -> dict[str, Any]:
    return {
        "kind": "final", "role": "report", "sop_instance_uid": f"{node.facts.study_uid}.9",
        "series_uid": f"{node.facts.study_uid}.8", "signed_by": "Vet^Vera^^Dr",
        "signed_at": "2026-11-04T10:50:00+00:00", "delivery": "refused",
        "delivery_detail": "The archive said: out of resources.",
    }  # fmt: skip


def not_opened(page: Page, panel: Locator, node: Any) -> Iterator[str]:
    told(page, "s.update({status: 'loading'})")
    yield "loading"
    node.away = True
    told(page, "s.load()")
    expect(panel.get_by_role("alert")).to_be_visible()
    yield "failed"
    node.away, node.signed_out = False, True
    told(page, "s.api.session = null; s.load()")
    expect(panel.get_by_role("link")).to_be_visible()
    yield "failed-signed-out"
