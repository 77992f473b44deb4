"""Headers without what identifies: PS3.15 Annex E Basic Application Confidentiality Profile.

The table of the profile (E.1-1) is the one that the library `dicom-anonymizer` keeps, edition
2026c. Over it, texts are kept by name only (Clean Structured Content, Clean Descriptors would
leave free text to a list of words), and dates are moved (Retain Longitudinal Temporal Information
With Modified Dates).
"""

from functools import lru_cache

from dicomanonymizer.dicomfields_selector import dicom_anonymization_database_selector
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from dicom_service.codes import Code
from dicom_service.teaching.secrets import Secrets

PROFILE_EDITION = "2026c"
EDITION = f"dicomfields_{PROFILE_EDITION}"
NAME, IDENTIFIER = "Teaching^Case", "TEACHING"
_REMOVED = (
    "X_TAGS", "X_Z_TAGS", "X_D_TAGS", "X_Z_D_TAGS", "X_Z_U_STAR_TAGS",
)  # fmt: skip
_EMPTIED = ("Z_TAGS", "D_TAGS", "Z_D_TAGS")
_FREE = frozenset({"LO", "SH", "ST", "LT", "UT", "UC", "UR", "PN", "AE", "UN"})
_KEPT_TEXT = frozenset(
    {
        "PatientSpeciesDescription", "PatientBreedDescription", "CodeValue", "LongCodeValue",
        "CodingSchemeDesignator", "CodingSchemeVersion", "CodeMeaning", "Manufacturer",
        "DetectorType", "FilterMaterial", "ExposureControlModeDescription",
    }
)  # fmt: skip
_RETAINED = frozenset(
    {
        "PatientSpeciesDescription", "PatientSpeciesCodeSequence", "PatientBreedDescription",
        "PatientBreedCodeSequence", "PatientAge", "PatientSex", "PatientSexNeutered",
    }
)  # fmt: skip
"""Of the animal what a lesson needs (Retain Patient Characteristics)."""
METHODS = (
    Code(value="113100", scheme="DCM", meaning="Basic Application Confidentiality Profile"),
    Code(value="113101", scheme="DCM", meaning="Clean Pixel Data Option"),
    Code(
        value="113107", scheme="DCM",
        meaning="Retain Longitudinal Temporal Information Modified Dates Option",
    ),
    Code(value="113108", scheme="DCM", meaning="Retain Patient Characteristics Option"),
)  # fmt: skip
"""CID 7050."""


def clean_header(dataset: Dataset, secret: Secrets) -> None:
    """Take from a dataset and all its items what identifies; in place."""
    dataset.remove_private_tags()
    _clean(dataset, secret)
    dataset.PatientName, dataset.PatientID = NAME, IDENTIFIER
    dataset.PatientBirthDate = ""
    _fill_for_directory(dataset)
    say_so(dataset)


def say_so(dataset: Dataset) -> None:
    """Write into a dataset that, and how, it was de-identified."""
    dataset.PatientIdentityRemoved = "YES"
    dataset.LongitudinalTemporalInformationModified = "MODIFIED"
    dataset.DeidentificationMethod = "PS3.15 Annex E basic profile, options in codes"
    dataset.DeidentificationMethodCodeSequence = Sequence([_item(code) for code in METHODS])


def _fill_for_directory(dataset: Dataset) -> None:
    """What a DICOMDIR cannot do without (PS3.3 F.5)."""
    dataset.StudyID = "1"
    needed = {
        "StudyDate": "20000101",
        "StudyTime": "120000",
        "SeriesNumber": 1,
        "InstanceNumber": 1,
    }
    for keyword, value in needed.items():
        if not dataset.get(keyword):
            setattr(dataset, keyword, value)


def _clean(dataset: Dataset, secret: Secrets) -> None:
    for element in list(dataset):
        if element.VR == "SQ":
            if _action(element.tag) == "remove" and element.keyword not in _RETAINED:
                del dataset[element.tag]
                continue
            for item in element.value:
                _clean(item, secret)
        elif element.keyword in _RETAINED or element.keyword == "PixelData":
            continue
        elif element.VR == "UI":
            element.value = _uids(element.value, secret)
        elif element.VR in ("DA", "DT"):
            _set(dataset, element.tag, secret.day(str(element.value or "")))
        elif element.VR == "TM":
            _set(dataset, element.tag, "120000" if element.value else "")
        else:
            _plain(dataset, element.tag, element.keyword, str(element.VR))


def _plain(dataset: Dataset, tag: int, keyword: str, vr: str) -> None:
    action = _action(tag)
    if tag >> 24 in (0x50, 0x60):  # Curves and overlays may hold drawn text.
        action = "remove"
    if action == "remove":
        del dataset[tag]
    elif action == "empty" or (vr in _FREE and keyword not in _KEPT_TEXT):
        _set(dataset, tag, "")


def _set(dataset: Dataset, tag: int, value: str) -> None:
    dataset[tag].value = value


def _uids(value: object, secret: Secrets) -> object:
    if isinstance(value, str):
        return secret.uid(value)
    return [secret.uid(str(one)) for one in value] if value else value  # type: ignore[attr-defined]


def _action(tag: int) -> str:
    return _actions().get(int(tag), "")


@lru_cache(maxsize=1)
def _actions() -> dict[int, str]:
    """Tag -> "remove" or "empty"; UIDs and repeating groups are looked after by their kind."""
    table = dicom_anonymization_database_selector(EDITION)
    found = {}
    for names, action in ((_EMPTIED, "empty"), (_REMOVED, "remove")):
        for name in names:
            found.update({(t[0] << 16) | t[1]: action for t in table[name] if len(t) == 2})
    return found


def _item(code: Code) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator = code.value, code.scheme
    item.CodeMeaning = code.meaning
    return item
