"""Independent programs accept what we write; a missing program fails the test."""

from pathlib import Path

import highdicom
import pydicom
import pytest
from pydicom.dataset import Dataset

from dicom_service.codes import Code
from dicom_service.intake.model import Signalment
from dicom_service.report import Documents, build, problems, read
from dicom_service.report.items import coded
from dicom_service.report.model import ReportContent
from dicom_service.validators import available, outside_problems, template_errors

from .conftest import (
    DEVICE,
    DPA,
    IDENTITY,
    ML,
    image_header,
    make_facts,
    make_reading,
    make_template,
    of_kind,
    saved,
)
from .test_round_trip import ODD_TEXTS, free_text

pytestmark = pytest.mark.peer


def assert_clean(made: Documents, evidence: list[Dataset], folder: Path) -> None:
    """Both documents pass dciodvfy, dsrdump, highdicom and our own rules."""
    assert available() == ("dciodvfy", "dsrdump", "dcmpschk", "DicomSRValidator")
    for name, document in (("report", made.report), ("measurements", made.measurements)):
        if document is not None:
            path = saved(document, folder, name)
            assert outside_problems(path) == []
            highdicom.sr.srread(path)
    assert problems(made.report, made.measurements, evidence) == ()


@pytest.mark.parametrize("kind", ["template", "draft", "final", "addendum", "correction"])
def test_every_kind_is_valid(
    kind: str, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    assert_clean(build(of_kind(kind, content), IDENTITY, DEVICE, evidence), evidence, tmp_path)


def test_a_reading_without_measurements_is_valid(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    reading = make_reading(content.template, measurements=())
    built = content.model_copy(update={"reading": reading})
    assert_clean(build(built, IDENTITY, DEVICE, evidence), evidence, tmp_path)


def test_an_almost_empty_reading_is_valid(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    empty = content.reading.model_copy(
        update={
            **dict.fromkeys(("findings", "measurements", "rule_outs", "differentials"), ()),
            **dict.fromkeys(("history", "technique", "impression", "recommendations"), ""),
            "observations": {},
            "open_accepted": "only a test",
        }
    )
    bare = content.model_copy(update={"reading": empty, "findings_text": ""})
    assert_clean(build(bare, IDENTITY, DEVICE, evidence), evidence, tmp_path)


def test_images_without_spacing_and_orientation_do(content: ReportContent, tmp_path: Path) -> None:
    plain = [image_header(DPA, 1, "DPA", spacing=False), image_header(ML, 2, "ML", spacing=False)]
    images = tuple(
        image.model_copy(update={"spacing": image.spacing.model_copy(update={"kind": "none"})})
        for image in content.facts.images
    )
    pixels = tuple(
        m.model_copy(update={"unit": "px"}) if m.unit == "mm" else m
        for m in content.reading.measurements
    )
    built = content.model_copy(
        update={
            "facts": content.facts.model_copy(update={"images": images}),
            "reading": make_reading(content.template, measurements=pixels),
        }
    )
    assert_clean(build(built, IDENTITY, DEVICE, plain), plain, tmp_path)


def test_a_human_study_is_valid_without_animal_attributes(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    for header in evidence:
        for element in list(header):
            if element.keyword.startswith(
                ("PatientSp", "PatientBr", "Breed", "Resp", "PatientSexN")
            ):
                del header[element.tag]
    built = content.model_copy(
        update={"facts": make_facts(signalment=Signalment(patient_name="Doe^Jane"))}
    )
    made = build(built, IDENTITY, DEVICE, evidence)
    assert "PatientSpeciesDescription" not in made.report
    assert_clean(made, evidence, tmp_path)


@pytest.mark.parametrize("missing", ["PatientSpeciesCodeSequence", "ResponsiblePersonRole", "all"])
def test_incomplete_animals_are_made_valid(
    missing: str, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    for header in evidence:
        for element in list(header):
            animal = element.keyword.startswith(("PatientSpec", "PatientBreed", "Respons"))
            if element.keyword == missing or (missing == "all" and animal):
                del header[element.tag]
    assert_clean(build(content, IDENTITY, DEVICE, evidence), evidence, tmp_path)


@pytest.mark.parametrize("text", ODD_TEXTS)
def test_odd_texts_are_valid(text: str, evidence: list[Dataset], tmp_path: Path) -> None:
    assert_clean(build(free_text(text), IDENTITY, DEVICE, evidence), evidence, tmp_path)


def test_a_large_reading_is_valid(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    template = make_template(176)
    built = content.model_copy(update={"template": template, "reading": make_reading(template)})
    made = build(built, IDENTITY, DEVICE, evidence)
    assert len(template.items) == 180
    assert_clean(made, evidence, tmp_path)
    assert read(pydicom.dcmread(tmp_path / "report.dcm")) == built


def test_highdicom_finds_the_measurements(made: Documents, tmp_path: Path) -> None:
    assert made.measurements is not None
    document = highdicom.sr.srread(saved(made.measurements, tmp_path))
    groups = document.content.get_image_measurement_groups()
    values = [group.get_measurements()[0].value for group in groups]
    assert values == [10.123456789, 5.84]


def test_the_measurement_document_follows_its_template(made: Documents, tmp_path: Path) -> None:
    assert made.measurements is not None
    path = saved(made.measurements, tmp_path)
    assert template_errors(path) == []


def test_the_template_validator_would_have_told(made: Documents, tmp_path: Path) -> None:
    assert made.measurements is not None
    outside_its_context_group = Code(value="168537006", scheme="SCT", meaning="Plain radiography")
    made.measurements.ContentSequence.insert(
        1, coded("HAS CONCEPT MOD", "procedure_reported", outside_its_context_group)
    )
    assert template_errors(saved(made.measurements, tmp_path))


def test_the_report_has_no_error_in_what_the_template_validator_knows(
    made: Documents, tmp_path: Path
) -> None:
    assert template_errors(saved(made.report, tmp_path)) == []


def test_outside_validators_are_heard(made: Documents, tmp_path: Path) -> None:
    made.report.VerificationFlag = "UNVERIFIED"
    entry = made.report.ContentSequence[-1].ContentSequence[0]
    entry.RelationshipType = "HAS PROPERTIES"
    said = outside_problems(saved(made.report, tmp_path))
    assert any(line.startswith("dciodvfy: Error") for line in said)
    assert any(line.startswith("dsrdump: ") for line in said)
