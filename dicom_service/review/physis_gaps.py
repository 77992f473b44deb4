"""What the reader recorded of physes, against what is expected at the age.

Only an expectation from a source that was read asks anything; `physes` allows for neutered
animals and giant breeds.
"""

from collections.abc import Iterator

from dicom_service.anatomy import Atlas
from dicom_service.review.grades import graded
from dicom_service.review.model import Finding, Gap, Reading, Template, TemplateItem

_CLOSED = {"physis_closed": "closed", "physis_bridge": "bridged", "physis_closing": "narrowed"}
_OPEN = {
    "physis_open": "open",
    "physis_wide": "wide",
    "physis_slip": "open (displaced epiphysis)",
    "fx_physeal": "open (fracture through it)",
}
SIDES = {"L": "left", "R": "right"}


def physis_gaps(known: Atlas, template: Template, reading: Reading) -> Iterator[Gap]:
    """Physes that are closed early or open late, and those that differ from view to view."""
    for item in template.items:
        if item.kind != "physis":
            continue
        findings = [finding for finding in reading.findings if finding.item == item.id]
        closed, still_open = _recorded(known, findings, _CLOSED), _recorded(known, findings, _OPEN)
        if closed and still_open:
            text = f"{item.name}: recorded both {closed[1]} and {still_open[1]}."
            yield _gap("physis_both", text, closed[0])
        if closed and _expected(item, "open"):
            yield _gap("physis_early", _early(known, template, reading, item, closed[1]), closed[0])
        if still_open and _expected(item, "closed"):
            yield _gap("physis_late", _against(item, still_open[1]), still_open[0])


def _recorded(
    known: Atlas, findings: list[Finding], words: dict[str, str]
) -> tuple[Finding, str] | None:
    """The first finding that says one of `words`, and what it says."""
    for finding in findings:
        implied = known.implied(finding.descriptors)
        for identity, word in words.items():
            if identity in implied:
                return finding, word
    return None


def _expected(item: TemplateItem, wanted: str) -> bool:
    return item.physis is not None and item.physis.expected == wanted and item.physis.grade == "V"


def _against(item: TemplateItem, recorded: str) -> str:
    check = item.physis
    if check is None:
        return ""
    return f"{item.name}: recorded {recorded}. {check.text} ({graded(check.source, check.grade)})."


def _early(
    known: Atlas, template: Template, reading: Reading, item: TemplateItem, recorded: str
) -> str:
    """The sentence for early closure, with what is known of the other limb."""
    other = next(
        (
            o
            for o in template.items
            if (o.structure, o.region) == (item.structure, item.region)
            and {o.side, item.side} == {"L", "R"}
        ),
        None,
    )
    text = _against(item, recorded)
    if other is None:
        return f"{text} Early closure: make the same views of the other limb."
    findings = [finding for finding in reading.findings if finding.item == other.id]
    same = _recorded(known, findings, _CLOSED)
    said = f"recorded {same[1]}" if same else "not recorded closed"
    return f"{text} Early closure: compare the {SIDES[other.side]} one, which is {said}."


def _gap(kind: str, text: str, finding: Finding) -> Gap:
    return Gap(
        kind=kind,
        text=text,
        blocking=False,
        item=finding.item,
        view=finding.view,
        finding=finding.id,
    )
