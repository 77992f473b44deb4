"""A withdrawal: understood by image managers, readable for people, and the same when read back."""

from pathlib import Path

import pytest
from pydicom.dataset import Dataset

from dicom_service.errors import BadObject, Refused
from dicom_service.report import build, build_withdrawal, read_withdrawal, withdrawal_problems
from dicom_service.report.model import Person, ReportContent, Withdrawal, Withdrawn
from dicom_service.validators import outside_problems

from .conftest import DEVICE, IDENTITY, LATER, STUDY, reread, saved

REPORT, MEASURED = (
    Withdrawn(
        sop_instance_uid=f"{STUDY}.{n}.1",
        sop_class_uid="1.2.840.10008.5.1.4.1.1.88.33",
        series_uid=f"{STUDY}.{n}",
    )
    for n in (9, 10)
)
WITHDRAWAL = Withdrawal(
    reason="safety",
    text="Перепутаны животные: 患者違い.\n\N{DOG FACE} Do not operate.",
    author=Person(login="bo", name="Надь^Бо=長井^武", organization="Клиника 獣医"),
    at=LATER,
    documents=(REPORT, MEASURED),
)


def made(content: ReportContent, evidence: list[Dataset], **changes: object) -> Dataset:
    withdrawal = WITHDRAWAL.model_copy(update=changes)
    return build_withdrawal(withdrawal, content, IDENTITY, DEVICE, evidence)


@pytest.mark.peer
@pytest.mark.parametrize(("reason", "code"), [("quality", "113001"), ("safety", "113037")])
def test_a_withdrawal_is_valid_and_titled_by_its_reason(
    reason: str, code: str, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    document = made(content, evidence, reason=reason)
    assert document.ConceptNameCodeSequence[0].CodeValue == code
    assert document.ContentTemplateSequence[0].TemplateIdentifier == "2010"
    assert outside_problems(saved(document, tmp_path)) == []


def test_it_reads_back_as_it_was_written(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    document = made(content, evidence)
    assert read_withdrawal(reread(document, tmp_path)) == WITHDRAWAL
    assert withdrawal_problems(document, WITHDRAWAL) == ()
    other = WITHDRAWAL.model_copy(update={"text": "Something else."})
    assert withdrawal_problems(document, other) != ()


def test_it_is_filed_with_the_animal_and_names_every_document_as_evidence(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    document = made(content, evidence)
    assert document.Modality == "KO"
    assert (document.PatientID, document.PatientSexNeutered) == ("D-4711", "ALTERED")
    assert document.PatientSpeciesCodeSequence[0].CodeValue == "448771007"
    (study,) = document.CurrentRequestedProcedureEvidenceSequence
    rows = [
        (series.SeriesInstanceUID, row.ReferencedSOPInstanceUID)
        for series in study.ReferencedSeriesSequence
        for row in series.ReferencedSOPSequence
    ]
    assert rows == [(d.series_uid, d.sop_instance_uid) for d in WITHDRAWAL.documents]
    assert study.StudyInstanceUID == STUDY


@pytest.mark.parametrize("changes", [{"documents": ()}, {"text": " \n"}])
def test_a_withdrawal_of_nothing_or_without_words_is_refused(
    changes: dict[str, object], content: ReportContent, evidence: list[Dataset]
) -> None:
    with pytest.raises(Refused, match="needs its reason"):
        made(content, evidence, **changes)


def test_what_is_no_withdrawal_is_not_read_as_one(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    with pytest.raises(BadObject, match="does not withdraw"):
        read_withdrawal(build(content, IDENTITY, DEVICE, evidence).report)
    broken = made(content, evidence)
    del broken.CurrentRequestedProcedureEvidenceSequence
    with pytest.raises(BadObject, match="cannot be read"):
        read_withdrawal(broken)
