"""What the two documents contain and how they refer to each other and to the study."""

import pytest
from pydicom.dataset import Dataset

from dicom_service.codes import get
from dicom_service.report import Documents, build, problems, read
from dicom_service.report.model import ReportContent
from dicom_service.report.walk import (
    child,
    children,
    everything,
    image_of,
    name_of,
    text_below,
    text_of,
    value_of,
)

from .conftest import DEVICE, DPA, IDENTITY, ML, SERIES, STUDY, image_header, make_reading, of_kind


def evidence_uids(made: Dataset, keyword: str) -> list[str]:
    return [
        row.ReferencedSOPInstanceUID
        for study in made.get(keyword, [])
        for series in study.ReferencedSeriesSequence
        for row in series.ReferencedSOPSequence
    ]


CURRENT = "CurrentRequestedProcedureEvidenceSequence"


def test_a_signed_report_lists_every_instance_of_the_study_and_its_companion(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    other = image_header(f"{SERIES}.77", 3, "OTHER")
    prior = image_header("1.2.3.4.5", 1, "DPA")
    prior.StudyInstanceUID = "1.2.3.4"
    report, measurements = build(content, IDENTITY, DEVICE, [*evidence, other, prior])
    assert measurements is not None
    own = [measurements.SOPInstanceUID]
    assert sorted(evidence_uids(report, CURRENT)) == sorted([DPA, ML, other.SOPInstanceUID, *own])
    assert sorted(evidence_uids(measurements, CURRENT)) == sorted([DPA, ML, other.SOPInstanceUID])
    assert evidence_uids(report, "PertinentOtherEvidenceSequence") == ["1.2.3.4.5"]


def test_a_draft_lists_what_it_refers_to(content: ReportContent, evidence: list[Dataset]) -> None:
    other = image_header(f"{SERIES}.77", 3, "OTHER")
    report, measurements = build(of_kind("draft", content), IDENTITY, DEVICE, [*evidence, other])
    assert measurements is not None
    assert sorted(evidence_uids(report, CURRENT)) == sorted([DPA, ML, measurements.SOPInstanceUID])
    assert evidence_uids(measurements, CURRENT) == [DPA]


def test_a_report_without_measurements_has_no_companion(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    reading = make_reading(content.template, measurements=())
    made = build(content.model_copy(update={"reading": reading}), IDENTITY, DEVICE, evidence)
    assert made.measurements is None
    assert not any(i.item.get("ValueType") == "COMPOSITE" for i in everything(made.report))


def test_the_report_refers_to_its_companion_and_shares_the_tracking_uids(made: Documents) -> None:
    assert made.measurements is not None
    composite = child(made.report, "imaging_measurement_report")
    assert composite is not None
    referenced = composite.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
    assert referenced == made.measurements.SOPInstanceUID

    def tracked(document: Dataset) -> list[str]:
        key = get("tracking_unique_identifier").key
        return [text_of(i.item) for i in everything(document) if name_of(i.item) == key]

    assert len(tracked(made.report)) == 2
    assert tracked(made.report) == tracked(made.measurements)


def test_a_measurement_keeps_its_tracking_uid_in_every_version(
    content: ReportContent, evidence: list[Dataset], made: Documents
) -> None:
    again = build(of_kind("addendum", content), IDENTITY, DEVICE, evidence)

    def uids(document: Dataset | None) -> list[str]:
        assert document is not None
        groups = children(child(document, "imaging_measurements") or Dataset())
        return [text_below(group, "tracking_unique_identifier") for group in groups]

    assert uids(again.measurements) == uids(made.measurements)


def test_the_companion_is_what_the_host_viewer_turns_into_annotations(made: Documents) -> None:
    document = made.measurements
    assert document is not None
    assert document.ContentTemplateSequence[0].TemplateIdentifier == "1500"
    groups = children(child(document, "imaging_measurements") or Dataset())
    tools = [text_below(group, "tracking_identifier") for group in groups]
    assert tools == ["Cornerstone3DTools@^0.1.0:Length", "Cornerstone3DTools@^0.1.0:Angle"]
    numbers = [next(i for i in children(group) if i.ValueType == "NUM") for group in groups]
    drawn = [next(i for i in children(n) if i.ValueType == "SCOORD") for n in numbers]
    assert [len(d.GraphicData) for d in drawn] == [4, 8]
    angle = list(drawn[1].GraphicData)
    assert angle[2:4] == angle[4:6] == [300.0, 300.0]
    assert [image_of(group) for group in groups] == [DPA, DPA]
    assert text_below(groups[0], "comment") == "right test radius, DPa"


def test_every_structure_and_view_is_not_evaluated_in_a_template(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    report, measurements = build(of_kind("template", content), IDENTITY, DEVICE, evidence)
    assert measurements is None
    normality = [i.item for i in everything(report) if name_of(i.item) == get("normality").key]
    asked = [v for item in content.template.items for v in item.visibility.values() if v != "no"]
    assert len(normality) == len(asked) == 7
    assert {value_of(item) for item in normality} == {get("not_evaluated").key}
    verdicts = [i.item for i in everything(report) if name_of(i.item) == get("verdict").key]
    assert {value_of(item) for item in verdicts} == {get("not_evaluated").key}


def test_each_observation_names_structure_region_side_view_and_image(made: Documents) -> None:
    coded = child(made.report, "coded_observations")
    assert coded is not None
    bone = child(coded, "section_bone")
    assert bone is not None
    item = children(children(bone)[0], "normality")[1]
    assert value_of(item) == get("undetermined").key
    sites = children(item, "finding_site")
    assert [value_of(s) for s in sites] == [("T-RADIUS", "99SESAMOID"), ("8205005", "SCT")]
    assert {value_of(child(s, "laterality") or Dataset()) for s in sites} == {get("right").key}
    assert value_of(child(item, "image_view") or Dataset()) == ("399260004", "SCT")
    assert image_of(item) == ML


def test_people_read_texts_under_headings_before_any_code(made: Documents) -> None:
    headings = [i for i in children(made.report) if i.ValueType == "CONTAINER"]
    assert name_of(headings[-1]) == get("coded_observations").key
    for heading in headings[:-1]:
        for item in everything(heading):
            assert item.item.ValueType in ("CONTAINER", "TEXT", "CODE")
    findings = child(made.report, "findings_heading")
    bone = child(findings or Dataset(), "section_bone")
    assert text_below(bone, "section_summary").startswith("Abnormal: right test radius (DPa).\n")


def test_prose_never_stands_under_the_name_finding(made: Documents) -> None:
    for document in made:
        assert document is not None
        for item in everything(document):
            if name_of(item.item) == get("finding").key:
                assert item.item.ValueType == "CODE"


def test_the_reader_s_own_words_bring_each_finding_as_a_sentence(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    reading = make_reading(content.template, findings_text="My words.")
    own = content.model_copy(update={"reading": reading, "findings_text": "My words."})
    report = build(own, IDENTITY, DEVICE, evidence).report
    findings = child(report, "findings_heading")
    assert findings is not None
    told = [text_of(item) for item in children(findings, "finding_text")]
    assert len(told) == 2
    assert told[0].startswith("Right test radius, DPa: ")
    assert "ML: not seen." in told[0]


def test_a_number_is_short_for_people_and_exact_for_programs(made: Documents) -> None:
    numbers = [i.item for i in everything(made.report) if i.item.get("ValueType") == "NUM"]
    measured = [n.MeasuredValueSequence[0] for n in numbers]
    assert [str(m.NumericValue) for m in measured] == ["10.12", "5.84"]
    assert measured[0].FloatingPointValue == 10.123456789
    assert "FloatingPointValue" not in measured[1]


@pytest.mark.parametrize("accession", ["A-100", ""])
def test_a_request_is_named_when_there_is_an_accession_number(
    accession: str, content: ReportContent, evidence: list[Dataset]
) -> None:
    for header in evidence:
        header.AccessionNumber = accession
    facts = content.facts.model_copy(update={"accession_number": accession})
    made = build(content.model_copy(update={"facts": facts}), IDENTITY, DEVICE, evidence).report
    requests = made.get("ReferencedRequestSequence", [])
    assert [r.AccessionNumber for r in requests] == ([accession] if accession else [])
    assert made.StudyInstanceUID == STUDY


def test_the_scheme_and_both_templates_are_identified(made: Documents) -> None:
    scheme = made.report.CodingSchemeIdentificationSequence[0]
    assert scheme.CodingSchemeDesignator == "99SESAMOID"
    template = made.report.ContentTemplateSequence[0]
    assert template.MappingResource == "99SESAMOID"
    assert template.MappingResourceUID == scheme.CodingSchemeUID
    assert made.report.SpecificCharacterSet == "ISO_IR 192"


def test_each_document_has_its_own_series_that_says_what_it_is(made: Documents) -> None:
    assert made.measurements is not None
    assert made.report.SeriesDescription == "Limb report"
    assert made.measurements.SeriesDescription == "Limb measurements"
    assert made.report.SeriesInstanceUID != made.measurements.SeriesInstanceUID


def test_a_flexed_or_stressed_view_says_its_position_and_reads_back(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    views = tuple(
        view.model_copy(update={"label": "flexed ML", "view": "flexed ML"})
        if view.uid == ML
        else view
        for view in content.template.views
    )
    images = tuple(
        image.model_copy(update={"view": "flexed ML"}) if image.uid == ML else image
        for image in content.facts.images
    )
    flexed = content.model_copy(
        update={
            "template": content.template.model_copy(update={"views": views}),
            "facts": content.facts.model_copy(update={"images": images}),
        }
    )
    report, measurements = build(flexed, IDENTITY, DEVICE, evidence)
    assert read(report) == flexed
    assert problems(report, measurements, evidence) == ()
    positions = {
        (value_of(view), value_of(position) if position is not None else None)
        for view in (i.item for i in everything(report))
        if name_of(view) == get("image_view").key
        for position in [child(view, "image_view_modifier")]
    }
    assert positions == {
        (("399260004", "SCT"), ("POS-FLEXED", "99SESAMOID")),
        (("441505008", "SCT"), None),
    }
