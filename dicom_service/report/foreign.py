"""Other makers' measurement reports (TID 1500 and kin), read tolerantly.

Whatever the tree is like, this ends and says what it could not read: nothing is followed but the
containment of items, with an explicit stack, to a depth and a number of items.
"""

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from pydicom.dataset import Dataset

from dicom_service.base import Frozen
from dicom_service.intake.fitting import plain_value
from dicom_service.report.walk import CodeKey, key_of

MOST_DEPTH = 64
MOST_ITEMS = 20_000
MOST_SAID = 20
MOST_TEXT = 4000
"""Letters of one text."""
_TRACKING_ID, _TRACKING_UID = ("112039", "DCM"), ("112040", "DCM")
_SITES = {("363698007", "SCT"), ("G-C0E3", "SRT")}
_SIDES = {("272741003", "SCT"), ("G-C171", "SRT")}
_TYPES = {
    "CONTAINER", "TEXT", "CODE", "NUM", "DATETIME", "DATE", "TIME", "UIDREF", "PNAME",
    "COMPOSITE", "IMAGE", "WAVEFORM", "SCOORD", "SCOORD3D", "TCOORD", "TABLE",
}  # fmt: skip


class ForeignMeasurement(Frozen):
    """A measurement as another maker's report has it."""

    meaning: str
    code: str = ""
    value: float
    unit: str = ""
    site: str = ""
    side: str = ""
    date: str = ""
    tracking_id: str = ""
    tracking_uid: str = ""
    image_uid: str = ""


class ForeignReport(Frozen):
    """What could be read of a structured report that is not ours."""

    title: str = ""
    maker: str = ""
    date: str = ""
    complete: bool = False
    verified: bool = False
    measurements: tuple[ForeignMeasurement, ...] = ()
    texts: tuple[tuple[str, str], ...] = ()
    """(heading, text), in order of the document."""
    not_read: tuple[str, ...] = ()
    """What was left out, in sentences."""


class _Context(NamedTuple):
    """What an item inherits from the groups that it stands in."""

    site: str = ""
    side: str = ""
    date: str = ""
    tracking_id: str = ""
    tracking_uid: str = ""


class _Said:
    """Collects what could not be read; the first few sentences and a number."""

    def __init__(self) -> None:
        self._sentences: list[str] = []

    def say(self, sentence: str) -> None:
        self._sentences.append(sentence)

    def all(self) -> tuple[str, ...]:
        more = len(self._sentences) - MOST_SAID
        kept = self._sentences[:MOST_SAID]
        return (*kept, f"And {more} more.") if more > 0 else tuple(kept)


def read_foreign(document: Dataset) -> ForeignReport:
    """Read a structured report of any maker.

    Parameters
    ----------
    document
        With a content tree; what is wrong in it is said in `not_read`.
    """
    said = _Said()
    date = _text(document, "ContentDate") or _text(document, "StudyDate")
    measurements: list[ForeignMeasurement] = []
    texts: list[tuple[str, str]] = []
    stack: list[tuple[Dataset, tuple[int, ...], _Context]] = [(document, (1,), _Context(date=date))]
    seen = 0
    while stack:
        item, where, above = stack.pop()
        seen += 1
        if seen > MOST_ITEMS:
            said.say(f"The report has more than {MOST_ITEMS} items; the rest was not read.")
            break
        below = _below(item, where, said)
        context = _context(item, below, above)
        kind = _text(item, "ValueType")
        if kind == "NUM":
            found = _measurement(item, where, context, below, said)
            measurements += [found] if found else []
        elif kind == "TEXT" and (text := _text(item, "TextValue")):
            texts.append((_name(item), text[:MOST_TEXT]))
        if len(where) >= MOST_DEPTH and below:
            said.say(f"Below level {MOST_DEPTH} ({_place(where[:6])} …) nothing was read.")
            continue
        numbered = [(child, (*where, n), context) for n, child in enumerate(below, 1)]
        stack += [entry for entry in reversed(numbered) if _is_item(entry[0], entry[1], said)]
    return ForeignReport(
        title=_name(document) or _text(document, "SeriesDescription"),
        maker=_text(document, "Manufacturer"),
        date=date,
        complete=_text(document, "CompletionFlag") == "COMPLETE",
        verified=_text(document, "VerificationFlag") == "VERIFIED",
        measurements=tuple(measurements),
        texts=tuple(texts),
        not_read=said.all(),
    )


def _below(item: Dataset, where: Sequence[int], said: _Said) -> list[Dataset]:
    try:
        return [c for c in item.get("ContentSequence") or [] if isinstance(c, Dataset)]
    except Exception as error:  # noqa: BLE001 - whatever bytes do to the parser
        said.say(f"What is below item {_place(where)} cannot be read ({type(error).__name__}).")
        return []


def _is_item(item: Dataset, where: Sequence[int], said: _Said) -> bool:
    """Whether an item can be entered: it is contained here, and says what it is."""
    target = _get(item, "ReferencedContentItemIdentifier")
    if target is not None:
        steps = _steps(target)
        back = bool(steps) and tuple(where[: len(steps)]) == steps
        end = "it stands in that item itself, a cycle" if back else "references are not followed"
        said.say(f"Item {_place(where)} refers to item {_place(steps)}: {end}.")
        return False
    kind = _text(item, "ValueType")
    if kind in _TYPES:
        return True
    wrong = f"the unknown value type '{kind[:16]}'" if kind else "no value type"
    said.say(f"Item {_place(where)} has {wrong} and was left out.")
    return False


def _steps(target: Any) -> tuple[int, ...]:
    try:
        return tuple(int(step) for step in (target if isinstance(target, Sequence) else [target]))
    except (TypeError, ValueError):
        return ()


def _context(item: Dataset, below: Sequence[Dataset], above: _Context) -> _Context:
    changes = {"date": _text(item, "ObservationDateTime")[:8]}
    for child in below:
        name = _key(child, "ConceptNameCodeSequence")
        if name == _TRACKING_ID:
            changes["tracking_id"] = _text(child, "TextValue")
        elif name == _TRACKING_UID:
            changes["tracking_uid"] = _text(child, "UID")
        elif name in _SITES:
            changes["site"] = _meaning(child, "ConceptCodeSequence")
            sides = (s for s in _quietly_below(child) if _is_side(s))
            side = next((_meaning(s, "ConceptCodeSequence") for s in sides), "")
            changes["side"] = side or changes.get("side", "")
        elif name in _SIDES:
            changes["side"] = _meaning(child, "ConceptCodeSequence")
    return above._replace(**{field: text for field, text in changes.items() if text})


def _is_side(item: Dataset) -> bool:
    return _key(item, "ConceptNameCodeSequence") in _SIDES


def _quietly_below(item: Dataset) -> list[Dataset]:
    return _below(item, (), _Said())


def _measurement(
    item: Dataset,
    where: Sequence[int],
    context: _Context,
    below: Sequence[Dataset],
    said: _Said,
) -> ForeignMeasurement | None:
    measured = _first(item, "MeasuredValueSequence")
    value = _number(measured)
    if value is None:
        said.say(f"The measurement at item {_place(where)} has no value.")
        return None
    name = _name(item)
    if not name:
        said.say(f"The measurement at item {_place(where)} does not say what was measured.")
        return None
    unit = _first(measured, "MeasurementUnitsCodeSequence") if measured is not None else None
    written = "" if unit is None else _text(unit, "CodeValue") or _text(unit, "CodeMeaning")
    return ForeignMeasurement(
        meaning=name,
        code=":".join(reversed(_key(item, "ConceptNameCodeSequence"))),
        value=value,
        unit="" if written == "1" else written,
        image_uid=_image(below),
        **context._asdict(),
    )


def _number(measured: Dataset | None) -> float | None:
    for keyword in ("FloatingPointValue", "NumericValue"):
        raw = None if measured is None else _get(measured, keyword)
        try:
            value = float(raw) if raw is not None else math.nan
        except (TypeError, ValueError):
            continue
        if math.isfinite(value):
            return value
    return None


def _image(below: Sequence[Dataset]) -> str:
    """The image that a measurement or its coordinates were taken from."""
    for child in below:
        entries = [child, *_quietly_below(child)]
        for entry in entries:
            reference = _first(entry, "ReferencedSOPSequence")
            if _text(entry, "ValueType") == "IMAGE" and reference is not None:
                return _text(reference, "ReferencedSOPInstanceUID")
    return ""


def _get(item: Dataset, keyword: str) -> Any:
    try:
        return item.get(keyword)
    except Exception:  # noqa: BLE001 - whatever bytes do to the parser
        return None


def _text(item: Dataset, keyword: str) -> str:
    try:
        return plain_value(item, keyword)
    except Exception:  # noqa: BLE001 - whatever bytes do to the parser
        return ""


def _first(item: Dataset | None, keyword: str) -> Dataset | None:
    found = None if item is None else _get(item, keyword)
    try:
        return found[0] if found and isinstance(found[0], Dataset) else None
    except Exception:  # noqa: BLE001 - whatever bytes do to the parser
        return None


def _key(item: Dataset, keyword: str) -> CodeKey:
    entry = _first(item, keyword)
    return ("", "") if entry is None else key_of([entry])


def _meaning(item: Dataset, keyword: str) -> str:
    entry = _first(item, keyword)
    return "" if entry is None else _text(entry, "CodeMeaning")


def _name(item: Dataset) -> str:
    return _meaning(item, "ConceptNameCodeSequence")


def _place(where: Sequence[int]) -> str:
    return ".".join(str(step) for step in where) or "?"
