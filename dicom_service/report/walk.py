"""Finding one's way in a content tree that was read from a file."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from pydicom.dataset import Dataset
from pydicom.tag import BaseTag, Tag

from dicom_service.codes import get
from dicom_service.intake.fitting import plain, plain_value

CodeKey = tuple[str, str]
_CONTENT, _NAME, _CODED = Tag(0x0040A730), Tag(0x0040A043), Tag(0x0040A168)
_CODE = (Tag(0x00080100), Tag(0x00080119))
_SCHEME = Tag(0x00080102)


class Placed(NamedTuple):
    """An item and where it stands: "1.4.2", as readers number them."""

    item: Dataset
    where: str


def everything(document: Dataset) -> Iterator[Placed]:
    """Every item of the tree, the root first."""

    def below(item: Dataset, where: str) -> Iterator[Placed]:
        for number, child in enumerate(_given(item, _CONTENT), 1):
            place = f"{where}.{number}"
            yield Placed(child, place)
            yield from below(child, place)

    yield Placed(document, "1")
    yield from below(document, "1")


def key_of(entries: Sequence[Dataset] | None) -> CodeKey:
    """(value, scheme) of the first entry of a code sequence; ("", "") when there is none."""
    if not entries:
        return "", ""
    value = _text(entries[0], _CODE[0]) or _text(entries[0], _CODE[1])
    return value, _text(entries[0], _SCHEME)


def name_of(item: Dataset) -> CodeKey:
    """The key of an item's concept name."""
    return key_of(_given(item, _NAME))


def value_of(item: Dataset) -> CodeKey:
    """The key of a CODE item's value."""
    return key_of(_given(item, _CODED))


def children(item: Dataset, name: str = "") -> list[Dataset]:
    """The items directly below, those with one concept name or all."""
    below = _given(item, _CONTENT)
    if not name:
        return list(below)
    key = get(name).key
    return [child for child in below if name_of(child) == key]


def _given(item: Dataset, tag: BaseTag) -> Sequence[Dataset]:
    """The items of a sequence. By tag: by keyword is as slow as all else that a rule does."""
    return item[tag].value or () if tag in item else ()


def _text(item: Dataset, tag: BaseTag) -> str:
    return plain(item[tag].value) if tag in item else ""


def child(item: Dataset, name: str) -> Dataset | None:
    """The first item directly below with this concept name."""
    return next(iter(children(item, name)), None)


def text_below(item: Dataset | None, name: str) -> str:
    """The text of the first item below with this name; "" when there is none."""
    found = None if item is None else child(item, name)
    return "" if found is None else text_of(found)


def text_of(item: Dataset) -> str:
    """The value of a TEXT, UIDREF or PNAME item."""
    for keyword in ("TextValue", "UID", "PersonName"):
        if keyword in item:
            return plain_value(item, keyword)
    return ""


def image_of(item: Dataset) -> str:
    """SOP Instance UID of the first image that an item refers to, directly or by coordinates."""
    for entry in children(item):
        if entry.get("ValueType") in ("SCOORD", "NUM") and (found := image_of(entry)):
            return found
        if entry.get("ValueType") == "IMAGE":
            for reference in entry.get("ReferencedSOPSequence") or []:
                return str(reference.ReferencedSOPInstanceUID)
    return ""
