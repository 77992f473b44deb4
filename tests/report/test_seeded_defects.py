"""Every defect that some outside tool misses is found by our own rules alone.

The list is that of the defects which were tried on dciodvfy, dsrdump, highdicom and a dictionary
of the standard; no tool finds all of them, and four are found by none.
"""

from collections.abc import Callable

import pytest
from pydicom.dataset import Dataset

from dicom_service.report import build, problems, problems_of_any
from dicom_service.report.model import ReportContent
from dicom_service.report.walk import children, everything

from .conftest import DEVICE, IDENTITY, of_kind

EVIDENCE = "CurrentRequestedProcedureEvidenceSequence"
ANIMAL = ("PatientSpecies", "PatientBreed", "BreedReg", "PatientSexN", "Responsible")


def first(document: Dataset, value_type: str, relation: str = "") -> Dataset:
    return next(
        item
        for item, _ in everything(document)
        if item.get("ValueType") == value_type
        and (not relation or item.get("RelationshipType") == relation)
    )


def without(*keywords: str) -> Callable[[Dataset], None]:
    def seed(report: Dataset) -> None:
        for element in list(report):
            if element.keyword.startswith(keywords):
                del report[element.tag]

    return seed


def with_values(**values: object) -> Callable[[Dataset], None]:
    def seed(report: Dataset) -> None:
        for keyword, value in values.items():
            setattr(report, keyword, value)

    return seed


def _unlisted_image(report: Dataset) -> None:
    row = first(report, "IMAGE").ReferencedSOPSequence[0]
    row.ReferencedSOPInstanceUID = "1.2.3.4.5"


def _coordinates_alone(report: Dataset) -> None:
    del first(report, "SCOORD").ContentSequence


def _container_as_property(report: Dataset) -> None:
    code = first(report, "CODE", "CONTAINS")
    below = Dataset()
    below.ValueType, below.RelationshipType = "CONTAINER", "HAS PROPERTIES"
    below.ContinuityOfContent = "SEPARATE"
    below.ConceptNameCodeSequence = code.ConceptNameCodeSequence
    code.ContentSequence = [*(code.get("ContentSequence") or []), below]


def _coordinates_as_modifier(report: Dataset) -> None:
    first(report, "SCOORD").RelationshipType = "HAS CONCEPT MOD"


def _number_without_unit(report: Dataset) -> None:
    del first(report, "NUM").MeasuredValueSequence[0].MeasurementUnitsCodeSequence


def _odd_coordinates(report: Dataset) -> None:
    first(report, "SCOORD").GraphicData = [1.0, 2.0, 3.0]


def _space_coordinates(report: Dataset) -> None:
    item = first(report, "SCOORD")
    item.ValueType = "SCOORD3D"
    item.ReferencedFrameOfReferenceUID = "1.2.3"


def _no_scheme(report: Dataset) -> None:
    del first(report, "CODE").ConceptCodeSequence[0].CodingSchemeDesignator


def _empty_text(report: Dataset) -> None:
    first(report, "TEXT").TextValue = ""


def _long_meaning(report: Dataset) -> None:
    first(report, "CODE").ConceptCodeSequence[0].CodeMeaning = "x" * 65


def _long_value(report: Dataset) -> None:
    first(report, "CODE").ConceptCodeSequence[0].CodeValue = "1" * 17


def _wrong_meaning(report: Dataset) -> None:
    first(report, "CODE").ConceptCodeSequence[0].CodeMeaning = "Something else"


def _no_purpose(report: Dataset) -> None:
    series = report.PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
    del series.ReferencedSOPSequence[0].PurposeOfReferenceCodeSequence


def _no_context(report: Dataset) -> None:
    kept = [i for i in children(report) if i.RelationshipType != "HAS OBS CONTEXT"]
    report.ContentSequence = kept


def _no_language(report: Dataset) -> None:
    report.ContentSequence = [
        i for i in children(report) if i.ConceptNameCodeSequence[0].CodeValue != "121049"
    ]


DEFECTS: dict[str, tuple[Callable[[Dataset], None], str]] = {
    "species missing": (without("PatientSpecies"), "species is missing"),
    "breed missing": (without("PatientBreedCode"), "PatientBreedCodeSequence is missing"),
    "neutered missing": (without("PatientSexN"), "PatientSexNeutered is missing"),
    "all animal attributes missing": (without(*ANIMAL), "species is missing"),
    "role missing": (without("ResponsiblePersonRole"), "without a role"),
    "verified but partial": (with_values(CompletionFlag="PARTIAL"), "verified but not complete"),
    "verified by nobody": (without("VerifyingObserver"), "names who verified"),
    "unverified by somebody": (with_values(VerificationFlag="UNVERIFIED"), "names who verified"),
    "image not in evidence": (_unlisted_image, "1.2.3.4.5, which is not listed as evidence"),
    "no evidence": (without(EVIDENCE), "not listed as evidence"),
    "coordinates without image": (_coordinates_alone, "not selected from an image"),
    "container as property": (_container_as_property, "CODE HAS PROPERTIES CONTAINER"),
    "coordinates as modifier": (_coordinates_as_modifier, "HAS CONCEPT MOD SCOORD"),
    "number without unit": (_number_without_unit, "has no unit"),
    "odd coordinates": (_odd_coordinates, "odd count of numbers (3)"),
    "coordinates in space": (_space_coordinates, "three-dimensional coordinates"),
    "code without scheme": (_no_scheme, "without its scheme"),
    "empty text": (_empty_text, "(TEXT) has no value"),
    "long meaning": (_long_meaning, "meaning of 65 characters"),
    "long value": (_long_value, "longer than 16 characters"),
    "wrong modality": (with_values(Modality="OT"), "the modality is 'OT'"),
    "wrong meaning": (_wrong_meaning, "'Something else', not"),
    "template id missing": (without("ContentTemplateSequence"), "does not name its template"),
    "predecessor without purpose": (_no_purpose, "named without a purpose"),
    "observation context missing": (_no_context, "no observer is stated"),
    "language missing": (_no_language, "language of the document is not stated"),
}


@pytest.mark.filterwarnings("ignore::UserWarning:pydicom.*")  # it knows what is seeded
@pytest.mark.parametrize("name", DEFECTS)
def test_a_seeded_defect_is_caught_by_our_own_rules(
    name: str, content: ReportContent, evidence: list[Dataset]
) -> None:
    seed, sentence = DEFECTS[name]
    made = build(of_kind("addendum", content), IDENTITY, DEVICE, evidence)
    assert problems(made.report, made.measurements, evidence) == ()
    seed(made.report)
    said = problems(made.report, made.measurements, evidence)
    assert any(sentence in line for line in said), said


def test_a_number_that_was_not_taken_is_no_defect(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    made = build(content, IDENTITY, DEVICE, evidence).report
    before = problems_of_any(made)
    first(made, "NUM").MeasuredValueSequence = []
    assert problems_of_any(made) == before


def test_a_tree_that_is_too_deep_is_one_sentence() -> None:
    root = item = Dataset()
    for _ in range(5000):
        below = Dataset()
        item.ContentSequence = [below]
        item = below
    assert problems_of_any(root) == ("the content tree is 5001 levels deep; 100 are looked at.",)
