"""The coded part of the report: one heading per structure, one item per view and answer.

A value stands under its bone's heading even in readers that show nothing below an item. Items
carry our ids as tracking identifiers; `reading_back` relies on them.
"""

from pydicom.dataset import Dataset

from dicom_service.codes import Code, get
from dicom_service.report import computed, outlines, sentences
from dicom_service.report import items as sr
from dicom_service.report.model import ReportContent
from dicom_service.report.names import SIDES, Names, descriptor_code, view_code, view_position
from dicom_service.review.model import (
    SECTIONS,
    Finding,
    Measurement,
    Outline,
    RuleOut,
    Section,
    TemplateItem,
)


def coded_part(names: Names) -> Dataset:
    """Everything that was asked and answered, in codes."""
    reading = names.content.reading
    revision = sr.text("CONTAINS", "template_revision", str(reading.template_revision))
    sections = [
        sr.container(f"section_{section}", structures)
        for section in SECTIONS
        if (structures := _structures(names, section))
    ]
    findings = [coded_finding(names, finding) for finding in reading.findings]
    marked = [_outline(names, outline) for outline in reading.outlines]
    measured = [coded_measurement(names, m) for m in reading.measurements]
    return sr.container(
        "coded_observations",
        [
            *revision,
            *sections,
            *sr.heading("coded_findings", findings),
            *sr.heading("coded_outlines", marked),
            *sr.heading("coded_measurements", measured),
            *sr.heading("coded_rule_outs", _rule_outs(names)),
        ],
    )


def _structures(names: Names, section: Section) -> list[Dataset]:
    return [
        sr.container(item.code, [_observation(names, item, uid) for uid in views])
        for item in sentences.section_items(names, section)
        if (views := names.asked_views(item))
    ]


def _observation(names: Names, item: TemplateItem, uid: str) -> Dataset:
    seen = names.observation(item.id, uid)
    value = sentences.VALUES[seen.value] if seen else "not_evaluated"
    at_once = []
    if seen and seen.by_group:
        at_once = [sr.coded("HAS PROPERTIES", "assessed", "assessed_as_group")]
    entry = sr.coded("CONTAINS", "normality", value)
    return sr.below(
        entry,
        [
            *sr.identifier(item.id),
            *sites(item),
            *_view(names, uid),
            *at_once,
            *sr.text("HAS PROPERTIES", "comment", seen.note if seen else ""),
            sr.image("INFERRED FROM", "illustration", reference(names, uid)),
        ],
    )


def coded_finding(names: Names, finding: Finding) -> Dataset:
    """A finding with its place, descriptors, severity, cross-checks and image."""
    item = names.item(finding.item)
    severity = (
        [sr.coded("HAS PROPERTIES", "severity", finding.severity)] if finding.severity else []
    )
    return sr.below(
        sr.coded("CONTAINS", "finding", finding_code(finding)),
        [
            *sr.identifier(finding.id),
            *sites(item, identified=True),
            *_view(names, finding.view),
            *(_descriptor(d) for d in finding.descriptors),
            *severity,
            *_aggressiveness(finding),
            *(_cross_check(names, uid, said) for uid, said in finding.cross_check.items()),
            *sr.text("HAS PROPERTIES", "comment", finding.note),
            *_copied(finding),
            sr.image("INFERRED FROM", "illustration", reference(names, finding.view)),
        ],
    )


def _outline(names: Names, outline: Outline) -> Dataset:
    """A normal variant by its name, with its structure and the line round it."""
    (entry,) = sr.text("CONTAINS", "variant_outline", outline.name)
    return sr.below(
        entry,
        [
            *sr.identifier(outline.id),
            *sites(names.item(outline.item), identified=True),
            *_view(names, outline.view),
            outlines.coordinates(outline, reference(names, outline.view)),
        ],
    )


def _aggressiveness(finding: Finding) -> list[Dataset]:
    """The reader's word on a lesion; what follows from the descriptors is not repeated."""
    if not finding.aggressiveness:
        return []
    word = sentences.AGGRESSIVENESS[finding.aggressiveness]
    return [sr.coded("HAS PROPERTIES", "aggressiveness", word)]


def _copied(finding: Finding) -> list[Dataset]:
    if not finding.copied_from:
        return []
    return [sr.uid_item("HAS PROPERTIES", "copied_from", finding.copied_from)]


def finding_code(finding: Finding) -> Code:
    """What is found: the first descriptor, or just "abnormal"."""
    return descriptor_code(finding.descriptors[0]) if finding.descriptors else get("abnormal")


def _descriptor(identity: str) -> Dataset:
    entry = sr.coded("HAS PROPERTIES", "descriptor", descriptor_code(identity))
    return sr.below(entry, sr.identifier(identity))


def _cross_check(names: Names, uid: str, said: str) -> Dataset:
    entry = sr.coded("HAS PROPERTIES", "cross_check", f"cross_{said}")
    if uid:
        sr.below(entry, [sr.image("INFERRED FROM", "illustration", reference(names, uid))])
    return entry


def coded_measurement(names: Names, measurement: Measurement) -> Dataset:
    """A measurement as this document has it; the companion document has the same for programs."""
    item = names.item(measurement.item)
    made = measurement.computed
    return sr.below(
        computed.headline(made)
        if made
        else sr.number(measurement.kind, measurement.value, f"unit_{measurement.unit}"),
        [
            *sr.identifier(measurement.id),
            sr.uid_item(
                "HAS OBS CONTEXT", "tracking_unique_identifier", measurement_uid(names, measurement)
            ),
            method(names, measurement),
            *sites(item, identified=True),
            *_view(names, measurement.view),
            *sr.text("HAS PROPERTIES", "calibration", measurement.calibration),
            *sr.text("HAS PROPERTIES", "of_finding", measurement.finding),
            *sr.text("HAS PROPERTIES", "comment", measurement.note),
            drawn(names, measurement),
            *(computed.words(made) if made else []),
            *(computed.others(made) if made else []),
        ],
    )


def measurement_uid(names: Names, measurement: Measurement) -> str:
    """The tracking UID, the same in every document and version of this study."""
    return sr.tracking_uid(names.content.facts.study_uid, f"measurement/{measurement.id}")


def method(names: Names, measurement: Measurement) -> Dataset:
    """How the image was calibrated, as the measurement's method.

    A ball or ruler that the reader accepted on the image counts for more than its header.
    """
    if measurement.unit == "px":
        kind = "none"
    elif _scaled(names, measurement):
        kind = "fiducial"
    else:
        kind = names.image(measurement.view).spacing.kind
    return sr.coded("HAS CONCEPT MOD", "measurement_method", f"calibrated_{kind}")


def _scaled(names: Names, measurement: Measurement) -> bool:
    made = measurement.computed
    if made is not None and made.scale is not None:
        return True
    return any(
        m.view == measurement.view and m.computed and m.computed.kind in ("ball", "ruler")
        for m in names.content.reading.measurements
    )


def drawn(names: Names, measurement: Measurement) -> Dataset:
    """The points on the image; an angle as start, centre, centre, end, as viewers expect it."""
    if measurement.computed is not None:
        return computed.marked(measurement, reference(names, measurement.view))
    points = measurement.points
    if measurement.kind == "angle":
        points = (points[0], points[1], points[1], points[2])
    return sr.polyline(points, "illustration", reference(names, measurement.view))


def _rule_outs(names: Names) -> list[Dataset]:
    answered = {rule_out.id for rule_out in names.content.reading.rule_outs}
    return [
        *(_rule_out(names, rule_out) for rule_out in names.content.reading.rule_outs),
        *(
            sr.below(
                sr.coded("CONTAINS", "rule_out", candidate.code),
                [
                    *sr.identifier(candidate.id),
                    sr.coded("HAS PROPERTIES", "verdict", "not_evaluated"),
                ],
            )
            for candidate in names.content.template.rule_outs
            if candidate.id not in answered
        ),
    ]


def _rule_out(names: Names, rule_out: RuleOut) -> Dataset:
    entry = sr.coded("CONTAINS", "rule_out", names.candidate(rule_out.id).code)
    return sr.below(
        entry,
        [
            *sr.identifier(rule_out.id),
            sr.coded("HAS PROPERTIES", "verdict", sentences.VERDICTS[rule_out.verdict]),
            *sr.text("HAS PROPERTIES", "comment", rule_out.note),
            *(_evidence(names, identity) for identity in rule_out.evidence),
        ],
    )


def _evidence(names: Names, identity: str) -> Dataset:
    """A finding or an item that a verdict rests on, by value with our id."""
    finding = names.finding(identity)
    if finding is not None:
        entry = sr.coded("INFERRED FROM", "finding", finding_code(finding))
        item = names.item(finding.item)
    else:
        item = names.item(identity)
        entry = sr.coded("INFERRED FROM", "normality", _overall(names, item))
    return sr.below(entry, [*sr.identifier(identity), *sites(item)])


def _overall(names: Names, item: TemplateItem) -> str:
    """The code keyword of an item over all its views: the worst that was observed."""
    seen = {
        observation.value
        for uid in names.asked_views(item)
        if (observation := names.observation(item.id, uid))
    }
    worst = ("abnormal", "undetermined", "variant", "normal", "not_assessable")
    return next((value for value in worst if value in seen), "not_evaluated")


def sites(item: TemplateItem, *, identified: bool = False) -> list[Dataset]:
    """The structure by our code and the region by the standard one, each with its side.

    `identified`: with the item's id below the structure, where the entry has an id of its own.
    """
    codes = [item.code, *([item.site] if item.site != item.code else [])]
    found = []
    for code in codes:
        site = sr.coded("HAS CONCEPT MOD", "finding_site", code)
        side = SIDES.get(item.side)
        if side:
            sr.below(site, [sr.coded("HAS CONCEPT MOD", "laterality", side)])
        found.append(site)
    if identified:
        sr.below(found[0], sr.identifier(item.id))
    return found


def _view(names: Names, uid: str) -> list[Dataset]:
    view = names.view(uid)
    code = view_code(view)
    if code is not None:
        entry = sr.coded("HAS CONCEPT MOD", "image_view", code)
        position = view_position(view)
        if position is not None:
            sr.below(entry, [sr.coded("HAS CONCEPT MOD", "image_view_modifier", position)])
        return [entry]
    return sr.text("HAS CONCEPT MOD", "image_view", view.label)


def reference(names: Names, uid: str) -> sr.ImageReference:
    """What names the image of a view."""
    image = names.image(uid)
    return sr.ImageReference(uid, image.sop_class_uid, image.series_uid)


def target_regions(content: ReportContent) -> list[Code]:
    """The standard codes of the regions that are reported."""
    return list(dict.fromkeys(item.site for item in content.template.items))
