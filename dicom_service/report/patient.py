"""The animal and the study, copied from the images so that the archive files the report rightly."""

from collections.abc import Sequence

from pydicom import config
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

from dicom_service.codes import Code, get
from dicom_service.intake.fitting import LONGEST, fitted, plain_value
from dicom_service.report.items import code_item
from dicom_service.report.model import ReportContent

HUMAN_CODES = frozenset({"337915000", "L-85B00"})
"""Homo sapiens in SNOMED CT and SNOMED-RT."""

_ALWAYS = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyInstanceUID",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
"""Type 1 or 2: written, empty when the images have none."""

_WHEN_THERE = (
    "IssuerOfPatientID",
    "TypeOfPatientID",
    "PatientBirthTime",
    "PatientAge",
    "PatientWeight",
    "StudyDescription",
)

_ROLES = (
    "OWNER",
    "PARENT",
    "CHILD",
    "SPOUSE",
    "SIBLING",
    "RELATIVE",
    "GUARDIAN",
    "CUSTODIAN",
    "AGENT",
    "INVESTIGATOR",
    "VETERINARIAN",
)


def first_header(evidence: Sequence[Dataset]) -> Dataset:
    """The header to copy from: the first image, else the first object, else an empty one."""
    images = [header for header in evidence if "Rows" in header]
    return next(iter([*images, *evidence]), Dataset())


def copied(header: Dataset, keyword: str) -> str:
    """A text value as the standard lets a document have it."""
    return fitted(keyword, plain_value(header, keyword))


def put(document: Dataset, keyword: str, value: object) -> None:
    """Set an attribute without judging its value: UIDs must stay what they were."""
    tag = tag_for_keyword(keyword)
    if tag is None:
        raise KeyError(keyword)
    element = DataElement(tag, dictionary_VR(tag), value, validation_mode=config.IGNORE)
    document.add(element)


def copied_code(entry: Dataset) -> Dataset:
    """A coded entry with its texts decoded, fit for another character set."""
    copy = Dataset()
    for keyword in (
        "CodeValue",
        "CodingSchemeDesignator",
        "CodingSchemeVersion",
        "LongCodeValue",
        "URNCodeValue",
        "CodeMeaning",
    ):
        if plain_value(entry, keyword):
            put(copy, keyword, copied(entry, keyword))
    value = plain_value(entry, "CodeValue").strip()
    if len(value) > LONGEST["SH"]:
        # PS3.3 8.1: a code is never cut, a longer one stands in another attribute.
        del copy.CodeValue
        put(copy, "LongCodeValue", fitted("LongCodeValue", value))
    return copy


def has_code(entry: Dataset) -> bool:
    """Whether a coded entry says what the standard requires of it, in a form that can be kept."""
    scheme = plain_value(entry, "CodingSchemeDesignator").strip()
    value = any(plain_value(entry, k) for k in ("CodeValue", "LongCodeValue"))
    known = value and 0 < len(scheme) <= LONGEST["SH"]
    return bool((known or plain_value(entry, "URNCodeValue")) and plain_value(entry, "CodeMeaning"))


def add_patient_and_study(
    document: Dataset, content: ReportContent, evidence: Sequence[Dataset]
) -> None:
    """Write the Patient, General Study and Patient Study modules."""
    header = first_header(evidence)
    for keyword in _ALWAYS:
        put(document, keyword, copied(header, keyword))
    for keyword in _WHEN_THERE:
        if copied(header, keyword):
            put(document, keyword, copied(header, keyword))
    put(document, "StudyInstanceUID", content.facts.study_uid)
    if not plain_value(header, "AccessionNumber"):
        accession = fitted("AccessionNumber", content.facts.accession_number)
        put(document, "AccessionNumber", accession)
    if document.PatientSex not in ("M", "F", "O"):
        put(document, "PatientSex", "")
    if is_animal(content, header):
        _add_animal(document, content, header)


def is_animal(content: ReportContent, header: Dataset) -> bool:
    """Whether the patient is known or said to be an animal."""
    if content.facts.signalment.species is not None:
        return True
    codes = [
        plain_value(entry, "CodeValue") for entry in header.get("PatientSpeciesCodeSequence") or []
    ]
    if HUMAN_CODES.intersection(codes):
        return False
    words = plain_value(header, "PatientSpeciesDescription").casefold()
    if "homo sapiens" in words or "human" in words:
        return False
    breed = plain_value(header, "PatientBreedDescription") or header.get("PatientBreedCodeSequence")
    return bool(codes or words or breed)


def _add_animal(document: Dataset, content: ReportContent, header: Dataset) -> None:
    """The attributes that PS3.3 C.7.1.1 and C.7.2.2 require of an animal."""
    # The patient stays as in the images, so that the study is one patient's in the archive.
    species = _codes(header, "PatientSpeciesCodeSequence") or species_codes(content, header)
    if species:
        document.PatientSpeciesCodeSequence = species[:1]
    words = copied(header, "PatientSpeciesDescription") or fitted(
        "PatientSpeciesDescription", content.facts.signalment.species_text
    )
    if words or not species:
        put(document, "PatientSpeciesDescription", words or "Not stated")
    put(document, "PatientBreedDescription", copied(header, "PatientBreedDescription"))
    document.PatientBreedCodeSequence = breed_codes(header)
    document.BreedRegistrationSequence = _registrations(header)
    responsible = copied(header, "ResponsiblePerson")
    put(document, "ResponsiblePerson", responsible)
    put(document, "ResponsibleOrganization", copied(header, "ResponsibleOrganization"))
    if responsible:
        role = plain_value(header, "ResponsiblePersonRole")
        # Required beside a name; an animal's responsible person is as a rule its owner.
        put(document, "ResponsiblePersonRole", role if role in _ROLES else "OWNER")
    neutered = plain_value(header, "PatientSexNeutered")
    known = neutered in ("ALTERED", "UNALTERED")
    put(document, "PatientSexNeutered", neutered if known else "")


def species_codes(content: ReportContent, header: Dataset) -> list[Dataset]:
    """The coded species: as the reader put it right, as in the images, or as intake found it."""
    animal = content.facts.signalment
    put_right = bool(animal.species_found_in)
    found = [] if put_right else _codes(header, "PatientSpeciesCodeSequence")
    code = animal.species_code or (get(animal.species) if animal.species else None)
    return found or ([code_item(code)] if code else [])


def breed_codes(header: Dataset) -> list[Dataset]:
    """The coded breeds of the images."""
    return _codes(header, "PatientBreedCodeSequence")


def as_code(entry: Dataset) -> Code | None:
    """A copied coded entry as a Code, None when it is too long to be one."""
    value = plain_value(entry, "CodeValue") or plain_value(entry, "LongCodeValue")
    scheme = plain_value(entry, "CodingSchemeDesignator")
    meaning = plain_value(entry, "CodeMeaning")
    if not (0 < len(value) <= 64 and 0 < len(scheme) <= 16 and 0 < len(meaning) <= 64):
        return None
    return Code(value=value, scheme=scheme, meaning=meaning)


def _codes(header: Dataset, keyword: str) -> list[Dataset]:
    return [copied_code(entry) for entry in header.get(keyword) or [] if has_code(entry)]


def _registrations(header: Dataset) -> list[Dataset]:
    found = []
    for entry in header.get("BreedRegistrationSequence") or []:
        registries = _codes(entry, "BreedRegistryCodeSequence")
        number = copied(entry, "BreedRegistrationNumber")
        if number and registries:
            copy = Dataset()
            put(copy, "BreedRegistrationNumber", number)
            copy.BreedRegistryCodeSequence = registries[:1]
            found.append(copy)
    return found
