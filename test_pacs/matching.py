"""Attribute matching of queries (PS3.4 C.2.2.2)."""

import re
from collections.abc import Iterable

from pydicom import Dataset
from pydicom.dataelem import DataElement

_RANGE_VRS = {"DA", "TM", "DT"}
_EXACT_VRS = {"DA", "TM", "DT", "UI", "IS", "DS", "US", "UL", "SS", "SL", "FD", "FL", "AT"}
_FOLDED_VRS = {"PN"}


def matches(keys: Dataset, header: Dataset) -> bool:
    """Whether `header` satisfies every key of `keys`; a key without a value matches all."""
    return all(_element_matches(key, header) for key in keys)


def _element_matches(key: DataElement, header: Dataset) -> bool:
    if key.VR == "SQ":
        return _sequence_matches(key, header)
    wanted = texts(key)
    if not wanted:
        return True
    actual = texts(header[key.tag]) if key.tag in header else []
    return any(_value_matches(key.VR, one, value) for one in wanted for value in actual)


def _sequence_matches(key: DataElement, header: Dataset) -> bool:
    items: Iterable[Dataset] = key.value or []
    wanted = [item for item in items if any(texts(e) for e in item if e.VR != "SQ")]
    if not wanted:
        return True
    actual = header[key.tag].value if key.tag in header else []
    return any(matches(item, candidate) for item in wanted for candidate in actual)


def texts(element: DataElement) -> list[str]:
    """The values of an element as text, without the empty ones."""
    value = element.value
    if value is None or element.VR == "SQ":
        return []
    values = value if element.VM > 1 else [value]
    return [text for text in (str(one).strip(" \0") for one in values) if text]


def _value_matches(vr: str, wanted: str, actual: str) -> bool:
    if vr in _RANGE_VRS and "-" in wanted:
        return _in_range(vr, wanted, actual)
    if vr in {"TM", "DT"}:
        return _moment(vr, actual) == _moment(vr, wanted)
    if vr in _EXACT_VRS:
        return wanted == actual
    if vr in _FOLDED_VRS:
        wanted, actual = wanted.rstrip("^=").casefold(), actual.rstrip("^=").casefold()
    if "*" not in wanted and "?" not in wanted:
        return wanted == actual
    pattern = "".join({"*": ".*", "?": "."}.get(c, re.escape(c)) for c in wanted)
    return re.fullmatch(pattern, actual, re.DOTALL) is not None


def _in_range(vr: str, wanted: str, actual: str) -> bool:
    first, _, last = wanted.partition("-")
    value = _moment(vr, actual)
    lower, upper = _moment(vr, first.strip()), _moment(vr, last.strip(), fill="9")
    return (not first.strip() or lower <= value) and (not last.strip() or value <= upper)


def _moment(vr: str, text: str, fill: str = "0") -> str:
    """`text` as digits that compare in time order; missing parts become `fill`."""
    digits = re.sub(r"\D", "", text.split("+")[0])
    return digits.ljust({"DA": 8, "TM": 12}.get(vr, 20), fill)
