"""The report in the order in which a referring vet reads it: the answer first.

Impression, what to do, what is abnormal, what was looked for and not found, what was measured, and
what limits all of it. The whole description by sections is `prose.findings_text`.
"""

from collections.abc import Iterator

from dicom_service.anatomy import Atlas
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.intake.model import StudyFacts
from dicom_service.review.coverage import open_views
from dicom_service.review.model import SECTIONS, Reading, Template, Verdict
from dicom_service.review.prose import Writer

_NEGATIVE: dict[Verdict, str] = {
    "excluded": "Excluded on these views",
    "no_evidence": "No radiographic evidence of",
}
_POSITIVE: dict[Verdict, str] = {"supported": "Supported", "possible": "Possible"}
UNANSWERED = "Cannot be assessed on these views"


def report_text(
    facts: StudyFacts, template: Template, reading: Reading, *, atlas: Atlas | None = None
) -> str:
    """The report in paragraphs with headings, the answer first; empty parts are left out.

    Parameters
    ----------
    facts, template, reading
        The study, what was asked and what was answered. The reader's own wording of the findings
        takes the place of the findings.
    """
    writer = Writer(template, reading, atlas or default_atlas())
    own = (reading.findings_text or "").strip()
    parts = {
        "Impression": reading.impression.strip() or summary(facts, template, reading, atlas=atlas),
        "Recommendations": reading.recommendations.strip(),
        "Findings": own or " ".join(_abnormal(template, writer)),
        "Pertinent negatives": " ".join(_negatives(template, reading, writer)),
        "Measurements": " ".join(s for i in template.items for s in writer.measurements(i)),
        "Limits": " ".join(_limits(template, reading, writer)),
    }
    return "\n\n".join(f"{heading}: {text}" for heading, text in parts.items() if text)


def summary(
    facts: StudyFacts, template: Template, reading: Reading, *, atlas: Atlas | None = None
) -> str:
    """The answer in a few sentences, for an impression to start from."""
    if not facts.images:
        return "The study has no images that can be read."
    writer = Writer(template, reading, atlas or default_atlas())
    said = [f"{word}: {names}." for word, names in _named(writer, _POSITIVE)]
    abnormal = list(writer.brief())
    if abnormal:
        said.append(f"Abnormal: {'; '.join(abnormal)}.")
    elif any(open_views(item, reading) for item in template.items):
        said.append("No abnormality has been recorded; the search is not complete.")
    else:
        said.append("No abnormality was seen on these views.")
    said += [f"{word} {names}." for word, names in _named(writer, _NEGATIVE)]
    return " ".join(said)


def _named(writer: Writer, wording: dict[Verdict, str]) -> Iterator[tuple[str, str]]:
    """Each wording with the conditions that have its verdict, in the reader's order."""
    for verdict, word in wording.items():
        names = [_name(writer, r.id) for r in writer.reading.rule_outs if r.verdict == verdict]
        if names:
            # Names of conditions have commas and "or" of their own.
            yield word if verdict != "excluded" else f"{word}:", "; ".join(names)


def _name(writer: Writer, identity: str) -> str:
    candidate = next((c for c in writer.template.rule_outs if c.id == identity), None)
    condition = writer.known.condition(identity)
    return candidate.name if candidate else condition.name if condition else identity


def _abnormal(template: Template, writer: Writer) -> Iterator[str]:
    for item in template.items:
        yield from writer.abnormal(item)
    yield from writer.each(template.items, "undetermined", "Undetermined")
    yield from writer.each(template.items, "variant", "Normal variant")


def _negatives(template: Template, reading: Reading, writer: Writer) -> Iterator[str]:
    if reading.impression.strip():  # else the summary that stands for it has said so
        yield from (f"{word} {names}." for word, names in _named(writer, _NEGATIVE))
    for section in SECTIONS:
        yield from writer.normal([item for item in template.items if item.section == section])


def _limits(template: Template, reading: Reading, writer: Writer) -> Iterator[str]:
    unanswered = [_name(writer, r.id) for r in reading.rule_outs if r.verdict == "cannot_assess"]
    if unanswered:
        yield f"{UNANSWERED}: {'; '.join(unanswered)}."
    yield from writer.each(template.items, "not_assessable", "Not assessable")
    yield from writer.not_evaluated(template.items)
    yield from writer.hidden(template.items)
    yield from template.cautions
