"""Proposes a verdict on each rule-out, never stronger than the views allow.

Of the rules for a condition that are met and borne out by the views, one that is strong or two
that support make it "supported", unless what speaks against it weighs more. Anything less, or
seen on one view only, is "possible"; signs that much else has too are no evidence. Nothing is
said against a condition before its structures and its essential views were looked at. "supported"
always rests on findings of the reader, never on the animal's data.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from pydantic import computed_field

from dicom_service.anatomy import Atlas, Condition
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.anatomy.reasoning import StepKind
from dicom_service.base import Frozen
from dicom_service.codes import Code
from dicom_service.review.answers import Answers
from dicom_service.review.evidence import Evidence, evidence, relevant
from dicom_service.review.grades import IN_WORDS, weakest
from dicom_service.review.model import Reading, Template, Verdict

WORDS: Mapping[str, str] = {
    "typical": "supported: typical signs",
    "supported": "supported",
    "possible": "possible",
    "no_specific": "no specific radiographic evidence",
    "no_evidence": "no radiographic evidence",
    "excluded": "excluded on these views",
    "cannot_assess": "cannot be assessed on these views",
}
_ORDER: Sequence[Verdict] = ("supported", "possible", "cannot_assess", "no_evidence", "excluded")
_TWO = 2
_NAMED = 6
"""Views of an essential group that are named; more are all the frontal views there are."""


class Proposal(Frozen):
    """A verdict that the rules propose; the reader decides."""

    condition: str
    name: str
    verdict: Verdict
    words: str
    evidence_for: tuple[Evidence, ...]
    evidence_against: tuple[Evidence, ...]
    limits: tuple[str, ...]
    why: str
    grade: str
    """The weakest grade of the rules that the verdict rests on; "" when it rests on none."""
    raised: bool
    """Whether the study raised the condition; False: only the findings did."""

    @computed_field  # type: ignore[prop-decorator]
    @property
    def evidence(self) -> tuple[str, ...]:
        """Ids for `RuleOut.evidence`: what speaks for a condition, or against what has no sign."""
        chosen = self.evidence_for
        if self.verdict in ("no_evidence", "excluded"):
            chosen = tuple(e for e in self.evidence_against if not e.by_findings)
        return tuple(dict.fromkeys(ref for e in chosen for ref in e.refs))


class Step(Frozen):
    """A next step, and the conditions that ask for it."""

    id: str
    kind: StepKind
    name: str
    code: Code
    conditions: tuple[str, ...]
    source: str
    grade: str


class _Judged(NamedTuple):
    verdict: Verdict
    words: str
    why: str


def propose(
    template: Template, reading: Reading, *, atlas: Atlas | None = None
) -> tuple[Proposal, ...]:
    """A verdict for every rule-out that the study or its findings raise, the strongest first.

    What films cannot tell from such a condition comes with it. Nothing is proposed for a species
    that is not known.
    """
    known = atlas or default_atlas()
    if not template.species:
        return ()
    conditions = known.conditions(template.species, template.regions)
    answers = Answers(known, template, reading)
    every = {c.id: propose_one(known, answers, c) for c in conditions}
    found = {identity for identity, proposal in every.items() if _found_by_itself(proposal)}
    alike = {
        other
        for condition in conditions
        if condition.id in found
        for other in condition.looks_like
        if other in every and every[other].verdict == "possible"
    }
    chosen = [p for p in every.values() if p.raised or p.condition in found | alike]
    return tuple(sorted(chosen, key=_rank))


def _found_by_itself(proposal: Proposal) -> bool:
    """Whether the findings alone bring up a condition that nobody asked about."""
    strong = any(e.weight == "strong" for e in proposal.evidence_for)
    return proposal.verdict == "supported" or (proposal.verdict == "possible" and strong)


def _rank(proposal: Proposal) -> tuple[int, bool, int]:
    strength = sum({"strong": 4, "supports": 2, "weak": 1}[e.weight] for e in proposal.evidence_for)
    typical = proposal.words.startswith(WORDS["typical"])
    return (_ORDER.index(proposal.verdict), not typical, -strength)


def propose_one(known: Atlas, answers: Answers, condition: Condition) -> Proposal:
    """The proposal for one condition, whether the study raises it or not."""
    pro = evidence(known, answers, condition, condition.supports)
    contra = evidence(known, answers, condition, condition.against)
    missing = tuple(missing_views(known, answers.template, condition))
    judged = _for_it(pro, contra) or _nothing_for_it(known, answers, condition, pro, missing)
    raised = next((c.why for c in answers.template.rule_outs if c.id == condition.id), "")
    used = (*pro, *contra)
    grade = weakest(e.grade for e in used)
    why = [f"Raised: {raised}." if raised else "", judged.why]
    if grade:
        why.append(f"Rules: {IN_WORDS[grade]} at the weakest.")
    return Proposal(
        condition=condition.id,
        name=condition.name,
        verdict=judged.verdict,
        words=judged.words,
        evidence_for=pro,
        evidence_against=contra,
        limits=(*missing, *condition.limits),
        why=" ".join(part for part in why if part),
        grade=grade,
        raised=bool(raised),
    )


def _for_it(pro: Sequence[Evidence], contra: Sequence[Evidence]) -> _Judged | None:
    """The verdict when something more than weak speaks for the condition."""
    telling = [e for e in pro if e.weight != "weak"]
    if not telling:
        return None
    firm = [e for e in telling if e.firm and e.by_findings]
    strong = [e for e in firm if e.weight == "strong"]
    against = [e for e in contra if e.weight != "weak"]
    outweighed = any(e.weight == "strong" for e in against) or bool(against and not strong)
    said = f"For it: {_listed(telling)}."
    if against:
        said += f" Against it: {_listed(against)}."
    if (strong or len(firm) >= _TWO) and not outweighed:
        typical = bool(strong) and len(firm) >= _TWO and not against
        return _Judged("supported", WORDS["typical" if typical else "supported"], said)
    if outweighed:
        reason = "there are signs against it"
    elif not any(e.by_findings for e in telling):
        reason = "by what was called a variant"
    elif not firm:
        reason = "not confirmed at a right angle"
    else:
        reason = "one sign only, which other conditions have too"
    return _Judged("possible", f"{WORDS['possible']}: {reason}", said)


def _listed(found: Sequence[Evidence]) -> str:
    return "; ".join(f"{e.says} ({e.certainty})" if e.certainty else e.says for e in found)


def _nothing_for_it(
    known: Atlas,
    answers: Answers,
    condition: Condition,
    pro: Sequence[Evidence],
    missing: Sequence[str],
) -> _Judged:
    """The verdict when nothing, or only what is weak, speaks for the condition."""
    items = [item.id for item in relevant(known, answers, condition)]
    still_open = answers.open.intersection(items)
    unsure = answers.unsure.intersection(items)
    reason = ""
    if missing:
        reason = " ".join(missing)
    elif not items:
        reason = "No view shows its structures."
    elif still_open:
        reason = f"{len(still_open)} of {len(items)} structures are not yet observed."
    elif unsure:
        reason = f"{len(unsure)} of {len(items)} structures could not be assessed."
    if reason:
        return _Judged("cannot_assess", WORDS["cannot_assess"], reason)
    if pro:
        return _Judged("no_evidence", WORDS["no_specific"], f"Only {_listed(pro)}.")
    if condition.excludable and answers.normal.issuperset(items):
        return _Judged("excluded", WORDS["excluded"], f"All {len(items)} structures are normal.")
    return _Judged("no_evidence", WORDS["no_evidence"], "None of its signs was recorded.")


def missing_views(known: Atlas, template: Template, condition: Condition) -> Iterator[str]:
    """A sentence for each group of essential views of which a limb of the study has none."""
    for side in sorted({i.side for i in template.items if condition.in_region(i.region)}):
        present = [view.view for view in template.views if view.side in (side, "B")]
        for group in condition.essential:
            if not any(known.is_view_or_like(v, label) for v in present for label in group):
                yield f"The study has no {_any_of(group)} ({side})."


def _any_of(group: Sequence[str]) -> str:
    """The labels of a group; a long one stands for every part of the limb."""
    return " or ".join(group) if len(group) <= _NAMED else "view from in front or behind"


def differentials(proposals: Iterable[Proposal], reading: Reading) -> tuple[str, ...]:
    """Ids of the conditions that are supported or possible, the strongest first.

    What the reader has found without evidence, or excluded, is left out; what the reader supports
    comes first.
    """
    decided = {verdict.id: verdict.verdict for verdict in reading.rule_outs}
    chosen = [identity for identity, verdict in decided.items() if verdict == "supported"]
    chosen += [identity for identity, verdict in decided.items() if verdict == "possible"]
    chosen += [
        p.condition
        for p in proposals
        if p.verdict in ("supported", "possible") and p.condition not in decided
    ]
    return tuple(chosen)


def next_steps(conditions: Iterable[str], *, atlas: Atlas | None = None) -> tuple[Step, ...]:
    """The steps that `conditions` (ids) ask for, each once, those of the first condition first."""
    known = atlas or default_atlas()
    asked: dict[str, list[str]] = {}
    for identity in conditions:
        condition = known.condition(identity)
        for wanted in condition.next_steps if condition else ():
            asked.setdefault(wanted, []).append(condition.name if condition else identity)
    return tuple(
        Step(
            id=step.id,
            kind=step.kind,
            name=step.name,
            code=step.code,
            conditions=tuple(names),
            source=step.source,
            grade=step.grade,
        )
        for identity, names in asked.items()
        if (step := known.next_step(identity))
    )
