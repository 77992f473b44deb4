"""From an earlier report to what the panel shows beside the structure that is being read."""

from collections.abc import Mapping, Sequence
from typing import Any

from dicom_service.intake.model import ImageFacts
from dicom_service.report import ForeignReport, OwnReport
from dicom_service.report.model import ReportContent
from dicom_service.report.names import Names, descriptor_name
from dicom_service.review.computed import computed_name
from dicom_service.review.model import Finding, Value
from dicom_service.workflow.prior_model import (
    PriorFinding,
    PriorMeasurement,
    PriorObservation,
    PriorOutline,
    PriorReport,
)

_WEIGHTIEST: tuple[Value, ...] = (
    "abnormal", "undetermined", "variant", "normal", "not_assessable",
)  # fmt: skip


def summary(found: OwnReport, series_uid: str, versions: int) -> PriorReport:
    """The head of a report: who, when, and the answer."""
    content = found.content
    views = _views(content)
    return PriorReport(
        sop_instance_uid=found.sop_instance_uid,
        series_uid=series_uid,
        kind=content.kind,
        signed_by=content.signer.name if content.signer else "",
        signed_at=found.at,
        impression=content.reading.impression,
        findings_text=content.findings_text,
        recommendations=content.reading.recommendations,
        findings=tuple(_sentence(content, f, views) for f in content.reading.findings),
        addenda=tuple(addendum.text for addendum in content.addenda),
        versions=versions,
        note=found.note,
    )


def observations(
    study_uid: str, study_date: str, content: ReportContent, report_uid: str
) -> list[PriorObservation]:
    """What a report says of each item that it answers."""
    views = _views(content)
    told = []
    for item, by_view in content.reading.observations.items():
        words = {views.get(uid, "view"): seen.value for uid, seen in by_view.items()}
        if not words:
            continue
        told.append(
            PriorObservation(
                study_uid=study_uid,
                study_date=study_date,
                item=item,
                name=_title(content, item),
                value=next(v for v in _WEIGHTIEST if any(s.value == v for s in by_view.values())),
                views=words,
                findings=tuple(
                    _copyable(content, f, views, report_uid)
                    for f in content.reading.findings
                    if f.item == item
                ),
                outlines=tuple(
                    PriorOutline(
                        image_uid=o.view,
                        view=views.get(o.view, ""),
                        **o.model_dump(include={"name", "kind", "points"}),
                    )
                    for o in content.reading.outlines
                    if o.item == item
                ),
                note=" ".join(s.note for s in by_view.values() if s.note),
            )
        )
    return told


def own_measurements(
    study_uid: str, date: str, content: ReportContent, images: Sequence[ImageFacts]
) -> list[PriorMeasurement]:
    """The measurements of a report of ours; they have the item's id."""
    known = {image.uid: image for image in images}
    return [
        PriorMeasurement(
            study_uid=study_uid,
            date=date,
            meaning=computed_name(m.computed) if m.computed else m.kind,
            value=m.value,
            unit=m.unit,
            item=m.item,
            site=_title(content, m.item),
            tracking_id=m.id,
            calibration=m.calibration,
            image_uid=m.view,
            own=m,
            **_seen_on(known.get(m.view)),
        )
        for m in content.reading.measurements
    ]


def foreign_measurements(
    study_uid: str, found: ForeignReport, images: Sequence[ImageFacts]
) -> list[PriorMeasurement]:
    """The measurements of another maker's report."""
    known = {image.uid: image for image in images}
    return [
        PriorMeasurement(
            study_uid=study_uid,
            maker=found.maker or "another maker",
            **m.model_dump(),
            **_seen_on(known.get(m.image_uid)),
        )
        for m in found.measurements
    ]


def _seen_on(image: ImageFacts | None) -> dict[str, Any]:
    if image is None:
        return {}
    return {"view": image.view, "view_side": image.side, "spacing": image.spacing}


def _copyable(
    content: ReportContent, finding: Finding, views: Mapping[str, str], report_uid: str
) -> PriorFinding:
    return PriorFinding(
        report=report_uid,
        view=views.get(finding.view, ""),
        sentence=_sentence(content, finding, views),
        descriptors=finding.descriptors,
        severity=finding.severity,
        aggressiveness=finding.aggressiveness,
        note=finding.note,
    )


def _views(content: ReportContent) -> Mapping[str, str]:
    return {view.uid: view.label for view in content.template.views}


def _title(content: ReportContent, item: str) -> str:
    """The item's name with its side; its id when the report has lost its template."""
    for known in content.template.items:
        if known.id == item:
            return Names(content).title(known)
    return item.replace(".", " ").replace("_", " ")


def _sentence(content: ReportContent, finding: Finding, views: Mapping[str, str]) -> str:
    what = ", ".join(descriptor_name(d) for d in finding.descriptors) or "abnormal"
    severity = f", {finding.severity}" if finding.severity else ""
    where = _title(content, finding.item)
    view = f", {views[finding.view]}" if finding.view in views else ""
    note = f" {finding.note.strip()}" if finding.note.strip() else ""
    return f"{where[:1].upper()}{where[1:]}{view}: {what}{severity}.{note}"
