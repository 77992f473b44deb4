"""Who the animal is: species, breed, age, sex, owner."""

import datetime
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Literal, NamedTuple

from pydicom import Dataset

from dicom_service.anatomy import Atlas
from dicom_service.errors import Refused
from dicom_service.intake.fitting import fitted, plain_value
from dicom_service.intake.model import BY_READER, Remark, Signalment
from dicom_service.intake.values import clean, codes, date, text
from dicom_service.intake.words import words

DAYS_PER_MONTH = 365.25 / 12
_UNIT_MONTHS = {"D": 1 / DAYS_PER_MONTH, "W": 7 / DAYS_PER_MONTH, "M": 1.0, "Y": 12.0}
_TOLERANCE = 0.1
"""Relative difference of age and birth date that counts as a contradiction."""


class Age(NamedTuple):
    """An age as written: at least `months`, and less than one `unit` more."""

    months: float
    unit: float


def parse_age(written: str) -> Age | None:
    """Patient's Age (AS: three digits and D, W, M or Y); None for other text and for zero."""
    match = re.fullmatch(r"(\d{1,3})([DWMY])", written.strip().upper())
    if match is None or int(match[1]) == 0:
        return None
    unit = _UNIT_MONTHS[match[2]]
    return Age(int(match[1]) * unit, unit)


def months_between(birth: str, study: str) -> float | None:
    """Months from one YYYYMMDD to another; None when one is no date, negative when reversed."""
    try:
        first = datetime.date.fromisoformat(birth)
        last = datetime.date.fromisoformat(study)
    except ValueError:
        return None
    return (last - first).days / DAYS_PER_MONTH


def read_signalment(
    headers: Sequence[Dataset], study_date: str, atlas: Atlas, corrected: str | None = None
) -> tuple[Signalment, tuple[Remark, ...]]:
    """The animal as the headers of one study describe it; the first header that says it counts.

    `corrected` is the species as the reader has put it right.
    """
    remarks: list[Remark] = []
    species, species_text = _species(headers, atlas, remarks)
    if corrected is not None:
        said = species_text or species or "nothing"
        species, species_text = _put_right(corrected, atlas)
        remarks = [
            Remark(
                key="species_corrected",
                severity="note",
                text=f"The species was put right by the reader: {species_text}, where the images "
                f"say {said}. Correct it in the practice system too.",
            )
        ]
    sex, neutered = _sex(headers)
    birth = _first(headers, "PatientBirthDate", date)
    known = atlas.species(species)
    signalment = Signalment(
        patient_name=_first(headers, "PatientName", _name),
        patient_id=_first(headers, "PatientID"),
        species=species,
        species_code=known.code if known else None,
        species_text=species_text,
        species_found_in=BY_READER if corrected is not None else "",
        breed=_breed(headers),
        birth_date=birth,
        age_months=_age(headers, birth, study_date, remarks),
        sex=sex,
        neutered=neutered,
        responsible_person=_first(headers, "ResponsiblePerson", _name),
    )
    remarks += [*_patients_differ(headers), *_unreadable(signalment)]
    return signalment, tuple(remarks)


def _put_right(species: str, atlas: Atlas) -> tuple[str, str]:
    known = atlas.species(species)
    if known is None:
        names = ", ".join(one.id for one in atlas.all_species)
        raise Refused(f"There is no species “{species}”; known are {names}.")
    return known.id, known.name


def _first(
    headers: Sequence[Dataset], keyword: str, read: Callable[[Dataset, str], str] = text
) -> str:
    return next((found for header in headers if (found := read(header, keyword))), "")


def _name(header: Dataset, keyword: str, *, fit: bool = False) -> str:
    found = text(header, keyword)
    if fit and found:
        found = clean(fitted(keyword, plain_value(header, keyword))) or found
    return found.rstrip("^= ")


def _species(
    headers: Sequence[Dataset], atlas: Atlas, remarks: list[Remark]
) -> tuple[str | None, str]:
    coded = [c for header in headers for c in codes(header, "PatientSpeciesCodeSequence")]
    described = _first(headers, "PatientSpeciesDescription")
    by_code = next((s for c in coded if (s := atlas.species_of_code(c.value, c.scheme))), None)
    by_meaning = next((s for c in coded if (s := atlas.find_species(c.meaning))), None)
    by_text = atlas.find_species(described)
    species = by_code or by_meaning or by_text
    wording = described or (coded[0].meaning if coded else "")
    if by_code and by_text and by_code != by_text:
        remarks.append(
            _warn(
                "species_contradiction",
                f"The species code says {by_code} but the description says '{described}': "
                f"read as {by_code}; correct one of them.",
            )
        )
    if species is None and wording:
        remarks.append(
            _warn(
                "species_other",
                f"The species '{wording}' is not {_listed(atlas)}: a general search pattern "
                "is used; check every structure against your own knowledge of this species.",
            )
        )
    if species is None and not wording:
        remarks.append(_no_species(headers))
    return species, wording


def _listed(atlas: Atlas) -> str:
    names = [species.name for species in atlas.all_species]
    return " or ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _no_species(headers: Sequence[Dataset]) -> Remark:
    veterinary = (
        "PatientBreedDescription",
        "PatientBreedCodeSequence",
        "ResponsiblePerson",
        "AnatomicalOrientationType",
        "PatientSexNeutered",
    )
    if any(keyword in header for header in headers for keyword in veterinary):
        return _warn(
            "species_missing",
            "No species is given: a general search pattern is used; set Patient Species at the "
            "camera or in the practice system.",
        )
    return _warn(
        "species_missing",
        "No species is given, nor any other attribute of an animal; this may be a person: check "
        "whether the study belongs here, and set Patient Species at the camera.",
    )


def _breed(headers: Sequence[Dataset]) -> str:
    described = _first(headers, "PatientBreedDescription")
    if described:
        return described
    for header in headers:
        meanings = [code.meaning for code in codes(header, "PatientBreedCodeSequence")]
        if meanings:
            return " × ".join(dict.fromkeys(meanings))
    return ""


def _sex(headers: Sequence[Dataset]) -> tuple[Literal["M", "F", "O", ""], bool | None]:
    written = _first(headers, "PatientSex").upper().replace("/", "")
    altered = _first(headers, "PatientSexNeutered").upper()
    neutered = {"ALTERED": True, "UNALTERED": False}.get(altered)
    if written in words().sexes:
        sex, implied = words().sexes[written]
        return sex, implied if neutered is None else neutered
    plain: dict[str, Literal["M", "F", "O"]] = {"M": "M", "F": "F", "O": "O"}
    return plain.get(written, ""), neutered


def _age(
    headers: Sequence[Dataset], birth: str, study_date: str, remarks: list[Remark]
) -> float | None:
    """Months; a birth date that agrees refines an age in whole years."""
    age = parse_age(_first(headers, "PatientAge"))
    counted = months_between(birth, study_date)
    if counted is not None and counted < 0:
        remarks.append(
            _warn(
                "birth_after_study",
                f"The birth date {birth} is after the study date {study_date}: correct the birth "
                "date; it is not used.",
            )
        )
        counted = None
    if age is None:
        if counted is None:
            remarks.append(
                _note(
                    "age_missing",
                    "Neither age nor birth date is given: open physes cannot be judged against "
                    "the age; enter the birth date.",
                )
            )
        return None if counted is None else round(counted, 2)
    if counted is None:
        return round(age.months, 2)
    low, high = age.months * (1 - _TOLERANCE), (age.months + age.unit) * (1 + _TOLERANCE)
    if not low <= counted <= high:
        remarks.append(
            _warn(
                "age_contradiction",
                f"Patient's Age says {_spoken(age.months)} but the birth date gives "
                f"{_spoken(counted)}: read as {_spoken(age.months)}; correct one of them.",
            )
        )
        return round(age.months, 2)
    return round(counted if age.unit == _UNIT_MONTHS["Y"] else age.months, 2)


def _spoken(months: float) -> str:
    if months >= 24:
        return f"{months / 12:.1f} years"
    return f"{months:.1f} months" if months >= 3 else f"{months * DAYS_PER_MONTH:.0f} days"


_ONE_PATIENT = {"PatientID": "Patient ID", "PatientName": "Patient's Name"}
_ONE_STUDY = {
    "StudyDate": "Study Date",
    "AccessionNumber": "Accession Number",
    "PatientBirthDate": "Patient's Birth Date",
    "PatientSpeciesDescription": "Patient Species Description",
}


def _patients_differ(headers: Sequence[Dataset]) -> list[Remark]:
    """A remark for each attribute of patient or study that is not the same in all objects."""
    remarks = []
    for keyword, name in (_ONE_PATIENT | _ONE_STUDY).items():
        # A document in the study may carry what of the value it was allowed to.
        found = dict.fromkeys(_name(header, keyword, fit=True) for header in headers)
        different = {value.casefold().replace("^", " ").strip(): value for value in found if value}
        if len(different) < 2:
            continue
        listed = ", ".join(f"'{value}'" for value in list(different.values())[:4])
        said = f"The objects of this study carry different values of {name} ({listed}): "
        if keyword in _ONE_PATIENT:
            advice = "make sure that all images are of one animal before you read them."
            remarks.append(_warn("patient_differs", said + advice))
        else:
            advice = "what the first image says is taken."
            remarks.append(_note("study_differs", said + advice))
    return remarks


def _unreadable(signalment: Signalment) -> Iterator[Remark]:
    for name in (signalment.patient_name, signalment.responsible_person):
        if "\ufffd" in name:
            yield _note(
                "characters",
                f"The name '{name}' holds characters that cannot be read: the sender's Specific "
                "Character Set is wrong; compare with the practice system.",
            )


def _warn(key: str, sentence: str) -> Remark:
    return Remark(key=key, severity="warning", text=sentence)


def _note(key: str, sentence: str) -> Remark:
    return Remark(key=key, severity="note", text=sentence)
