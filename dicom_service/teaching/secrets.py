"""What identifies a study, and what stands in its place, the same throughout one case."""

import re
import secrets
from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

REMOVED = "[removed]"
_STANDARD_UIDS = "1.2.840.10008."
_UID = re.compile(r"(?<![\d.])(?:[0-2](?:\.(?:0|[1-9]\d*)){4,}|2\.25\.\d{5,})(?![\d.]*\d)")
_DAY = re.compile(r"(?<!\d)(\d{4})([-./]?)(\d\d)\2(\d\d)(?!\d)")
_MONTH = "(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec|mai|mär|okt|dez)[a-zé]*"
_OTHER_DAY = re.compile(
    rf"(?<!\d)\d{{1,2}}([./-])\d{{1,2}}\1(?:\d{{4}}|\d\d)(?!\d)"
    rf"|\b\d{{1,2}}(?:st|nd|rd|th|\.)?\s+{_MONTH}\.?,?\s+\d{{4}}\b"
    rf"|\b{_MONTH}\.?\s+\d{{1,2}}(?:st|nd|rd|th)?,?\s+\d{{4}}\b",
    re.IGNORECASE,
)
"""Days as people write them: their order is anybody's guess, so they go."""
_NAMING = frozenset({"PN", "LO", "SH", "AE", "UC", "ST", "LT", "UT"})
SHORTEST_WORD = 3
_LARGEST_SHIFT, _SMALLEST_SHIFT = 1800, 60
_IDENTIFYING = (
    "PatientName", "PatientID", "OtherPatientNames", "OtherPatientIDs", "ResponsiblePerson",
    "ResponsibleOrganization", "AccessionNumber", "ReferringPhysicianName", "OperatorsName",
    "PerformingPhysicianName", "PhysiciansOfRecord", "RequestingPhysician", "RequestingService",
    "NameOfPhysiciansReadingStudy", "InstitutionName", "InstitutionAddress",
    "InstitutionalDepartmentName", "StationName", "DeviceSerialNumber", "StudyID", "DetectorID",
    "PatientTelephoneNumbers", "PatientAddress", "IssuerOfPatientID", "RequestedProcedureID",
    "ScheduledProcedureStepID", "PerformedProcedureStepID", "PlateID", "CassetteID",
    "BreedRegistrationNumber", "MilitaryRank", "PersonName", "PersonAddress",
)  # fmt: skip
"""Keywords whose values are looked for in every text of the case."""


class Secrets:
    """Replaces UIDs, dates and identifying words of one study; a new one for each case.

    Parameters
    ----------
    headers
        Of all objects of the study.
    words
        Further identifying texts: readers, the institution of the node.
    """

    def __init__(self, headers: Sequence[Dataset], words: Iterable[str] = ()) -> None:
        span = _LARGEST_SHIFT - _SMALLEST_SHIFT
        # Not a whole number of weeks: the day of the week is no hint either.
        self.shift = timedelta(days=-(_SMALLEST_SHIFT + secrets.randbelow(span)))
        self._uids: dict[str, str] = {}
        found = {text for header in headers for text in _texts(header)} | set(words)
        parts = {part for text in found for part in (text, *re.split(r"[\^=\s,;\\]+", text))}
        telling = {part.strip() for part in parts if len(part.strip()) >= SHORTEST_WORD}
        ordered = sorted(telling, key=len, reverse=True)
        self._words = (
            re.compile("|".join(rf"(?<!\w){re.escape(w)}(?!\w)" for w in ordered), re.IGNORECASE)
            if ordered
            else None
        )

    def uid(self, original: str) -> str:
        """The UID in place of `original`; those of the standard stay."""
        if original.startswith(_STANDARD_UIDS) or not original:
            return original
        return self._uids.setdefault(original, str(generate_uid(prefix=None)))

    def day(self, written: str) -> str:
        """A DICOM date or date-time, shifted by whole days; the hour becomes noon."""
        try:
            moved = date(int(written[:4]), int(written[4:6]), int(written[6:8])) + self.shift
        except (ValueError, OverflowError):
            return ""  # Not a whole date: better none than the true year.
        return f"{moved:%Y%m%d}" + ("120000" if len(written) > 8 else "")

    def text(self, written: str) -> str:
        """A text without identifying words, its UIDs replaced and its dates shifted."""
        moved = _OTHER_DAY.sub(REMOVED, _DAY.sub(self._moved, self.uids_in(written)))
        return self._words.sub(REMOVED, moved) if self._words else moved

    def uids_in(self, written: str) -> str:
        """A text with nothing but its UIDs replaced."""
        return _UID.sub(lambda m: self.uid(m[0]), written)

    def _moved(self, match: re.Match[str]) -> str:
        year, sign, month, day = match.groups()
        moved = self.day(f"{year}{month}{day}")
        return f"{moved[:4]}{sign}{moved[4:6]}{sign}{moved[6:]}" if moved else match[0]


def _texts(header: Dataset) -> Iterable[str]:
    """Values of identifying attributes at any depth."""
    found: list[str] = []

    def look(_ds: Dataset, element: DataElement) -> None:
        if element.keyword in _IDENTIFYING and element.VR in _NAMING and element.value:
            values = element.value if element.VM > 1 else [element.value]
            found.extend(str(value) for value in values)

    header.walk(look)
    return found
