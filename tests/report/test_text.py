"""The report as plain text."""

import pytest

from dicom_service.report import plain_text
from dicom_service.report.model import Person, ReportContent
from dicom_service.report.text import person

from .conftest import make_reading, of_kind


def test_the_text_has_all_that_a_person_needs(content: ReportContent) -> None:
    text = plain_text(content)
    for said in (
        "DIAGNOSTIC IMAGING REPORT (Signed report)",
        "2026-03-04, Carpus right, A-100",
        "HISTORY\nLame for three weeks.\nNo trauma.",
        "FINDINGS\nThe distal radius has a lytic area.",
        "Length, right test radius, DPa: 10.12 mm (at the detector plane). longest extent",
        "Angle, right test axis, DPa: 5.84°.",
        "Bone tumour: supported by these radiographs.",
        "1. Bone tumour\n2. fungal osteomyelitis",
        "Early lesions cannot be seen. aggressive pattern Next: biopsy.",
        "LIMITS\nNo image is calibrated.",
        "Signed by Dr Ida Vreeland, Clinic by the Canal, 2026-03-04 15:06 +0100",
    ):
        assert said in text


def test_without_a_description_the_observations_speak(content: ReportContent) -> None:
    text = plain_text(content.model_copy(update={"findings_text": ""}))
    assert "Abnormal: right test radius (DPa)." in text
    assert "Undetermined: right test radius (ML)." in text
    assert "Normal variant: right test ulna (ML)." in text
    assert "right test radius, DPa: distal metaphysis" in text


def test_the_reader_s_own_words_win(content: ReportContent) -> None:
    reading = make_reading(content.template, findings_text="Mine.")
    text = plain_text(content.model_copy(update={"reading": reading}))
    assert "FINDINGS\nMine." in text
    assert "lytic area" not in text


def test_an_unsigned_text_says_so_and_what_is_open(content: ReportContent) -> None:
    draft = of_kind("draft", content)
    observations = {
        key: value for key, value in draft.reading.observations.items() if "ulna" not in key
    }
    reading = make_reading(content.template, observations=observations, rule_outs=())
    text = plain_text(draft.model_copy(update={"reading": reading}))
    assert text.rstrip().endswith("NOT SIGNED")
    assert "Not Evaluated: right test ulna." in text
    assert "RULE-OUTS" not in text


def test_the_newest_addendum_stands_first(content: ReportContent) -> None:
    text = plain_text(of_kind("addendum", content))
    assert text.index("ADDENDUM, Bo Nagy, 2026-03-09 08:00 +0000") < text.index("HISTORY")


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("Vreeland^Ida^^Dr", "Dr Ida Vreeland"),
        ("Yamada^Taro=山田^太郎", "Taro Yamada"),
        ("Cher", "Cher"),
    ],
)
def test_names_are_written_as_people_write_them(name: str, written: str) -> None:
    assert person(Person(login="x", name=name)) == written
