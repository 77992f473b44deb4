"""Which rules of a condition are met by what a reader recorded.

Findings of one structure count together: a fracture line and a lysis of the same bone may stand in
two findings.
"""

from collections.abc import Iterable, Iterator, Sequence
from fnmatch import fnmatchcase

from dicom_service.anatomy import Atlas, Condition, EvidenceRule
from dicom_service.anatomy.reasoning import Weight
from dicom_service.base import Frozen
from dicom_service.review.aggressiveness import aggressiveness
from dicom_service.review.answers import Answers
from dicom_service.review.crosscheck import certainty
from dicom_service.review.model import Finding, Template, TemplateItem


class Evidence(Frozen):
    """A rule that is met, and by what."""

    says: str
    weight: Weight
    refs: tuple[str, ...]
    """Ids of findings, or of items for what was observed normal or a variant."""
    by_findings: bool
    firm: bool
    """Whether the views bear it out: confirmed, or a sign that one projection alone can show."""
    certainty: str
    """How sure its findings are, in words; empty for observations."""
    source: str
    grade: str


def evidence(
    known: Atlas, answers: Answers, condition: Condition, rules: Iterable[EvidenceRule]
) -> tuple[Evidence, ...]:
    """The rules of `condition` that are met, in their order."""
    found = []
    for rule in rules:
        among = answers.asked if rule.observed else answers.described
        items = [i for i in among if condition.in_region(i.region) and _there(rule, i)]
        if rule.observed:
            met = _observed(answers, rule, items)
        else:
            met = _described(known, answers, rule, items)
        if met is not None:
            found.append(met)
    return tuple(found)


def _there(rule: EvidenceRule, item: TemplateItem) -> bool:
    """Whether `item` is where the rule looks."""
    return (
        (not rule.sections or item.section in rule.sections)
        and (not rule.kinds or item.kind in rule.kinds)
        and (not rule.regions or item.region in rule.regions)
        and (
            not rule.structures
            or any(fnmatchcase(item.structure, pattern) for pattern in rule.structures)
        )
    )


def _described(
    known: Atlas, answers: Answers, rule: EvidenceRule, items: Sequence[TemplateItem]
) -> Evidence | None:
    template = answers.template
    met = {i.id: found for i in items if (found := _meeting(known, answers, rule, i.id))}
    firm = {item for item, found in met.items() if any(_firm(template, rule, f) for f in found)}
    if not _enough(rule, met, items):
        return None
    findings = list({f.id: f for found in met.values() for f in found}.values())
    words = dict.fromkeys(certainty(template, f).words for f in findings)
    return Evidence(
        says=rule.says,
        weight=rule.weight,
        refs=tuple(f.id for f in findings),
        by_findings=True,
        firm=_enough(rule, firm, items),
        certainty="; ".join(words),
        source=rule.source,
        grade=rule.grade,
    )


def _enough(rule: EvidenceRule, met: Iterable[str], items: Sequence[TemplateItem]) -> bool:
    """Whether enough different structures on enough limbs are met."""
    which = set(met)
    sides = {item.side for item in items if item.id in which}
    return len(which) >= max(rule.items, 1) and len(sides) >= rule.sides


def _meeting(known: Atlas, answers: Answers, rule: EvidenceRule, item: str) -> list[Finding]:
    """The findings of one structure that meet the rule together; empty when they do not."""
    here, said = answers.findings[item], answers.said
    together = frozenset[str]().union(*(said[f.id] for f in here))
    if together & set(rule.without) or not set(rule.all) <= together:
        return []
    if rule.any and not together & set(rule.any):
        return []
    wanted = {*rule.any, *rule.all}
    meeting = [f for f in here if said[f.id] & wanted]
    if rule.aggressive:
        judged = [f for f in here if aggressiveness(f, atlas=known).word in rule.aggressive]
        if not judged:
            return []
        meeting += [f for f in judged if f not in meeting]
    return meeting


def _firm(template: Template, rule: EvidenceRule, finding: Finding) -> bool:
    state = certainty(template, finding).state
    return state == "confirmed" or (rule.one_view and state != "open")


def _observed(
    answers: Answers, rule: EvidenceRule, items: Sequence[TemplateItem]
) -> Evidence | None:
    called = answers.normal if rule.observed == "normal" else answers.variant
    refs = [item.id for item in items if item.id in called]
    if not refs or (rule.observed == "normal" and len(refs) < len(items)):
        return None
    return Evidence(
        says=rule.says,
        weight=rule.weight,
        refs=tuple(refs),
        by_findings=False,
        firm=True,
        certainty="",
        source=rule.source,
        grade=rule.grade,
    )


def relevant(known: Atlas, answers: Answers, condition: Condition) -> tuple[TemplateItem, ...]:
    """The structures that must be looked at before anything is said against `condition`."""
    sections = {section for rule in condition.supports for section in _sections(known, rule)}
    return tuple(
        item
        for item in answers.asked
        if item.section in sections and condition.in_region(item.region)
    )


def _sections(known: Atlas, rule: EvidenceRule) -> Iterator[str]:
    """The sections of the search pattern in which the rule's signs are found."""
    if rule.sections:
        yield from rule.sections
        return
    for identity in (*rule.any, *rule.all):
        descriptor = known.descriptor(identity)
        yield from descriptor.sections if descriptor else ()
