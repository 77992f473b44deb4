"""Reading a report from its content tree alone, as any other software would have to."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from pydantic import AwareDatetime
from pydicom.dataset import Dataset

from dicom_service.base import Frozen
from dicom_service.codes import get
from dicom_service.errors import BadObject
from dicom_service.report import computed, outlines, sentences
from dicom_service.report import items as sr
from dicom_service.report.items import as_single
from dicom_service.report.model import Addendum, Kind, Person
from dicom_service.report.states import STATES
from dicom_service.report.walk import (
    child,
    children,
    image_of,
    name_of,
    text_below,
    text_of,
    value_of,
)
from dicom_service.review.model import (
    SECTIONS,
    Finding,
    Measurement,
    Observation,
    Outline,
    Reading,
    RuleOut,
)


class TreeContent(Frozen):
    """What the content tree alone tells, without the private copy."""

    kind: Kind
    reading: Reading
    signer: Person | None
    signed_at: AwareDatetime | None
    findings_text: str
    addenda: tuple[Addendum, ...]
    corrections: tuple[Addendum, ...]


def read_tree(document: Dataset) -> TreeContent:
    """What the content tree alone tells.

    Raises
    ------
    BadObject
        Not a report of ours, or one with items that we do not write.
    """
    if name_of(document) != get("diagnostic_imaging_report").key:
        raise BadObject("This is not a diagnostic imaging report of Sesamoid.")
    coded = child(document, "coded_observations")
    if coded is None:
        raise BadObject("The report has no coded observations; it was not made by Sesamoid.")
    try:
        return _told(document, coded)
    except (KeyError, AttributeError, IndexError, ValueError, TypeError) as error:
        raise BadObject(
            f"The content tree of the report {document.get('SOPInstanceUID', '')} was changed by "
            f"other software and cannot be read: {error}."
        ) from error


def _told(document: Dataset, coded: Dataset) -> TreeContent:
    verifiers = document.get("VerifyingObserverSequence") or []
    state = child(document, "document_state")
    kinds = {get(row.code).key: kind for kind, row in STATES.items()}
    has_signer = child(document, "person_observer_name") is not None
    description = child(document, "findings_heading")
    return TreeContent(
        kind=kinds[value_of(state or Dataset())],
        reading=_reading(document, coded),
        signer=person_of(document) if has_signer else None,
        signed_at=time_of(verifiers[-1].VerificationDateTime) if verifiers else None,
        findings_text=text_below(description, "findings_text"),
        addenda=_remarks(document, "addendum_heading"),
        corrections=_remarks(document, "correction_heading"),
    )


def _remarks(document: Dataset, heading: str) -> tuple[Addendum, ...]:
    return tuple(
        Addendum(
            text=text_below(section, "comment"),
            author=person_of(section),
            at=time_of(section.ObservationDateTime),
        )
        for section in reversed(children(document, heading))
    )


def time_of(value: object) -> datetime:
    """A DT value with its offset."""
    text = str(value)
    return datetime.strptime(text, "%Y%m%d%H%M%S.%f%z" if "." in text else "%Y%m%d%H%M%S%z")


def person_of(item: Dataset) -> Person:
    """The person whom the items below name as observer."""
    return Person(
        login=text_below(item, "person_observer_login"),
        name=text_below(item, "person_observer_name"),
        organization=text_below(item, "person_observer_organization"),
    )


def _reading(document: Dataset, coded: Dataset) -> Reading:
    impressions = child(document, "impressions_heading")
    limits = child(document, "limits_heading")
    differentials = children(impressions, "differential") if impressions is not None else []
    return Reading(
        template_revision=int(text_below(coded, "template_revision")),
        observations=_observations(coded),
        findings=tuple(_finding(item) for item in _entries(coded, "coded_findings")),
        outlines=tuple(_outline(item) for item in _entries(coded, "coded_outlines")),
        measurements=tuple(_measurement(item) for item in _entries(coded, "coded_measurements")),
        rule_outs=tuple(
            rule_out
            for item in _entries(coded, "coded_rule_outs")
            if (rule_out := _rule_out(item)) is not None
        ),
        differentials=tuple(_identifier(item) for item in differentials),
        history=text_below(child(document, "history"), "history"),
        technique=text_below(child(document, "procedure_heading"), "procedure_description"),
        impression=text_below(impressions, "impression"),
        recommendations=text_below(child(document, "recommendations_heading"), "recommendation"),
        findings_text=_own_words(document),
        open_accepted=text_below(limits, "open_accepted"),
    )


def _entries(coded: Dataset, name: str) -> list[Dataset]:
    group = child(coded, name)
    return [] if group is None else children(group)


def _identifier(item: Dataset) -> str:
    return text_below(item, "tracking_identifier")


def _keyword(item: Dataset | None, keywords: Mapping[Any, str]) -> Any:
    """Which of our values the CODE item has; KeyError with the code when none of them."""
    by_code = {get(keyword).key: ours for ours, keyword in keywords.items()}
    return by_code[value_of(item if item is not None else Dataset())]


def _own_words(document: Dataset) -> str | None:
    findings = child(document, "findings_heading")
    if findings is None:
        return None
    own = text_below(findings, "readers_wording")
    if own:
        return own
    shown = child(findings, "findings_text")
    by = child(shown, "wording") if shown is not None else None
    if shown is None or by is None or value_of(by) != get("wording_reader").key:
        return None
    return text_of(shown)


def _observations(coded: Dataset) -> dict[str, dict[str, Observation]]:
    found: dict[str, dict[str, Observation]] = {}
    for section in SECTIONS:
        for structure in _entries(coded, f"section_{section}"):
            for item in children(structure, "normality"):
                if value_of(item) == get("not_evaluated").key:
                    continue
                value = _keyword(item, sentences.VALUES)
                seen = Observation(
                    value=value,
                    note=text_below(item, "comment"),
                    by_group=child(item, "assessed") is not None,
                )
                found.setdefault(_identifier(item), {})[image_of(item)] = seen
    return found


def _site_identifier(item: Dataset) -> str:
    return next((found for s in children(item, "finding_site") if (found := _identifier(s))), "")


def _finding(item: Dataset) -> Finding:
    severity = child(item, "severity")
    judged = child(item, "aggressiveness")
    copied = child(item, "copied_from")
    grades = {grade: grade for grade in ("mild", "moderate", "severe")}
    return Finding(
        id=_identifier(item),
        item=_site_identifier(item),
        view=image_of(item),
        descriptors=tuple(_identifier(d) for d in children(item, "descriptor")),
        severity="" if severity is None else _keyword(severity, grades),
        aggressiveness="" if judged is None else _keyword(judged, sentences.AGGRESSIVENESS),
        note=text_below(item, "comment"),
        cross_check={
            image_of(said): _keyword(said, sentences.CROSS_CHECKS)
            for said in children(item, "cross_check")
        },
        copied_from="" if copied is None else str(copied.UID),
    )


def _outline(item: Dataset) -> Outline:
    kind, points = outlines.read(item)
    return Outline(
        id=_identifier(item),
        item=_site_identifier(item),
        view=image_of(item),
        name=text_of(item),
        kind=kind,
        points=points,
    )


def _measurement(item: Dataset) -> Measurement:
    measured = item.MeasuredValueSequence[0]
    units = {get(f"unit_{unit}").key: unit for unit in sentences.UNITS}
    kinds = {get(kind).key: kind for kind in ("length", "angle")}
    unit = measured.MeasurementUnitsCodeSequence[0]
    made = computed.read(item) if name_of(item) in computed.names() else None
    drawn = child(item, "illustration")
    data = [as_single(float(axis)) for axis in (drawn.GraphicData if drawn is not None else [])]
    points = list(zip(data[::2], data[1::2], strict=True))
    kind = "computed" if made else kinds[name_of(item)]
    if kind == "angle":
        points = [points[0], points[1], points[3]]
    return Measurement.model_validate(
        {
            "id": _identifier(item),
            "item": _site_identifier(item),
            "view": image_of(item),
            "kind": kind,
            "points": points,
            "value": sr.value_of_number(item),
            "unit": units[unit.CodeValue, unit.CodingSchemeDesignator],
            "calibration": text_below(item, "calibration"),
            "finding": text_below(item, "of_finding"),
            "note": text_below(item, "comment"),
            "computed": made,
        }
    )


def _rule_out(item: Dataset) -> RuleOut | None:
    verdict = child(item, "verdict")
    if verdict is not None and value_of(verdict) == get("not_evaluated").key:
        return None
    evidence = [e for e in children(item) if e.RelationshipType == "INFERRED FROM"]
    return RuleOut(
        id=_identifier(item),
        verdict=_keyword(verdict, sentences.VERDICTS),
        evidence=tuple(_identifier(e) for e in evidence),
        note=text_below(item, "comment"),
    )
