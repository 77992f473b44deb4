"""The readable part of the report: headings with texts, in the order of a report.

It stands first, since many viewers show nothing below an item that is no heading.
"""

from math import isfinite

from pydicom.dataset import Dataset

from dicom_service.errors import Refused
from dicom_service.report import items as sr
from dicom_service.report import sentences
from dicom_service.report.computed import UNITS
from dicom_service.report.model import Addendum
from dicom_service.report.names import Names
from dicom_service.report.states import STATES
from dicom_service.review.model import SECTIONS, Measurement

LARGEST = 1e12
"""Beyond this a value or coordinate is a mistake, not a measurement."""


def check_reading(names: Names) -> None:
    """Refuse a reading that names what the template does not have, or numbers that are none."""
    reading = names.content.reading
    for item, by_view in reading.observations.items():
        names.item(item)
        for view in by_view:
            names.view(view)
    for measurement in reading.measurements:
        numbers = [measurement.value, *(axis for point in measurement.points for axis in point)]
        if not all(isfinite(n) and abs(n) < LARGEST for n in numbers):
            raise Refused(f"The measurement '{measurement.id}' has no finite value or points.")
        if measurement.computed is not None:
            _check_computed(measurement)
        elif len(measurement.points) != (2 if measurement.kind == "length" else 3):
            raise Refused(
                f"The measurement '{measurement.id}' has {len(measurement.points)} points; "
                "a length needs two, an angle three."
            )


def _check_computed(measurement: Measurement) -> None:
    """Refuse what has no number that a document can carry, or nothing to point at."""
    made = measurement.computed
    if made is None or not made.numbers or made.numbers[0].unit not in UNITS:
        raise Refused(f"The computed measurement '{measurement.id}' has no number to report.")
    if not (measurement.points or made.shapes):
        raise Refused(f"The computed measurement '{measurement.id}' has no place on the image.")


def readable(names: Names) -> list[Dataset]:
    """The headings and texts that people read, the answer first, as a referring vet wants it."""
    content = names.content
    reading = content.reading
    parts = [_remark("correction_heading", entry) for entry in reversed(content.corrections)]
    parts += [_remark("addendum_heading", entry) for entry in reversed(content.addenda)]
    parts += sr.heading("impressions_heading", _impressions(names))
    advice = sr.text("CONTAINS", "recommendation", reading.recommendations)
    parts += sr.heading("recommendations_heading", advice)
    parts += sr.heading("history", sr.text("CONTAINS", "history", reading.history))
    # Nobody wants to read the same words under two headings.
    new = content.facts.question.strip() != content.reading.history.strip()
    question = sr.text("CONTAINS", "indications", content.facts.question if new else "")
    parts += sr.heading("indications_heading", question)
    technique = sr.text("CONTAINS", "procedure_description", reading.technique)
    parts += sr.heading("procedure_heading", technique)
    parts.append(sr.container("findings_heading", _findings(names)))
    parts += sr.heading("limits_heading", _limits(names))
    return parts


def _remark(heading: str, remark: Addendum) -> Dataset:
    """An addendum, or what a correction changed, with its author and time."""
    author = remark.author
    children = [
        *person_observer(author.name, author.login, author.organization),
        *sr.text("CONTAINS", "comment", remark.text),
    ]
    section = sr.container(heading, children)
    section.add_new(0x0040A032, "DT", sr.dicom_datetime(remark.at))
    return section


def person_observer(name: str, login: str, organization: str) -> list[Dataset]:
    """A person as observer (TID 1002, 1003)."""
    return [
        sr.coded("HAS OBS CONTEXT", "observer_type", "person"),
        sr.person_name("HAS OBS CONTEXT", "person_observer_name", name),
        *sr.text("HAS OBS CONTEXT", "person_observer_login", login),
        *sr.text("HAS OBS CONTEXT", "person_observer_organization", organization),
    ]


def _findings(names: Names) -> list[Dataset]:
    own = sr.tidy(names.content.reading.findings_text or "")
    written = sr.tidy(names.content.findings_text)
    shown = sr.text("CONTAINS", "findings_text", written)
    for item in shown:
        by = "wording_reader" if own == written else "wording_node"
        sr.below(item, [sr.coded("HAS PROPERTIES", "wording", by)])
    if own != written:
        shown += sr.text("CONTAINS", "readers_wording", own)
    for section in SECTIONS:
        summary = sentences.section_summary(names, section)
        shown += sr.heading(f"section_{section}", sr.text("CONTAINS", "section_summary", summary))
    if own or not written:
        # Written by the node, the description tells each finding already.
        for finding in names.content.reading.findings:
            sentence = sentences.finding_sentence(names, finding)
            shown += sr.text("CONTAINS", "finding_text", sentence)
    for measurement in names.content.reading.measurements:
        sentence = sentences.measurement_sentence(names, measurement)
        shown += sr.text("CONTAINS", "measurement_text", sentence)
    return shown


def _impressions(names: Names) -> list[Dataset]:
    reading = names.content.reading
    shown = sr.text("CONTAINS", "impression", reading.impression)
    for differential in reading.differentials:
        name = sentences.differential_name(names, differential)
        found = sr.text("CONTAINS", "differential", name)
        for item in found:
            sr.below(item, sr.identifier(differential))
        shown += found
    for rule_out in reading.rule_outs:
        sentence = sentences.rule_out_sentence(names, rule_out)
        shown += sr.text("CONTAINS", "rule_out_text", sentence)
    return shown


def _limits(names: Names) -> list[Dataset]:
    content = names.content
    shown = [
        item
        for caution in content.template.cautions
        for item in sr.text("CONTAINS", "caution", caution)
    ]
    if STATES[content.kind].code != "state_template":
        missing = "; ".join(sentences.not_evaluated(names))
        shown += sr.text("CONTAINS", "not_evaluated_text", missing)
    return shown + sr.text("CONTAINS", "open_accepted", content.reading.open_accepted)
