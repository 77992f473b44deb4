"""How urgent a request says that its study is."""

import pytest
from pydicom.dataset import Dataset

from dicom_service.intake import request_priority


def _header(**values) -> Dataset:
    made = Dataset()
    for name, value in values.items():
        setattr(made, name, value)
    return made


@pytest.mark.parametrize(
    ("value", "expected"),
    [("STAT", 2), ("HIGH", 1), ("high ", 1), ("ROUTINE", 0), ("MEDIUM", 0), ("", 0), ("soon", 0)],
)
def test_the_words_of_the_standard_are_understood_and_others_are_routine(value, expected):
    assert request_priority([_header(RequestedProcedurePriority=value)]) == expected


def test_the_most_urgent_of_all_headers_and_requests_counts():
    inside = _header(RequestAttributesSequence=[_header(RequestedProcedurePriority="STAT")])
    old = _header(StudyPriorityID="HIGH")
    assert request_priority([_header(), old]) == 1
    assert request_priority([_header(), old, inside]) == 2
    assert request_priority([]) == 0
