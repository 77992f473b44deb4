"""The report as plain text."""

from collections.abc import Iterable, Sequence

from dicom_service.codes import get
from dicom_service.report import sentences
from dicom_service.report.items import name_parts
from dicom_service.report.model import Addendum, Person, ReportContent
from dicom_service.report.names import Names
from dicom_service.report.states import STATES
from dicom_service.review.model import SECTIONS


def plain_text(content: ReportContent) -> str:
    """The whole report for people, headings in capitals, without codes."""
    names = Names(content)
    reading = content.reading
    blocks = [
        _title(content),
        *_remarks("CORRECTION", content.corrections),
        *_remarks("ADDENDUM", content.addenda),
    ]
    blocks += _block("HISTORY", [reading.history])
    blocks += _block("QUESTION", [content.facts.question])
    blocks += _block("TECHNIQUE", [reading.technique])
    blocks += _block("FINDINGS", [sentences.description(names) or _observed(names)])
    measured = [sentences.measurement_sentence(names, m) for m in reading.measurements]
    blocks += _block("MEASUREMENTS", measured)
    blocks += _block("IMPRESSION", [reading.impression])
    verdicts = [sentences.rule_out_sentence(names, r) for r in reading.rule_outs]
    blocks += _block("RULE-OUTS", verdicts)
    numbered = [
        f"{number}. {sentences.differential_name(names, text)}"
        for number, text in enumerate((d for d in reading.differentials if d.strip()), 1)
    ]
    blocks += _block("DIFFERENTIALS", numbered)
    blocks += _block("RECOMMENDATIONS", [reading.recommendations])
    blocks += _block("LIMITS", limits(names))
    blocks.append(_signature(content))
    return "\n\n".join(blocks) + "\n"


def person(who: Person) -> str:
    """A name as people write it: prefix, given, middle, family, suffix."""
    parts = [*name_parts(who.name).split("=")[0].split("^"), "", "", "", ""]
    family, given, middle, prefix, suffix = parts[:5]
    return " ".join(part for part in (prefix, given, middle, family, suffix) if part)


def _block(heading: str, lines: Iterable[str]) -> list[str]:
    said = [line.strip() for line in lines if line.strip()]
    return ["\n".join([heading, *said])] if said else []


def _title(content: ReportContent) -> str:
    animal = content.facts.signalment
    what = [animal.patient_name.replace("^", " ").strip(), animal.patient_id]
    what += [animal.species_text or (animal.species or ""), animal.breed]
    day = content.facts.study_date
    if len(day) == 8 and day.isdigit():
        day = f"{day[:4]}-{day[4:6]}-{day[6:]}"
    study = [day, content.facts.description, content.facts.accession_number]
    lines = [
        f"{get('diagnostic_imaging_report').meaning.upper()} "
        f"({get(STATES[content.kind].code).meaning})",
        ", ".join(part for part in what if part),
        ", ".join(part for part in study if part),
    ]
    return "\n".join(line for line in lines if line)


def _remarks(heading: str, remarks: Sequence[Addendum]) -> list[str]:
    return [
        f"{heading}, {person(a.author)}, {a.at:%Y-%m-%d %H:%M %z}\n{a.text.strip()}"
        for a in reversed(remarks)
    ]


def _observed(names: Names) -> str:
    parts = []
    for section in SECTIONS:
        summary = sentences.section_summary(names, section)
        if summary:
            parts.append(f"{get(f'section_{section}').meaning}\n{summary}")
    findings = names.content.reading.findings
    return "\n".join([*parts, *(sentences.finding_sentence(names, f) for f in findings)])


def limits(names: Names) -> list[str]:
    """What limits the report: cautions, what was not evaluated, why it was signed all the same."""
    content = names.content
    lines = list(content.template.cautions)
    missing = sentences.not_evaluated(names)
    if missing and content.kind != "template":
        lines.append(f"{get('not_evaluated').meaning}: {'; '.join(missing)}.")
    if content.reading.open_accepted.strip():
        reason = content.reading.open_accepted.strip()
        lines.append(f"{get('open_accepted').meaning}: {reason}")
    return lines


def _signature(content: ReportContent) -> str:
    if content.signer is None or content.signed_at is None:
        return "NOT SIGNED"
    organization = content.signer.organization
    where = f", {organization}" if organization.strip() else ""
    return f"Signed by {person(content.signer)}{where}, {content.signed_at:%Y-%m-%d %H:%M %z}"
