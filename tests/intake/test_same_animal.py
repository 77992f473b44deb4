"""The same patient ID is not yet the same animal."""

import pytest
from pydicom.dataset import Dataset

from dicom_service.intake import Signalment, contradictions, signalment_of

REX = Signalment(
    patient_id="A-1", patient_name="Vreeland^Rex", species="dog", birth_date="20200401"
)


@pytest.mark.parametrize(
    "theirs",
    [
        {},
        {"patient_name": "VREELAND^REX"},
        {"patient_name": "Rex Vreeland"},
        {"patient_name": "Rex"},
        {"patient_name": "Vréeland^Rex"},
        {"patient_name": "", "species": None, "birth_date": ""},
    ],
)
def test_what_is_written_otherwise_or_missing_contradicts_nothing(theirs):
    assert contradictions(REX, REX.model_copy(update=theirs)) == ()


@pytest.mark.parametrize(
    ("theirs", "part"),
    [
        ({"patient_name": "Vreeland^Bella"}, "Bella"),
        ({"species": "cat"}, "cat instead of dog"),
        ({"birth_date": "20110101"}, "2011-01-01"),
        ({"patient_id": "A-10"}, "A-10"),
    ],
)
def test_what_contradicts_is_said_in_words(theirs, part):
    (said,) = contradictions(REX, REX.model_copy(update=theirs))
    assert part in said


def test_an_answer_of_an_archive_says_which_animal_it_is_about():
    answer = Dataset()
    answer.PatientID, answer.PatientName, answer.PatientBirthDate = "A-1", "Vreeland^Rex", None
    answer.PatientSpeciesDescription = "Canine"
    assert contradictions(REX, signalment_of(answer)) == ()
    answer.PatientSpeciesDescription = "Feline"
    assert contradictions(REX, signalment_of(answer)) == ("species cat instead of dog",)
