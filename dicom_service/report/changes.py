"""What a corrected report says differently from the one that it replaces, in sentences."""

from collections.abc import Iterator, Mapping
from typing import Any

from dicom_service.codes import get
from dicom_service.report import sentences
from dicom_service.report.model import ReportContent
from dicom_service.report.names import Names
from dicom_service.review.model import Observation

TEXTS: Mapping[str, str] = {
    "history": "history",
    "technique": "technique",
    "impression": "impression",
    "differentials": "differentials",
    "recommendations": "recommendations",
    "open_accepted": "reason for signing with open questions",
}
"""Field of a reading -> what people call it."""


def changes(before: ReportContent, after: ReportContent) -> tuple[str, ...]:
    """Each difference in a sentence of its own; () when the report says the same."""
    found = [
        *_of_images(before, after),
        *_of_observations(Names(before), Names(after)),
        *_of_entries("Finding", before, after, "findings", sentences.finding_sentence),
        *_of_entries("Measurement", before, after, "measurements", sentences.measurement_sentence),
        *_of_entries("Rule-out", before, after, "rule_outs", sentences.rule_out_sentence),
        *_of_texts(before, after),
    ]
    return tuple(dict.fromkeys(found))


def _of_images(before: ReportContent, after: ReportContent) -> Iterator[str]:
    old = {view.uid: view for view in before.template.views}
    for view in after.template.views:
        known = old.pop(view.uid, None)
        if known is None:
            yield f"View added: {view.label}."
        elif (known.label, known.side) != (view.label, view.side):
            yield (
                f"View {known.label} ({known.side or 'no side'}) is now read as "
                f"{view.label} ({view.side or 'no side'})."
            )
    yield from (f"View left out: {view.label}." for view in old.values())


def _of_observations(before: Names, after: Names) -> Iterator[str]:
    old, new = before.content.reading.observations, after.content.reading.observations
    for identity in dict.fromkeys((*old, *new)):
        was, now = old.get(identity, {}), new.get(identity, {})
        for view in dict.fromkeys((*was, *now)):
            if was.get(view) != now.get(view):
                names = after if view in now else before
                place = f"{names.title(names.item(identity))}, {names.view(view).label}"
                yield f"{place}: {_word(was.get(view))}, now {_word(now.get(view))}."


def _word(seen: Observation | None) -> str:
    if seen is None:
        return "not evaluated"
    note = f" ({seen.note.strip()})" if seen.note.strip() else ""
    return f"{get(sentences.VALUES[seen.value]).meaning.lower()}{note}"


def _of_entries(
    what: str, before: ReportContent, after: ReportContent, field: str, sentence: Any
) -> Iterator[str]:
    old = {entry.id: entry for entry in getattr(before.reading, field)}
    new = {entry.id: entry for entry in getattr(after.reading, field)}
    for identity, entry in new.items():
        if identity not in old:
            yield f"{what} added: {sentence(Names(after), entry)}"
        elif old[identity] != entry:
            yield f"{what} changed: {sentence(Names(after), entry)}"
    for identity, entry in old.items():
        if identity not in new:
            yield f"{what} removed: {sentence(Names(before), entry)}"


def _of_texts(before: ReportContent, after: ReportContent) -> Iterator[str]:
    changed = [
        name
        for field, name in TEXTS.items()
        if getattr(before.reading, field) != getattr(after.reading, field)
    ]
    if before.findings_text != after.findings_text:
        changed.insert(0, "description of the findings")
    if changed:
        yield f"Reworded: {', '.join(changed)}."
