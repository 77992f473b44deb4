"""The animal is read from codes, words and dates, in many languages and bad character sets."""

import unicodedata
from collections.abc import Callable
from datetime import date, timedelta
from io import BytesIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom import Dataset, dcmread
from pydicom.filewriter import dcmwrite

from dicom_service.intake import describe
from dicom_service.intake.signalment import months_between, parse_age
from dicom_service.intake.values import clean


def test_a_complete_signalment_gives_no_remark(facts: Callable) -> None:
    described = facts()
    animal = described.signalment
    assert (animal.species, animal.breed, animal.age_months) == ("dog", "Mixed", 9.0)
    assert (animal.sex, animal.neutered) == ("F", True)
    assert (animal.patient_name, animal.responsible_person) == ("Müller^Bella", "Müller^Ute")
    assert described.remarks == ()


@pytest.mark.parametrize(
    ("wording", "species"),
    [
        ("Canine", "dog"),
        ("DOG", "dog"),
        ("Hund", "dog"),
        ("chien", "dog"),
        ("Perro", "dog"),
        ("犬", "dog"),
        ("feline", "cat"),
        ("Katze", "cat"),
        ("Equine", "horse"),
        ("Pferd", "horse"),
    ],
)
def test_species_is_read_from_words(wording: str, species: str, header: Callable) -> None:
    described = describe(
        [header(PatientSpeciesCodeSequence=None, PatientSpeciesDescription=wording)]
    )
    assert described.signalment.species == species


def test_what_one_image_lacks_is_taken_from_another(facts: Callable) -> None:
    described = facts(PatientSpeciesCodeSequence=None, PatientBreedDescription=None)
    assert (described.signalment.species, described.signalment.breed) == ("dog", "Mixed")
    assert described.remarks == ()


def test_a_rabbit_is_named_as_not_supported(header: Callable, remark: Callable) -> None:
    described = describe(
        [header(PatientSpeciesCodeSequence=None, PatientSpeciesDescription="Rabbit")]
    )
    assert described.signalment.species is None
    assert described.signalment.species_text == "Rabbit"
    assert "'Rabbit' is not dog, cat or horse" in remark(described, "species_other").text


def test_code_and_description_that_disagree_are_said(facts: Callable, remark: Callable) -> None:
    described = facts(PatientSpeciesDescription="Feline")
    assert described.signalment.species == "dog"
    assert remark(described, "species_contradiction").severity == "warning"


def test_without_any_attribute_of_an_animal_it_may_be_a_person(
    header: Callable, remark: Callable
) -> None:
    person = header(
        PatientSpeciesCodeSequence=None,
        PatientBreedDescription=None,
        PatientSexNeutered=None,
        ResponsiblePerson=None,
        AnatomicalOrientationType=None,
    )
    assert "may be a person" in remark(describe([person]), "species_missing").text


@pytest.mark.parametrize(
    ("sex", "neutered", "expected"),
    [
        ("M", "UNALTERED", ("M", False)),
        ("F", "", ("F", None)),
        ("MN", "", ("M", True)),
        ("FS", "UNALTERED", ("F", False)),
        ("O", "", ("O", None)),
        ("?", "", ("", None)),
    ],
)
def test_sex_and_neutering(sex: str, neutered: str, expected: tuple, header: Callable) -> None:
    animal = describe([header(PatientSex=sex, PatientSexNeutered=neutered)]).signalment
    assert (animal.sex, animal.neutered) == expected


@given(st.integers(1, 999), st.sampled_from("DWMY"))
def test_every_age_string_becomes_its_months(count: int, unit: str) -> None:
    days = {"D": 1, "W": 7, "M": 365.25 / 12, "Y": 365.25}[unit]
    age = parse_age(f"{count:03d}{unit}")
    assert age is not None
    assert age.months == pytest.approx(count * days / (365.25 / 12))


@given(st.text(max_size=8))
def test_no_text_breaks_the_reading_of_an_age(written: str) -> None:
    age = parse_age(written)
    assert age is None or age.months > 0


@given(st.dates(date(1990, 1, 1), date(2030, 1, 1)), st.integers(0, 12000))
def test_months_between_dates_grow_with_the_days(birth: date, days: int) -> None:
    study = birth + timedelta(days=days)
    months = months_between(birth.strftime("%Y%m%d"), study.strftime("%Y%m%d"))
    assert months == pytest.approx(days * 12 / 365.25)


@pytest.mark.parametrize(
    ("age", "birth", "months", "key"),
    [
        ("", "20230610", 9.0, None),
        ("001Y", "20220510", 22.01, None),  # the birth date says more than whole years do
        ("001Y", "20190310", 12.0, "age_contradiction"),
        ("009M", "20230610", 9.0, None),
        ("009M", "20210310", 9.0, "age_contradiction"),
        ("000Y", "20240101", 2.27, None),
        ("", "20250101", None, "birth_after_study"),
        ("", "", None, "age_missing"),
        ("old", "unknown", None, "age_missing"),
    ],
)
def test_age_and_birth_date(
    age: str, birth: str, months: float | None, key: str | None, header: Callable, dpa: Dataset
) -> None:
    values = {"PatientAge": age, "PatientBirthDate": birth}
    del dpa.PatientAge
    described = describe([header(**values), dpa])
    assert described.signalment.age_months == pytest.approx(months, abs=0.05)
    keys = {r.key for r in described.remarks}
    assert (key in keys) if key else not keys


def test_objects_of_different_patients_are_said(facts: Callable, remark: Callable) -> None:
    assert "'B2', 'A1'" in remark(facts(PatientID="B2"), "patient_differs").text


def test_attributes_that_change_within_a_study_are_said(facts: Callable, remark: Callable) -> None:
    text = remark(facts(StudyDate="20240311"), "study_differs").text
    assert "Study Date" in text
    assert "'20240311'" in text


def test_the_same_name_written_otherwise_is_the_same_patient(facts: Callable) -> None:
    assert facts(PatientName="MÜLLER^BELLA^^").remarks == ()


@given(st.text(max_size=64))
def test_cleaned_text_holds_no_control_characters(raw: str) -> None:
    cleaned = clean(raw)
    assert cleaned == cleaned.strip()
    assert not [c for c in cleaned if unicodedata.category(c) in {"Cc", "Cs", "Co"}]
    cleaned.encode("utf-8")


@pytest.mark.parametrize(
    "name",
    [
        "Bêta^Żółć",
        "Yamada^Tarou=山田^太郎",
        "Кот^Мурка",
        "<script>alert(1)</script>",
        "علي",
        "🐕",
    ],
)
def test_a_name_in_any_script_is_kept(name: str, header: Callable) -> None:
    assert describe([_over_the_wire(header(PatientName=name))]).signalment.patient_name == name


@pytest.mark.parametrize("declared", ["ISO_IR 100", "ISO_IR 6", ""])
def test_utf8_declared_as_something_else_is_read(declared: str, header: Callable) -> None:
    received = _over_the_wire(header(PatientName="Müller^Kéa"), declared)
    assert describe([received]).signalment.patient_name == "Müller^Kéa"


def test_latin1_declared_as_utf8_is_said(header: Callable, remark: Callable) -> None:
    sent = _over_the_wire(header(PatientName="Muller^Bella"))
    raw = _bytes(sent).replace(b"Muller^Bella", b"M\xfcller^Bella")
    described = describe([dcmread(BytesIO(raw), force=True)])
    assert "Character Set is wrong" in remark(described, "characters").text


def test_a_name_that_carries_control_characters_loses_them(header: Callable) -> None:
    described = describe([_over_the_wire(header(PatientName="Rex\x1b[2J\x00\x07^\u202eevil"))])
    assert described.signalment.patient_name == "Rex [2J ^ evil"


def _bytes(header: Dataset) -> bytes:
    buffer = BytesIO()
    dcmwrite(buffer, header, implicit_vr=False, little_endian=True, enforce_file_format=False)
    return buffer.getvalue()


def _over_the_wire(header: Dataset, declared: str | None = None) -> Dataset:
    raw = _bytes(header)
    if declared is not None:
        raw = raw.replace(b"CS\x0a\x00ISO_IR 192", b"CS\x0a\x00" + declared.ljust(10).encode())
    return dcmread(BytesIO(raw), force=True)
