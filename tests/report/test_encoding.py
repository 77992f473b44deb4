"""Files as we write them, byte by byte against those that pydicom writes."""

import io

import pytest
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

from dicom_service.report import build, file_of
from dicom_service.report import items as sr
from dicom_service.report.states import STATES

from .conftest import DEVICE, IDENTITY, of_kind

LETTERS = ["odd", "even", "ß und Ω", "猫の手根", "\N{DOG FACE}", "two\nlines", "a\\b", "x" * 70_000]


def by_pydicom(document: Dataset) -> bytes:
    buffer = io.BytesIO()
    document.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", [kind for kind in STATES if kind != "withdrawal"])
def test_a_document_of_each_kind_that_has_a_reading(kind, content, evidence):
    for document in build(of_kind(kind, content), IDENTITY, DEVICE, evidence):
        if document is not None:
            assert file_of(document) == by_pydicom(document)


@pytest.mark.parametrize("letters", LETTERS)
def test_texts_of_any_letters_and_length(letters, made):
    sr.below(made.report, sr.text("CONTAINS", "comment", letters))
    assert file_of(made.report) == by_pydicom(made.report)


def test_values_that_are_not_one_text(made):
    (item,) = sr.text("CONTAINS", "comment", "x")
    item.GraphicData = [1.5, 2.5]
    item.ImageType = ["DERIVED", "SECONDARY"]
    item.PersonName = "Vreeland^Ida"
    item.Rows, item.FrameIncrementPointer, item.FailureReason = 3, 0x00181063, None
    item.DateTime, item.AccessionNumber, item.ReferencedSOPSequence = "20260304", "", []
    sr.below(made.report, [item])
    assert file_of(made.report) == by_pydicom(made.report)


def test_other_letters_and_lengths_than_ours_are_left_to_pydicom(made):
    made.report.ContentSequence[-1].is_undefined_length_sequence_item = True
    assert file_of(made.report) == by_pydicom(made.report)
    made.report["ContentSequence"].is_undefined_length = True
    assert file_of(made.report) == by_pydicom(made.report)
    del made.report.ContentSequence[-1]
    made.report.SpecificCharacterSet = "ISO_IR 100"
    assert file_of(made.report) == by_pydicom(made.report)


def test_an_item_with_a_value_of_no_certain_kind_is_refused_as_by_pydicom(made):
    made.report.ContentSequence[0].add(DataElement(0x00280106, "US or SS", 4))
    with pytest.raises(ValueError, match="ambiguous"):
        file_of(made.report)
