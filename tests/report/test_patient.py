"""What the documents take over from the images, so that the archive files them rightly."""

from pathlib import Path

import pytest
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag

from dicom_service.intake.model import Signalment
from dicom_service.report import build, problems
from dicom_service.report.model import ReportContent

from .conftest import DEVICE, DPA, IDENTITY, image_header, make_facts, reread

ANIMAL = (
    "PatientSpeciesCodeSequence",
    "PatientSpeciesDescription",
    "PatientBreedDescription",
    "PatientBreedCodeSequence",
    "BreedRegistrationSequence",
    "ResponsiblePerson",
    "ResponsiblePersonRole",
    "ResponsibleOrganization",
    "PatientSexNeutered",
)


def test_the_animal_and_its_owner_are_copied(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    made = reread(build(content, IDENTITY, DEVICE, evidence).report, tmp_path)
    assert str(made.PatientName) == "Krüger^Bello"
    assert (made.PatientID, made.PatientBirthDate, made.PatientSex) == ("D-4711", "20190501", "M")
    assert made.PatientSpeciesCodeSequence[0].CodeValue == "448771007"
    assert made.PatientBreedCodeSequence[0].CodeMeaning == "Labrador retriever"
    assert str(made.ResponsiblePerson) == "Krüger^Jörg"
    assert (made.ResponsiblePersonRole, made.PatientSexNeutered) == ("OWNER", "ALTERED")
    assert str(made.ReferringPhysicianName) == "Sørensen^Åse"
    assert (made.StudyID, made.StudyDate, made.AccessionNumber) == ("S1", "20260304", "A-100")


def test_names_in_another_character_set_arrive_intact(
    content: ReportContent, tmp_path: Path
) -> None:
    header = image_header(DPA, 1, "DPA")
    header.SpecificCharacterSet = ["", "ISO 2022 IR 87"]
    header.PatientName = "Yamada^Pochi=山田^ポチ"
    header.ResponsiblePerson = "Yamada^Taro=山田^太郎"
    header.ReferringPhysicianName = ""
    header.PatientBreedCodeSequence[0].CodeMeaning = "柴犬"
    header.file_meta = build(content, IDENTITY, DEVICE, [header]).report.file_meta
    source = reread(header, tmp_path)
    made = reread(build(content, IDENTITY, DEVICE, [source]).report, tmp_path)
    assert str(made.PatientName) == "Yamada^Pochi=山田^ポチ"
    assert str(made.ResponsiblePerson) == "Yamada^Taro=山田^太郎"
    assert made.PatientBreedCodeSequence[0].CodeMeaning == "柴犬"


def test_a_species_that_only_intake_knew_makes_the_animal_complete(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    for header in evidence:
        for keyword in ANIMAL:
            if keyword in header:
                delattr(header, keyword)
    made = build(content, IDENTITY, DEVICE, evidence).report
    assert made.PatientSpeciesCodeSequence[0].CodeValue == "448771007"
    assert all(k in made for k in ANIMAL if k not in ("PatientSpeciesDescription", ANIMAL[6]))
    assert problems(made, None, evidence) == (
        *(p for p in problems(made, None, evidence) if "tracked as" in p),
    )


def test_an_animal_of_no_known_species_is_still_an_animal(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    for header in evidence:
        del header.PatientSpeciesCodeSequence
    facts = make_facts(signalment=Signalment(patient_name="Bello"))
    made = build(content.model_copy(update={"facts": facts}), IDENTITY, DEVICE, evidence).report
    assert made.PatientSpeciesDescription == "Not stated"
    assert made.PatientBreedDescription == "Labrador"


@pytest.mark.parametrize("human", ["nothing", "code", "words"])
def test_a_human_study_gets_no_animal_attributes(
    human: str, content: ReportContent, evidence: list[Dataset]
) -> None:
    for header in evidence:
        for keyword in ANIMAL:
            if keyword in header:
                delattr(header, keyword)
        if human == "code":
            species = Dataset()
            species.CodeValue, species.CodingSchemeDesignator = "337915000", "SCT"
            species.CodeMeaning = "Homo sapiens"
            header.PatientSpeciesCodeSequence = [species]
        if human == "words":
            header.PatientSpeciesDescription = "Human"
    facts = make_facts(signalment=Signalment(patient_name="Doe^Jane"))
    made = build(content.model_copy(update={"facts": facts}), IDENTITY, DEVICE, evidence)
    assert not any(keyword in made.report for keyword in ANIMAL)
    assert problems(made.report, made.measurements, evidence) == ()


@pytest.mark.parametrize(
    ("keyword", "value", "expected"),
    [("ResponsiblePersonRole", "FRIEND", "OWNER"), ("PatientSexNeutered", "YES", "")],
)
def test_values_that_the_standard_does_not_know_are_not_passed_on(
    keyword: str, value: str, expected: str, content: ReportContent, evidence: list[Dataset]
) -> None:
    setattr(evidence[0], keyword, value)
    made = build(content, IDENTITY, DEVICE, evidence).report
    assert made.get(keyword) == expected


@pytest.mark.parametrize(
    ("keyword", "kind", "written", "kept"),
    [
        ("PatientWeight", "DS", "about twelve", None),
        ("PatientWeight", "DS", "nan", None),
        ("PatientWeight", "DS", "12,5", None),
        ("PatientWeight", "DS", " 12.50 ", "12.50"),
        ("PatientAge", "AS", "ten years", None),
        ("PatientAge", "AS", "010Y", "010Y"),
        ("PatientBirthDate", "DA", "in spring", ""),
        ("PatientBirthDate", "DA", "20261345", ""),
        ("StudyTime", "TM", "9:15", ""),
        ("StudyTime", "TM", "091500.123", "091500.123"),
    ],
)
def test_a_date_number_or_age_that_is_none_is_left_out(
    content: ReportContent,
    evidence: list[Dataset],
    tmp_path: Path,
    keyword: str,
    kind: str,
    written: str,
    kept: str | None,
) -> None:
    tag = Tag(keyword)
    data = written.encode()
    evidence[0][tag] = RawDataElement(tag, kind, len(data), data, 0, False, True)
    documents = build(content, IDENTITY, DEVICE, evidence)
    found = reread(documents.report, tmp_path).get(keyword)
    assert (found if found is None else str(found)) == kept
    assert problems(documents.report, documents.measurements, evidence) == ()


def test_the_procedure_and_request_of_the_images_are_named(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator = "XR-1", "99CLINIC"
    code.CodeMeaning = "Karpus 2 Ebenen"
    evidence[0].ProcedureCodeSequence = [code]
    asked = Dataset()
    asked.RequestedProcedureID, asked.RequestedProcedureDescription = "RP1", "Röntgen Karpus"
    evidence[0].RequestAttributesSequence = [asked]
    made = build(content, IDENTITY, DEVICE, evidence).report
    assert made.PerformedProcedureCodeSequence[0].CodeMeaning == "Karpus 2 Ebenen"
    assert made.ReferencedRequestSequence[0].RequestedProcedureID == "RP1"


def test_a_study_without_any_header_still_makes_a_document(content: ReportContent) -> None:
    made = build(content, IDENTITY, DEVICE, [])
    assert made.report.PatientID == ""
    assert made.report.AccessionNumber == content.facts.accession_number
