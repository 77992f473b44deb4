"""Our own rules find the defects that no validator looks for; each has a seeded document."""

from collections.abc import Callable
from pathlib import Path

import pytest
from pydicom.dataset import Dataset

from dicom_service.codes import get
from dicom_service.report import Documents, build, problems
from dicom_service.report.build import PRIVATE_CREATOR, PRIVATE_GROUP
from dicom_service.report.model import ReportContent
from dicom_service.report.walk import child, children, everything, name_of

from .conftest import DEVICE, DPA, IDENTITY, make_reading, of_kind, reread

Seed = Callable[[Dataset, Dataset], None]


def found(document: Dataset, keyword: str) -> Dataset:
    """The first item with this name."""
    return next(i.item for i in everything(document) if name_of(i.item) == get(keyword).key)


def of_type(document: Dataset, value_type: str) -> Dataset:
    """The first item of this value type."""
    return next(i.item for i in everything(document) if i.item.get("ValueType") == value_type)


@pytest.mark.parametrize("kind", ["template", "draft", "final", "addendum", "correction"])
def test_what_we_build_breaks_no_rule(
    kind: str, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    made = build(of_kind(kind, content), IDENTITY, DEVICE, evidence)
    assert problems(made.report, made.measurements, evidence) == ()
    assert problems(reread(made.report, tmp_path), made.measurements, evidence) == ()


def _no_species(report: Dataset, _: Dataset) -> None:
    del report.PatientSpeciesCodeSequence


def _no_breed(report: Dataset, _: Dataset) -> None:
    del report.PatientBreedCodeSequence


def _all_animal_gone(_: Dataset, measurements: Dataset) -> None:
    for element in list(measurements):
        if element.keyword.startswith(("PatientSpecies", "PatientBreed", "PatientSexN", "Respons")):
            del measurements[element.tag]


def _other_meaning(report: Dataset, _: Dataset) -> None:
    found(report, "normality").ConceptCodeSequence[0].CodeMeaning = "Abnormal"


def _other_structure(_: Dataset, measurements: Dataset) -> None:
    found(measurements, "finding_site").ConceptCodeSequence[0].CodeMeaning = "tail"


def _unknown_code(report: Dataset, _: Dataset) -> None:
    found(report, "cross_check").ConceptCodeSequence[0].CodeValue = "XMAYBE"


def _other_unit(_: Dataset, measurements: Dataset) -> None:
    unit = of_type(measurements, "NUM").MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0]
    unit.CodeMeaning = "centimetre"


def _no_template(report: Dataset, _: Dataset) -> None:
    del report.ContentTemplateSequence


def _other_template(_: Dataset, measurements: Dataset) -> None:
    measurements.ContentTemplateSequence[0].TemplateIdentifier = "1501"


def _no_purpose(report: Dataset, _: Dataset) -> None:
    series = report.PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
    del series.ReferencedSOPSequence[0].PurposeOfReferenceCodeSequence


def _other_tracking(_: Dataset, measurements: Dataset) -> None:
    found(measurements, "tracking_unique_identifier").UID = "1.2.3"


def _outside(report: Dataset, _: Dataset) -> None:
    of_type(report, "SCOORD").GraphicData = [1.0, 1.0, 600.5, 20.0]


def _below_zero(_: Dataset, measurements: Dataset) -> None:
    of_type(measurements, "SCOORD").GraphicData = [1.0, -0.25, 60.0, 20.0]


def _other_image(_: Dataset, measurements: Dataset) -> None:
    image = children(of_type(measurements, "SCOORD"))[0]
    image.ReferencedSOPSequence[0].ReferencedSOPInstanceUID = "1.2.3.4"


def _not_evidence(report: Dataset, _: Dataset) -> None:
    series = report.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence[0]
    series.ReferencedSOPSequence = series.ReferencedSOPSequence[1:]


def _no_answer(report: Dataset, _: Dataset) -> None:
    coded = child(report, "coded_observations")
    bone = child(coded or Dataset(), "section_bone")
    structure = children(bone or Dataset())[1]
    structure.ContentSequence = structure.ContentSequence[:1]


def _other_side(report: Dataset, _: Dataset) -> None:
    code = found(report, "laterality").ConceptCodeSequence[0]
    code.CodeValue, code.CodeMeaning = get("left").value, get("left").meaning


def _other_side_of_measurement(_: Dataset, measurements: Dataset) -> None:
    _other_side(measurements, measurements)


def _open_question(report: Dataset, _: Dataset) -> None:
    code = found(report, "normality").ConceptCodeSequence[0]
    code.CodeValue, code.CodeMeaning = get("not_evaluated").value, get("not_evaluated").meaning


def _no_name(report: Dataset, _: Dataset) -> None:
    del of_type(report, "IMAGE").ConceptNameCodeSequence


def _odd_flags(report: Dataset, _: Dataset) -> None:
    report.CompletionFlag = "PARTIAL"


def _other_state(_: Dataset, measurements: Dataset) -> None:
    measurements.PreliminaryFlag = "PRELIMINARY"


def _printed_state(report: Dataset, _: Dataset) -> None:
    code = found(report, "document_state").ConceptCodeSequence[0]
    code.CodeValue, code.CodeMeaning = get("state_draft").value, get("state_draft").meaning


def _nobody_verified(report: Dataset, _: Dataset) -> None:
    del report.VerifyingObserverSequence


def _damaged_copy(report: Dataset, _: Dataset) -> None:
    report.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)[0x01].value = "no JSON"


SEEDS: list[tuple[Seed, str]] = [
    (_no_species, "Report: .* its species is missing"),
    (_no_breed, "Report: .* attribute PatientBreedCodeSequence is missing"),
    (_all_animal_gone, "Measurements: .* its species is missing"),
    (_other_meaning, "Report: the item 1\\.[0-9.]+ calls the code 17621005 'Abnormal', not"),
    (_other_structure, "Measurements: .* calls the code T-RADIUS 'tail'"),
    (_unknown_code, "Report: .* has the code XMAYBE, which is not in our list"),
    (_other_unit, "Measurements: .* calls the code mm 'centimetre'"),
    (_no_template, "Report: the root does not name its template 99SESAMOID LIMBREADING"),
    (_other_template, "Measurements: the root does not name its template DCMR 1500"),
    (_no_purpose, "Report: the predecessor .* without a purpose"),
    (_other_tracking, "The measurement tracked as 1.2.3 is missing in the report"),
    (_outside, "Report: the coordinates 1\\.[0-9.]+ have the point \\(600.5, 20\\) outside"),
    (_below_zero, "Measurements: the coordinates .* point \\(1, -0.25\\) outside"),
    (_other_image, "Measurements: the coordinates .* lie on 1.2.3.4, which is no image"),
    (_not_evidence, "Report: the item .* not listed as evidence"),
    (_no_answer, "Report: test ulna has neither answer nor open question for image"),
    (_other_side, "Report: the item .* says side L, but its image shows side R"),
    (_other_side_of_measurement, "Measurements: the item .* says side L, but its image"),
    (_open_question, "Report: it is signed with 1 questions open"),
    (_no_name, "Report: the item .* \\(IMAGE\\) has no concept name"),
    (_odd_flags, "Report: the flags PARTIAL, VERIFIED, FINAL do not go together"),
    (_other_state, "Measurements: the flags COMPLETE, VERIFIED, PRELIMINARY do not go"),
    (_printed_state, "Report: the flags COMPLETE, VERIFIED, FINAL contradict the state"),
    (_nobody_verified, "Report: a verified document, and only that, names who"),
    (_damaged_copy, "damaged"),
]


@pytest.mark.parametrize(("seed", "sentence"), SEEDS)
def test_a_seeded_defect_is_found_and_located(
    seed: Seed, sentence: str, content: ReportContent, evidence: list[Dataset]
) -> None:
    made = build(of_kind("addendum", content), IDENTITY, DEVICE, evidence)
    assert made.measurements is not None
    seed(made.report, made.measurements)
    said = problems(made.report, made.measurements, evidence)
    pytest.fail("nothing was found") if not said else None
    with pytest.raises(AssertionError, match=sentence):
        raise AssertionError("\n".join(said))


def test_a_missing_companion_is_found(made: Documents, evidence: list[Dataset]) -> None:
    said = problems(made.report, None, evidence)
    assert len(said) == 2
    assert all("is missing in the measurement document" in sentence for sentence in said)


def test_open_questions_may_be_signed_with_a_reason(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    for reason, expected in (("", 1), ("The owner left.", 0)):
        reading = make_reading(content.template, observations={}, open_accepted=reason)
        built = content.model_copy(update={"reading": reading})
        made = build(built, IDENTITY, DEVICE, evidence)
        assert len(problems(made.report, made.measurements, evidence)) == expected


def test_tags_that_contradict_themselves_leave_the_side_to_intake(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    for header in evidence:
        header.ImageLaterality = "L"
    made = build(content, IDENTITY, DEVICE, evidence)
    assert problems(made.report, made.measurements, evidence) == ()
    for header in evidence:
        header.Laterality = "L"
    said = problems(made.report, made.measurements, evidence)
    assert any("says side R, but its image shows side L" in sentence for sentence in said)
    assert DPA in {header.SOPInstanceUID for header in evidence}
