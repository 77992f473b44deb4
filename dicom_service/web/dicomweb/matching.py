"""Matching of QIDO-RS searches (PS3.18 8.3.4, PS3.4 C.2.2.2) on records in the JSON model."""

import re
from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from typing import Any

from pydicom.datadict import dictionary_VR, tag_for_keyword

from dicom_service.errors import Refused

Record = Mapping[str, Mapping[str, Any]]

_OPTIONS = {"limit", "offset", "includefield", "fuzzymatching", "everything"}
_RANGED = {"DA", "TM", "DT"}
_TAG = re.compile(r"[0-9A-Fa-f]{8}")
LONGEST_VALUE = 1024


def tag_of(name: str) -> str | None:
    """The tag of an attribute given as tag or keyword, as eight capital digits."""
    if _TAG.fullmatch(name):
        return name.upper()
    tag = tag_for_keyword(name)
    return None if tag is None else f"{tag:08X}"


def conditions(arguments: Iterable[tuple[str, str]]) -> dict[str, str]:
    """The attributes to match, by tag; universal matching (an empty value) is no condition.

    Raises
    ------
    Refused
        A parameter is no attribute, so the search would find more than was asked for.
    """
    wanted = {}
    for name, value in arguments:
        if name in _OPTIONS:
            continue
        tag = tag_of(name)
        if tag is None:
            raise Refused(f"The search parameter {name[:64]} is no DICOM attribute.")
        if len(value) > LONGEST_VALUE:
            raise Refused(f"The value of the search parameter {name} is too long.")
        if value and set(value) != {"*"}:
            wanted[tag] = value
    return wanted


def included(fields: Iterable[str]) -> list[str]:
    """Tags of the attributes that a search wants besides the usual ones."""
    names = (name.strip() for field in fields for name in field.split(","))
    return [tag for name in names if (tag := tag_of(name)) is not None]


def matches(record: Record, wanted: Mapping[str, str]) -> bool:
    """Whether a record fulfils every condition."""
    return all(
        any(_matches(value, pattern, _vr(tag, record)) for value in values(record, tag))
        for tag, pattern in wanted.items()
    )


def values(record: Record, tag: str) -> list[str]:
    """The values of an attribute as text."""
    found = record.get(tag, {}).get("Value", [])
    return [v.get("Alphabetic", "") if isinstance(v, dict) else str(v) for v in found]


def _vr(tag: str, record: Record) -> str:
    try:
        return dictionary_VR(int(tag, 16))
    except KeyError:
        return str(record.get(tag, {}).get("vr", ""))


def _matches(value: str, pattern: str, vr: str) -> bool:
    if vr == "UI":
        return value in re.split(r"[,\\]", pattern)
    if vr in _RANGED and "-" in pattern:
        first, _, last = pattern.partition("-")
        return (not first or value >= first) and (not last or value[: len(last)] <= last)
    if vr == "PN":
        value, pattern = value.casefold(), pattern.casefold()
    return fnmatchcase(value, pattern.replace("[", "[[]"))
