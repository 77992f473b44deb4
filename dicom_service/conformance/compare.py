"""Comparing what was sent with what came back: archives change more than one thinks."""

from collections.abc import Iterator

from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

_MOST = 6
_NOT_CONTENT = {0x00020000, 0x00080001}
_LONGEST = 40


def differences(sent: Dataset, came: Dataset, path: str = "") -> Iterator[str]:
    """Each attribute that was lost, added or changed, in a few words."""
    for element in sent:
        if element.tag in _NOT_CONTENT or element.tag.element == 0:
            continue
        name = path + (element.keyword or str(element.tag))
        if element.tag not in came:
            if element.value not in (None, "", []):
                yield f"{name} is lost"
        else:
            yield from _differs(element, came[element.tag], name)
    for element in came:
        if element.tag not in sent and element.tag.element and element.value not in (None, "", []):
            yield f"{path}{element.keyword or element.tag} was added"


def _differs(sent: DataElement, came: DataElement, name: str) -> Iterator[str]:
    if sent.VR == "SQ" and came.VR == "SQ":
        if len(sent.value) != len(came.value):
            yield f"{name} has {len(came.value)} items instead of {len(sent.value)}"
            return
        for number, (item, other) in enumerate(zip(sent.value, came.value, strict=True), 1):
            yield from differences(item, other, f"{name}[{number}].")
    elif _plain(sent) != _plain(came):
        yield f"{name} became '{_shown(came)}' instead of '{_shown(sent)}'"


def _plain(element: DataElement) -> object:
    """The value without what the standard does not count: padding, and how numbers are typed."""
    value = element.value
    if isinstance(value, bytes):
        return value.rstrip(b"\0")
    if isinstance(value, (int, float)):
        return float(value)
    if value is None:
        return ""
    if isinstance(value, str) or element.VR == "PN":
        return str(value).rstrip(" \0").rstrip("^=")
    try:
        return [str(part).strip() for part in value]
    except TypeError:
        return str(value).strip()


def _shown(element: DataElement) -> str:
    if isinstance(element.value, bytes):
        return f"{len(element.value)} bytes"
    text = str(element.value)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"


def listed(found: list[str]) -> str:
    """The first differences, and how many more there are."""
    more = f" and {len(found) - _MOST} more" if len(found) > _MOST else ""
    return "; ".join(found[:_MOST]) + more
