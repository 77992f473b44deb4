"""An image whose name or number breaks the standard still gets a report that does not."""

from pathlib import Path

import pytest
from pydicom import config
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

from dicom_service.report import build, problems, read
from dicom_service.report.model import ReportContent
from dicom_service.validators import outside_problems
from tests.peers import Program

from .conftest import DEVICE, IDENTITY, reread, saved


def _send(evidence: list[Dataset], keyword: str, written: object) -> None:
    for header in evidence:
        tag, vr = tag_for_keyword(keyword), dictionary_VR(keyword)
        header.add(DataElement(tag, vr, written, validation_mode=config.IGNORE))


@pytest.mark.parametrize(
    ("keyword", "written", "kept"),
    [
        ("PatientName", "K" * 70 + "^Bello", "K" * 57 + "…^Bello"),
        ("PatientName", "Krüger\\Bello", "Krüger/Bello"),
        ("PatientName", "a^b^c^d^e^f", "a^b^c^d^e f"),
        ("PatientID", "X" * 70, "X" * 64),
        ("PatientID", ["12", "34"], "12/34"),
        ("PatientID", "12\x0734", "12 34"),
        ("StudyID", "12345678901234567", "1234567890123456"),
        ("AccessionNumber", "12345678901234567", "1234567890123456"),
        ("PatientSpeciesDescription", "S" * 70, "S" * 63 + "…"),
        ("TypeOfPatientID", "text", None),
        ("StudyTime", "9:15", ""),
    ],
)
def test_a_value_that_breaks_its_vr_is_fitted_and_its_original_kept(
    content: ReportContent,
    evidence: list[Dataset],
    tmp_path: Path,
    program: Program,
    keyword: str,
    written: object,
    kept: str | None,
) -> None:
    program("dciodvfy")
    _send(evidence, keyword, written)
    made = build(content, IDENTITY, DEVICE, evidence)
    for name, document in (("report", made.report), ("measurements", made.measurements)):
        assert document is not None
        assert outside_problems(saved(document, tmp_path, name)) == []
    assert problems(made.report, made.measurements, evidence) == ()
    found = reread(made.report, tmp_path)
    assert read(found) == content
    assert found.StudyInstanceUID == evidence[0].StudyInstanceUID
    assert (str(found[keyword].value) if keyword in found else None) == kept
    original = "\\".join(written) if isinstance(written, list) else str(written)
    (change,) = found.OriginalAttributesSequence
    (value,) = change.NonconformingModifiedAttributesSequence
    assert value.SelectorAttribute == tag_for_keyword(keyword)
    assert value.NonconformingDataElementValue.decode().rstrip() == original
    assert list(change.ModifiedAttributesSequence[0].keys()) == [tag_for_keyword(keyword)]


@pytest.mark.parametrize(
    ("keyword", "written"),
    [("PatientName", "山" * 64), ("PatientID", "ü" * 64), ("StudyID", "ü" * 16)],
)
def test_letters_are_counted_not_their_bytes(
    content: ReportContent,
    evidence: list[Dataset],
    tmp_path: Path,
    program: Program,
    keyword: str,
    written: str,
) -> None:
    program("dciodvfy")
    _send(evidence, keyword, written)
    made = build(content, IDENTITY, DEVICE, evidence).report
    assert str(made[keyword].value) == written
    assert outside_problems(saved(made, tmp_path)) == []
    _send([made], keyword, written + written[0])
    assert any("Length invalid" in line for line in outside_problems(saved(made, tmp_path)))


def test_values_that_fit_leave_no_trace(content: ReportContent, evidence: list[Dataset]) -> None:
    made = build(content, IDENTITY, DEVICE, evidence).report
    assert "OriginalAttributesSequence" not in made


def test_a_long_code_moves_to_where_it_fits_and_one_without_scheme_is_left_out(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    for header in evidence:
        breed = header.PatientBreedCodeSequence[0]
        tag = tag_for_keyword("CodeValue")
        breed.add(DataElement(tag, "SH", "1" * 20, validation_mode=config.IGNORE))
        tag = tag_for_keyword("CodeMeaning")
        breed.add(DataElement(tag, "LO", "M" * 70, validation_mode=config.IGNORE))
        asked = Dataset()
        asked.CodeValue, asked.CodeMeaning = "X", "A code of nobody"
        header.ProcedureCodeSequence = [asked]
    made = build(content, IDENTITY, DEVICE, evidence).report
    (kept,) = made.PatientBreedCodeSequence
    assert kept.LongCodeValue == "1" * 20
    assert kept.CodeMeaning == "M" * 63 + "…"
    assert "CodeValue" not in kept
    assert made.PerformedProcedureCodeSequence == []
    assert outside_problems(saved(made, tmp_path)) == []


@pytest.mark.filterwarnings("ignore:Invalid value for VR UI")
def test_the_form_of_a_uid_that_the_images_came_with_is_not_held_against_the_report(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path, program: Program
) -> None:
    program("dciodvfy")
    zeros = "1.2.03.4"
    _send(evidence, "StudyInstanceUID", zeros)
    facts = content.facts.model_copy(update={"study_uid": zeros})
    made = build(content.model_copy(update={"facts": facts}), IDENTITY, DEVICE, evidence).report
    path = saved(made, tmp_path)
    assert made.StudyInstanceUID == zeros
    assert outside_problems(path, {zeros}) == []
    assert any("Leading zeroes" in line for line in outside_problems(path))
    made.add(DataElement(0x00080050, "SH", "1" * 17, validation_mode=config.IGNORE))
    left = outside_problems(saved(made, tmp_path), {zeros})
    assert any("Accession" in line for line in left)
    assert not any("Leading zeroes" in line for line in left)
