"""Values that the standard forbids: what of them fits into a document, and what the reader is told.

The limits are those of PS3.5 table 6.2-1.
"""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom import config
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import DataElement

from dicom_service.intake import describe
from dicom_service.intake.fitting import PATIENT_AND_STUDY, fault, fitted


@pytest.mark.parametrize(
    ("keyword", "written", "kept"),
    [
        ("PatientID", "D-4711", "D-4711"),
        ("PatientID", "X" * 70, "X" * 64),
        ("PatientID", "12\\34", "12/34"),
        ("PatientID", "12\t34\r\n", "12 34"),
        ("StudyID", "12345678901234567", "1234567890123456"),
        ("PatientBreedDescription", "W" * 65, "W" * 63 + "…"),
        ("PatientName", "Müller^Bella", "Müller^Bella"),
        ("PatientName", "M" * 70 + "^Bella", "M" * 57 + "…^Bella"),
        ("PatientName", "A" * 40 + "^" + "B" * 30, "A" * 32 + "…^" + "B" * 30),
        ("PatientName", "a^b^c^d^e^f", "a^b^c^d^e f"),
        ("PatientName", "a=b=c=d", "a=b=c"),
        ("PatientName", "Müller\\Bella", "Müller/Bella"),
        ("PatientName", "Yamada=" + "山" * 65, "Yamada=" + "山" * 63 + "…"),
        ("StudyDate", "20261345", ""),
        ("TypeOfPatientID", "text", ""),
    ],
)
def test_what_fits_of_a_value(keyword: str, written: str, kept: str) -> None:
    assert fitted(keyword, written) == kept
    assert bool(fault(keyword, written)) == (written != kept)


@given(st.sampled_from(PATIENT_AND_STUDY), st.text(max_size=300))
def test_whatever_was_sent_what_is_kept_breaks_no_rule(keyword: str, written: str) -> None:
    kept = fitted(keyword, written)
    assert fault(keyword, kept) == ""
    assert fitted(keyword, kept).strip() == kept.strip()
    kept.encode("utf-8")
    vr = dictionary_VR(keyword)
    assert "\\" not in kept
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in kept)
    if vr == "PN":
        groups = kept.split("=")
        assert len(groups) <= 3
        assert all(len(g) <= 64 and g.count("^") <= 4 for g in groups)
    else:
        assert len(kept) <= {"SH": 16, "CS": 16, "DS": 16, "TM": 16}.get(vr, 64)


def _with(header: Callable, keyword: str, written: object) -> object:
    made = header()
    tag = tag_for_keyword(keyword)
    vr = dictionary_VR(keyword)
    made.add(DataElement(tag, vr, written, validation_mode=config.IGNORE))
    return made


@pytest.mark.parametrize(
    ("keyword", "written", "severity", "said"),
    [
        ("PatientID", "X" * 70, "warning", "Patient ID has more than 64 characters"),
        ("PatientID", ["12", "34"], "warning", "carry '12/34'"),
        ("PatientName", "M" * 70 + "^Bella", "note", "Patient's Name has more than 64"),
        ("ResponsiblePerson", "a^b^c^d^e^f", "note", "more than 5 parts"),
        ("StudyDescription", "Carpus\x07 right", "note", "control character"),
        ("StudyTime", "9:15", "note", "leave it out"),
    ],
)
def test_the_reader_is_told_what_the_documents_carry(
    header: Callable, keyword: str, written: object, severity: str, said: str
) -> None:
    (remark,) = [
        r for r in describe([_with(header, keyword, written)]).remarks if r.key == "value_unfit"
    ]
    assert remark.severity == severity
    assert said in remark.text


def test_uids_with_leading_zeros_are_noted_once(header: Callable) -> None:
    images = [_with(header, "StudyInstanceUID", "1.2.03.4") for _ in range(2)]
    found = [r for r in describe(images).remarks if r.key == "uid_leading_zero"]
    assert len(found) == 1


def test_a_report_that_carries_what_fits_is_of_the_same_patient(header: Callable) -> None:
    image = _with(header, "PatientID", "X" * 70)
    report = _with(header, "PatientID", "X" * 64)
    report.SOPClassUID, report.SOPInstanceUID = "1.2.840.10008.5.1.4.1.1.88.33", "1.2.3.99"
    assert not [r for r in describe([image, report]).remarks if r.key == "patient_differs"]
