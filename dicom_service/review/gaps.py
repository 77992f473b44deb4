"""What is still open and what contradicts, each with the place to jump to."""

import re
from collections import Counter
from collections.abc import Iterator

from dicom_service.anatomy import Atlas, Condition
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.review.contradictions import contradictions
from dicom_service.review.coverage import open_views
from dicom_service.review.cross import (
    NO_VIEW,
    items_of,
    open_checks,
    seen_on,
    value_of,
    views_of,
)
from dicom_service.review.model import Finding, Gap, Reading, RuleOut, Template
from dicom_service.review.physis_gaps import physis_gaps
from dicom_service.review.propose import missing_views

MOST_NAMED = 6
"""Of more views than these only the kinds are named."""


def gaps(template: Template, reading: Reading, *, atlas: Atlas | None = None) -> tuple[Gap, ...]:
    """Everything open or contradictory; what is `blocking` must be answered before signing.

    `reading.open_accepted` makes open observations non-blocking: the reader overrules, on the
    record. Open cross-checks, answers that contradict each other and an empty impression always
    block; what is only a question to the reader never does.
    """
    known = atlas or default_atlas()
    return (
        *_open_observations(template, reading),
        *_abnormal_without_finding(template, reading),
        *_findings(template, reading),
        *_rule_outs(known, template, reading),
        *physis_gaps(known, template, reading),
        *contradictions(known, template, reading),
        *_impression(reading),
    )


def _open_observations(template: Template, reading: Reading) -> Iterator[Gap]:
    views = views_of(template)
    blocking = not reading.open_accepted.strip()
    for item in template.items:
        still_open = open_views(item, reading)
        if still_open:
            labels = _named([views[uid].label for uid in still_open])
            yield Gap(
                kind="open_observation",
                text=f"{item.name}: not yet observed on {labels}.",
                blocking=blocking,
                item=item.id,
                view=still_open[0],
            )


def _named(labels: list[str]) -> str:
    """The views by name; of many the kinds, and how many of each."""
    if len(labels) <= MOST_NAMED:
        return ", ".join(labels)
    kinds = Counter(re.sub(r" \(\d+\)$", "", label) for label in labels)
    return ", ".join(kind if n == 1 else f"{n} × {kind}" for kind, n in kinds.items())


def _abnormal_without_finding(template: Template, reading: Reading) -> Iterator[Gap]:
    items, views = items_of(template), views_of(template)
    described = {(finding.item, uid) for finding in reading.findings for uid in seen_on(finding)}
    for item_id, seen in reading.observations.items():
        for uid, observation in seen.items():
            known = item_id in items and uid in views
            if known and observation.value == "abnormal" and (item_id, uid) not in described:
                yield Gap(
                    kind="abnormal_without_finding",
                    text=f"{items[item_id].name} is abnormal on {views[uid].label}: "
                    "describe the finding.",
                    blocking=True,
                    item=item_id,
                    view=uid,
                )


def _findings(template: Template, reading: Reading) -> Iterator[Gap]:
    items, views = items_of(template), views_of(template)
    for finding in reading.findings:
        if finding.item not in items or finding.view not in views:
            continue
        name, label = items[finding.item].name, views[finding.view].label
        value = value_of(reading, finding.item, finding.view)
        if value != "abnormal":
            said = value.replace("_", " ") if value else "not observed"
            text = f"{name} has a finding on {label}, but the observation there is “{said}”."
            yield _of_finding("finding_not_abnormal", text, finding, finding.view)
        for uid in open_checks(items[finding.item], views[finding.view], finding):
            if uid == NO_VIEW:
                text = f"{name}: no view at a right angle to {label}; confirm that there is none."
            else:
                text = f"{name}: what does {views[uid].label} say of the finding on {label}?"
                if items[finding.item].visibility[uid] == "no":
                    text += " That view cannot show it well."
            yield _of_finding("open_cross_check", text, finding, uid or finding.view)
        for uid in seen_on(finding):
            if (
                uid in views
                and value_of(reading, finding.item, uid) == "normal"
                and uid != finding.view
            ):
                text = f"{name}: the finding is confirmed on {views[uid].label}, but normal there."
                yield _of_finding("confirmed_but_normal", text, finding, uid)


def _of_finding(kind: str, text: str, finding: Finding, view: str) -> Gap:
    return Gap(
        kind=kind, text=text, blocking=True, item=finding.item, view=view, finding=finding.id
    )


def _rule_outs(known: Atlas, template: Template, reading: Reading) -> Iterator[Gap]:
    names = {candidate.id: candidate.name for candidate in template.rule_outs}
    for candidate in template.rule_outs:
        if candidate.id not in {verdict.id for verdict in reading.rule_outs}:
            text = f"No verdict on {candidate.name} ({candidate.why})."
            yield Gap(kind="open_rule_out", text=text, blocking=False)
    for verdict in reading.rule_outs:
        condition = known.condition(verdict.id)
        name = names.get(verdict.id) or (condition.name if condition else verdict.id)
        for kind, text in _verdict(known, template, reading, verdict, name):
            yield Gap(kind=kind, text=text, blocking=True)


def _verdict(
    known: Atlas, template: Template, reading: Reading, verdict: RuleOut, name: str
) -> Iterator[tuple[str, str]]:
    findings = {finding.id for finding in reading.findings}
    rests_on_findings = any(e in findings for e in verdict.evidence)
    if verdict.verdict == "supported" and not verdict.evidence:
        yield "supported_without_evidence", f"{name} is “supported”: name the evidence."
    if verdict.verdict in ("excluded", "no_evidence") and rests_on_findings:
        said = "excluded" if verdict.verdict == "excluded" else "without radiographic evidence"
        yield "verdict_against_evidence", f"{name} is “{said}”, yet findings are its evidence."
    condition = known.condition(verdict.id)
    if verdict.verdict == "excluded" and condition is not None:
        yield from _excluded(known, template, condition)


def _excluded(known: Atlas, template: Template, condition: Condition) -> Iterator[tuple[str, str]]:
    if not condition.excludable:
        text = (
            f"Radiographs cannot exclude {condition.name}: say “no radiographic evidence” "
            "or “cannot be assessed”."
        )
        yield "cannot_be_excluded", text
    for missing in missing_views(known, template, condition):
        text = f"{condition.name} cannot be excluded: {missing[:1].lower()}{missing[1:]}"
        yield "essential_view_missing", text


def _impression(reading: Reading) -> Iterator[Gap]:
    if not reading.impression.strip():
        text = "The impression is empty."
        if reading.findings:
            text = "There are findings, but the impression is empty."
        yield Gap(kind="impression_empty", text=text, blocking=True)
