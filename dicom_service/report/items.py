"""Content items of a structured report (PS3.3 C.17.3): one small function per value type.

`tidy` and `single` say what a text may carry on its way through an archive; everything that is
written goes through them, so what is read back can be compared.
"""

import struct
import unicodedata
import uuid
from collections.abc import Iterable, Sequence
from copy import copy
from datetime import UTC, datetime
from functools import lru_cache
from typing import Literal, NamedTuple

from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

from dicom_service.codes import Code, get

Relation = Literal[
    "CONTAINS",
    "HAS CONCEPT MOD",
    "HAS OBS CONTEXT",
    "HAS PROPERTIES",
    "INFERRED FROM",
    "SELECTED FROM",
]

Graphic = Literal["POINT", "MULTIPOINT", "POLYLINE", "CIRCLE", "ELLIPSE"]


class ImageReference(NamedTuple):
    """What names one stored instance."""

    sop_instance_uid: str
    sop_class_uid: str
    series_uid: str


def tidy(text: str) -> str:
    """`text` without what DICOM text cannot carry: other control characters, trailing space.

    Line ends become a line feed and tabs four spaces; leading space stays, as UT keeps it
    (PS3.5 table 6.2-1).
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", "    ")
    kept = (c for c in text if c in "\n\f" or unicodedata.category(c) not in ("Cc", "Cs"))
    return "".join(kept).rstrip()


def single(text: str, longest: int) -> str:
    """`text` as one line without backslash, cut to `longest` characters (LO, SH)."""
    line = " ".join(tidy(text).replace("\\", "/").split())
    return line[:longest].rstrip()


def name_parts(name: str) -> str:
    """A person name as it is read back: no control characters, no empty trailing components."""
    groups = [
        "^".join(part.strip() for part in group.split("^")).rstrip("^")
        for group in tidy(name).replace("\\", " ").replace("\n", " ").split("=")
    ]
    return "=".join(groups).rstrip("=")


def as_single(number: float) -> float:
    """`number` in the precision of a graphic coordinate (FL, PS3.3 C.18.6.1)."""
    return float(struct.unpack("<f", struct.pack("<f", number))[0])


def dicom_datetime(at: datetime) -> str:
    """A DT value with its offset, exact to the microsecond."""
    offset = at.utcoffset()
    if offset is None or offset.total_seconds() % 60:
        at = at.astimezone(UTC)
    return at.strftime("%Y%m%d%H%M%S.%f%z")


def tracking_uid(study_uid: str, what: str) -> str:
    """The UID that follows one thing of a study through every document that names it."""
    return f"2.25.{uuid.uuid5(uuid.NAMESPACE_OID, f'{study_uid}/{what}').int}"


def code_item(code: Code) -> Dataset:
    """The coded entry of `code` (PS3.3 table 8.8-1)."""
    item = Dataset()
    for element in _code_elements(code):
        item.add(copy(element))
    return item


@lru_cache(maxsize=4096)
def _code_elements(code: Code) -> tuple[DataElement, ...]:
    """Made once, for half of a report's elements are those of a few hundred codes."""
    value = (0x00080100, "SH") if len(code.value) <= 16 else (0x00080119, "UC")
    return (
        DataElement(*value, code.value),
        DataElement(0x00080102, "SH", code.scheme),
        DataElement(0x00080104, "LO", code.meaning),
    )


def _item(relation: Relation, value_type: str, name: str | Code) -> Dataset:
    item = Dataset()
    item.add_new(0x0040A010, "CS", relation)
    item.add_new(0x0040A040, "CS", value_type)
    item.add_new(0x0040A043, "SQ", [code_item(get(name) if isinstance(name, str) else name)])
    return item


def below(item: Dataset, children: Iterable[Dataset]) -> Dataset:
    """Put `children` under `item`, after those it has."""
    children = list(children)
    if children:
        item.ContentSequence = [*item.get("ContentSequence", []), *children]
    return item


def container(name: str | Code, children: Sequence[Dataset]) -> Dataset:
    """A heading with items below it."""
    item = _item("CONTAINS", "CONTAINER", name)
    item.add_new(0x0040A050, "CS", "SEPARATE")
    return below(item, children)


def heading(name: str | Code, children: Sequence[Dataset]) -> list[Dataset]:
    """A heading, or nothing when there is nothing to put below it."""
    return [container(name, children)] if children else []


def text(relation: Relation, name: str, value: str) -> list[Dataset]:
    """A TEXT item, or nothing when the text is blank (an empty TEXT is illegal)."""
    value = tidy(value)
    if not value.strip():
        return []
    item = _item(relation, "TEXT", name)
    item.add_new(0x0040A160, "UT", value)
    return [item]


def identifier(identity: str) -> list[Dataset]:
    """Our id of the thing that the item above is about, as its tracking identifier."""
    return text("HAS OBS CONTEXT", "tracking_identifier", identity)


def coded(relation: Relation, name: str | Code, value: str | Code) -> Dataset:
    """A CODE item."""
    item = _item(relation, "CODE", name)
    code = get(value) if isinstance(value, str) else value
    item.add_new(0x0040A168, "SQ", [code_item(code)])
    return item


def number(name: str | Code, value: float, unit: str, relation: Relation = "CONTAINS") -> Dataset:
    """A NUM item: two decimals for people, the exact value for programs when it differs."""
    shown = f"{value:.2f}"
    if len(shown) > 16:
        shown = f"{value:.8e}"
    measured = Dataset()
    if float(shown) != value:
        measured.add_new(0x0040A161, "FD", value)
    measured.add_new(0x004008EA, "SQ", [code_item(get(unit))])
    measured.add_new(0x0040A30A, "DS", shown)
    item = _item(relation, "NUM", name)
    item.add_new(0x0040A300, "SQ", [measured])
    return item


def value_of_number(item: Dataset) -> float:
    """The exact value of a NUM item."""
    measured = item.MeasuredValueSequence[0]
    exact = measured.get("FloatingPointValue")
    return float(measured.NumericValue if exact is None else exact)


def person_name(relation: Relation, name: str, value: str) -> Dataset:
    """A PNAME item."""
    item = _item(relation, "PNAME", name)
    item.add_new(0x0040A123, "PN", name_parts(value))
    return item


def uid_item(relation: Relation, name: str, value: str) -> Dataset:
    """A UIDREF item."""
    item = _item(relation, "UIDREF", name)
    item.add_new(0x0040A124, "UI", value)
    return item


def _referenced(sop_class_uid: str, sop_instance_uid: str) -> Dataset:
    reference = Dataset()
    reference.add_new(0x00081150, "UI", sop_class_uid)
    reference.add_new(0x00081155, "UI", sop_instance_uid)
    return reference


def image(relation: Relation, name: str, reference: ImageReference) -> Dataset:
    """An IMAGE item."""
    item = _item(relation, "IMAGE", name)
    item.add_new(
        0x00081199, "SQ", [_referenced(reference.sop_class_uid, reference.sop_instance_uid)]
    )
    return item


def composite(relation: Relation, name: str, sop_class_uid: str, uid: str) -> Dataset:
    """A COMPOSITE item: a reference to another document."""
    item = _item(relation, "COMPOSITE", name)
    item.add_new(0x00081199, "SQ", [_referenced(sop_class_uid, uid)])
    return item


def nameless(item: Dataset) -> Dataset:
    """The item without a concept name: TID 2010 has none for what it selects."""
    del item.ConceptNameCodeSequence
    return item


def polyline(
    points: Sequence[tuple[float, float]], name: str, reference: ImageReference
) -> Dataset:
    """A SCOORD polyline on an image; `points` are (column, row) (PS3.3 C.18.6.1.2)."""
    return graphic("POLYLINE", points, name, reference)


def graphic(
    kind: Graphic, points: Sequence[tuple[float, float]], name: str, reference: ImageReference
) -> Dataset:
    """SCOORD coordinates on an image; a circle is its middle and a point on it."""
    item = _item("INFERRED FROM", "SCOORD", name)
    item.add_new(0x00700022, "FL", [axis for point in points for axis in point])
    item.add_new(0x00700023, "CS", kind)
    return below(item, [image("SELECTED FROM", "source_of_measurement", reference)])
