"""Sentences for people, written from observations, findings, measurements and verdicts.

They stand at the head of each part of the document, because many readers of structured reports
show texts and headings only.
"""

from collections.abc import Mapping

from dicom_service.anatomy import atlas
from dicom_service.codes import get
from dicom_service.report.names import Names, descriptor_name
from dicom_service.review.computed import computed_words
from dicom_service.review.model import (
    CrossCheck,
    Finding,
    Measurement,
    RuleOut,
    Section,
    TemplateItem,
    Value,
    Verdict,
)

VALUES: Mapping[Value, str] = {
    "normal": "normal",
    "variant": "variant",
    "abnormal": "abnormal",
    "undetermined": "undetermined",
    "not_assessable": "not_assessable",
}
"""Value of an observation -> keyword of its code, in the order in which people are told."""

CROSS_CHECKS: Mapping[CrossCheck, str] = {
    "confirmed": "cross_confirmed",
    "not_seen": "cross_not_seen",
    "not_assessable": "cross_not_assessable",
    "no_such_view": "cross_no_such_view",
}

VERDICTS: Mapping[Verdict, str] = {
    "supported": "verdict_supported",
    "possible": "verdict_possible",
    "no_evidence": "verdict_no_evidence",
    "excluded": "verdict_excluded",
    "cannot_assess": "verdict_cannot_assess",
}

AGGRESSIVENESS: Mapping[str, str] = {
    word: f"aggressiveness_{word}" for word in ("non_aggressive", "indeterminate", "aggressive")
}
"""The reader's word on a lesion -> keyword of its code."""

UNITS: Mapping[str, str] = {"mm": "mm", "px": "pixels", "deg": "°", "1": ""}

_LEADS: Mapping[Value, str] = {
    "abnormal": "Abnormal",
    "variant": "Normal variant",
    "undetermined": "Undetermined",
    "not_assessable": "Cannot be assessed",
    "normal": "Normal",
}


def section_items(names: Names, section: Section) -> list[TemplateItem]:
    """The items of one section of the search pattern, in template order."""
    return [item for item in names.content.template.items if item.section == section]


def section_summary(names: Names, section: Section) -> str:
    """What was observed in one section, the abnormal first, what is open last."""
    items = section_items(names, section)
    lines = [
        f"{lead}: {'; '.join(named)}."
        for value, lead in _LEADS.items()
        if (named := [text for item in items if (text := _observed_as(names, item, value))])
    ]
    open_items = [text for item in items if (text := _observed_as(names, item, None))]
    if open_items:
        lines.append(f"{get('not_evaluated').meaning}: {'; '.join(open_items)}.")
    notes = [
        f"{names.title(item)}, {names.view(uid).label}: {observation.note.strip()}"
        for item in items
        for uid in names.asked_views(item)
        if (observation := names.observation(item.id, uid)) and observation.note.strip()
    ]
    return "\n".join(lines + notes)


def _observed_as(names: Names, item: TemplateItem, value: Value | None) -> str:
    """The item's name with the views in which it was given this value; "" for none."""
    asked = names.asked_views(item)
    found = [
        uid
        for uid in asked
        if (seen.value if (seen := names.observation(item.id, uid)) else None) == value
    ]
    if not found:
        return ""
    if len(found) == len(asked):
        return names.title(item)
    return f"{names.title(item)} ({', '.join(names.view(uid).label for uid in found)})"


def not_evaluated(names: Names) -> list[str]:
    """The names of all items that have an open question, with the views concerned."""
    items = names.content.template.items
    return [text for item in items if (text := _observed_as(names, item, None))]


def finding_sentence(names: Names, finding: Finding) -> str:
    """One finding: where, what, how much, and what the other view says."""
    where = f"{names.title(names.item(finding.item))}, {names.view(finding.view).label}"
    what = ", ".join(descriptor_name(d) for d in finding.descriptors) or "abnormal"
    parts = [f"{where}: {what}{f', {finding.severity}' if finding.severity else ''}."]
    if finding.aggressiveness:
        parts.append(f"{get(AGGRESSIVENESS[finding.aggressiveness]).meaning}.")
    if finding.note.strip():
        parts.append(finding.note.strip())
    for uid, verdict in finding.cross_check.items():
        said = get(CROSS_CHECKS[verdict]).meaning
        parts.append(f"{names.view(uid).label}: {said.lower()}." if uid else f"{said}.")
    return _capital(" ".join(parts))


def measurement_sentence(names: Names, measurement: Measurement) -> str:
    """One measurement: what, where, the value, and how it was calibrated."""
    where = f"{names.title(names.item(measurement.item))}, {names.view(measurement.view).label}"
    calibration = f" ({measurement.calibration})" if measurement.calibration else ""
    note = f" {measurement.note.strip()}" if measurement.note.strip() else ""
    if measurement.computed is not None:
        words = computed_words(measurement.computed)
        by = f"{measurement.computed.method} version {measurement.computed.version}"
        doubts = "".join(f" Doubt: {doubt}." for doubt in measurement.computed.doubts)
        return f"{words[:1].upper()}{words[1:]}, {where}{calibration}; {by}.{doubts}{note}"
    unit = UNITS[measurement.unit]
    value = f"{measurement.value:.2f}{'' if unit == '°' else ' '}{unit}"
    return f"{measurement.kind.capitalize()}, {where}: {value}{calibration}.{note}"


def evidence_names(names: Names, rule_out: RuleOut) -> list[str]:
    """What a verdict rests on, as words."""
    found = []
    for identity in rule_out.evidence:
        finding = names.finding(identity)
        item = names.item(finding.item if finding else identity)
        words = ", ".join(descriptor_name(d) for d in finding.descriptors) if finding else ""
        found.append(f"{words} ({names.title(item)})" if words else names.title(item))
    return found


def rule_out_sentence(names: Names, rule_out: RuleOut) -> str:
    """One verdict with its evidence and its limits."""
    candidate = names.candidate(rule_out.id)
    parts = [f"{candidate.name}: {get(VERDICTS[rule_out.verdict]).meaning.lower()}."]
    if rule_out.evidence:
        parts.append(f"Evidence: {'; '.join(evidence_names(names, rule_out))}.")
    parts += [limit for limit in candidate.limits if limit.strip()]
    if rule_out.note.strip():
        parts.append(rule_out.note.strip())
    if candidate.next_steps:
        steps = (step.strip().rstrip(".") for step in candidate.next_steps)
        parts.append(f"Next: {'; '.join(steps)}.")
    return _capital(" ".join(parts))


def differential_name(names: Names, differential: str) -> str:
    """The condition's name when a differential is the id of a candidate, else its own words."""
    for candidate in names.content.template.rule_outs:
        if candidate.id == differential:
            return candidate.name
    condition = atlas().condition(differential)
    return condition.name if condition else differential


def description(names: Names) -> str:
    """The findings as prose: the reader's own words where there are any."""
    own = names.content.reading.findings_text
    return own if own and own.strip() else names.content.findings_text


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
