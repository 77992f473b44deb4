"""What a document may take over from a header: a value that its VR allows (PS3.5 table 6.2-1).

Cameras send names and numbers that are too long, or hold a backslash or control characters. An
archive may refuse a document with such a value, so it gets what fits. A text that was cut ends in
an ellipsis; an identifier does not, since archives that cut it themselves then still match.
"""

import re
import unicodedata
from typing import Any

from pydicom import Dataset
from pydicom.datadict import dictionary_VR, tag_for_keyword

PATIENT_AND_STUDY = (
    "PatientName",
    "PatientID",
    "IssuerOfPatientID",
    "TypeOfPatientID",
    "PatientBirthDate",
    "PatientBirthTime",
    "PatientAge",
    "PatientWeight",
    "PatientSpeciesDescription",
    "PatientBreedDescription",
    "ResponsiblePerson",
    "ResponsibleOrganization",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "StudyDescription",
    "AccessionNumber",
    "ReferringPhysicianName",
)
"""Attributes with a value of their own that documents take over from the images."""

IDENTIFIERS = frozenset(
    {"PatientID", "IssuerOfPatientID", "StudyID", "AccessionNumber", "RequestedProcedureID"}
)
"""What other systems look things up by."""

LONGEST = {"LO": 64, "SH": 16, "PN": 64}
"""Characters of a value, of a name those of each group."""

_FORMS = {
    "DA": re.compile(r"\d{4}(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])"),
    "TM": re.compile(r"([01]\d|2[0-3])([0-5]\d([0-5]\d(\.\d{1,6})?)?)?"),
    "AS": re.compile(r"\d{3}[DWMY]"),
    "DS": re.compile(r"(?=.{1,16}\Z)[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"),
    "CS": re.compile(r"[A-Z0-9 _]{1,16}"),
}
"""Values that either have the form of the standard or say nothing."""

_COMPONENTS, _GROUPS = 5, 3
_CUT = "…"


def plain_value(header: Dataset, keyword: str) -> str:
    """A single text value, decoded; several values joined as they stood, "" when absent."""
    return plain(header.get(keyword))


def plain(value: Any) -> str:
    """The same of a value that was looked up already."""
    if value is None:
        return ""
    if isinstance(value, str) or not hasattr(value, "__iter__"):
        return str(value)
    if hasattr(value, "components"):
        return str(value)
    return "\\".join(str(part) for part in value)


def fitted(keyword: str, written: str) -> str:
    """`written` as the VR of the attribute allows it; "" for a date or number that is none."""
    vr = _vr(keyword)
    if vr in _FORMS:
        return written.strip() if _FORMS[vr].fullmatch(written.strip()) else ""
    if vr not in (*LONGEST, "UC"):
        return written
    kept = _line(written)
    if vr == "PN":
        return "=".join(_group(group) for group in kept.split("=")[:_GROUPS])
    longest = LONGEST.get(vr, len(kept))
    return kept if len(kept) <= longest else _cut(kept, longest, keyword not in IDENTIFIERS)


def fault(keyword: str, written: str) -> str:
    """Which rule of the standard a value breaks, "" for one that fits as it stands."""
    vr = _vr(keyword)
    if fitted(keyword, written).strip() == written.strip():
        return ""
    if vr in _FORMS:
        return "does not have the form that the standard asks for"
    if _line(written).strip() != written.strip():
        return "has a backslash, a line end or another control character"
    if vr == "PN" and len(written) <= LONGEST[vr]:
        return f"has more than {_COMPONENTS} parts or {_GROUPS} spellings"
    return f"has more than {LONGEST.get(vr, 0)} characters"


def _vr(keyword: str) -> str:
    tag = tag_for_keyword(keyword)
    return "" if tag is None else dictionary_VR(tag)


def _line(written: str) -> str:
    """One line without backslash; what is no sign at all becomes a space."""
    signs = ("/" if c == "\\" else c for c in written)
    kept = "".join(" " if unicodedata.category(c) in ("Cc", "Cs") else c for c in signs)
    return kept if kept == written else " ".join(kept.split())


def _group(group: str) -> str:
    """One spelling of a name, its longest parts cut until all of them fit."""
    parts = group.split("^")
    if len(parts) > _COMPONENTS:
        parts[_COMPONENTS - 1 :] = [" ".join(filter(None, parts[_COMPONENTS - 1 :]))]
    while (over := len("^".join(parts)) - LONGEST["PN"]) > 0:
        *_, second, longest = sorted(len(part) for part in ("", *parts))
        at = next(n for n, part in enumerate(parts) if len(part) == longest)
        parts[at] = _cut(parts[at], min(max(longest - over, second), longest - 1), visibly=True)
    return "^".join(parts)


def _cut(text: str, longest: int, visibly: bool) -> str:
    return text[: longest - 1].rstrip(f" {_CUT}") + _CUT if visibly else text[:longest].rstrip()
