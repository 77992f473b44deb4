"""Rules of the standard for any structured report: relations, values, codes, header.

They hold for documents of any maker. Some are looked at by outside validators too, each by
another one; here all are in one place, so that nothing depends on what is installed.
"""

from collections.abc import Iterator, Sequence
from itertools import chain

from pydicom.dataset import Dataset
from pydicom.uid import UID

from dicom_service.codes import get
from dicom_service.report.walk import Placed, children, everything, image_of, key_of, name_of

_TEXTS = "TEXT CODE NUM DATETIME DATE TIME UIDREF PNAME"
_BY_VALUE = f"{_TEXTS} COMPOSITE IMAGE WAVEFORM SCOORD TCOORD"
_OBSERVED = ("TEXT", "CODE", "NUM")


def _allowed(sources: Sequence[str], targets: str) -> dict[str, frozenset[str]]:
    return {source: frozenset(targets.split()) for source in sources}


RELATIONS = {
    "CONTAINS": _allowed(["CONTAINER"], f"{_BY_VALUE} CONTAINER"),
    "HAS OBS CONTEXT": _allowed(["CONTAINER", *_OBSERVED], f"{_TEXTS} COMPOSITE"),
    "HAS ACQ CONTEXT": _allowed(
        ["CONTAINER", "NUM", "IMAGE", "WAVEFORM", "COMPOSITE"], f"{_TEXTS} CONTAINER"
    ),
    "HAS PROPERTIES": {
        **_allowed(_OBSERVED, _BY_VALUE),
        **_allowed(["PNAME"], "TEXT CODE DATETIME DATE TIME UIDREF PNAME"),
    },
    "INFERRED FROM": _allowed(_OBSERVED, _BY_VALUE),
    "SELECTED FROM": {
        **_allowed(["SCOORD"], "IMAGE"),
        **_allowed(["TCOORD"], "SCOORD IMAGE WAVEFORM"),
    },
}
"""Relation -> type of the item above -> types that may stand below (PS3.3 A.35.3, from memory).

HAS CONCEPT MOD is not listed: every item may have it, and only TEXT and CODE may be it.
"""

_VALUES = {
    "TEXT": "TextValue", "CODE": "ConceptCodeSequence", "DATE": "Date", "TIME": "Time",
    "DATETIME": "DateTime", "UIDREF": "UID", "PNAME": "PersonName", "SCOORD": "GraphicData",
    "IMAGE": "ReferencedSOPSequence", "COMPOSITE": "ReferencedSOPSequence",
}  # fmt: skip
_POINTS = {"POINT": 1, "CIRCLE": 2, "ELLIPSE": 4}
_NEEDS_SCOORD3D = {"1.2.840.10008.5.1.4.1.1.88.34", "1.2.840.10008.5.1.4.1.1.88.35"}
_LONGEST_VALUE, _LONGEST_MEANING = 16, 64
_DEEPEST = 100
"""Levels of a tree that are looked at; no report for people is as deep."""


def is_report(dataset: Dataset) -> bool:
    """Whether a file claims to be a structured report (not a key object selection)."""
    uid = str(dataset.get("SOPClassUID", ""))
    return uid.startswith("1.2.840.10008.5.1.4.1.1.88.") and not uid.endswith(".59")


def tree_problems(document: Dataset) -> tuple[str, ...]:
    """What in a structured report breaks the standard, each in a sentence; () is good."""
    if deep := too_deep(document):
        return (deep,)
    items = list(everything(document))
    return tuple(
        chain(_header(document), _context(document), *(_item(document, p) for p in items),
              _relations(document, items), _evidence(document, items))
    )  # fmt: skip


def too_deep(document: Dataset) -> str:
    """The sentence about a tree that is too deep to be walked; "" when it is not."""
    level, depth = [document], 0
    while level:  # not by recursion: a hostile tree may be very deep
        depth += 1
        level = [below for item in level for below in item.get("ContentSequence") or []]
    if depth <= _DEEPEST:
        return ""
    return f"the content tree is {depth} levels deep; {_DEEPEST} are looked at."


def _header(document: Dataset) -> Iterator[str]:
    if document.get("Modality") != "SR":
        yield f"the modality is '{document.get('Modality', '')}', not SR."
    yield from _flags(document)
    if document.get("ResponsiblePerson") and not document.get("ResponsiblePersonRole"):
        yield "a responsible person is named without a role (Responsible Person Role)."
    if not document.get("ContentTemplateSequence"):
        yield "the root does not name its template."
    yield from _predecessors(document)


def _flags(document: Dataset) -> Iterator[str]:
    completion, verification = document.get("CompletionFlag"), document.get("VerificationFlag")
    if completion not in ("PARTIAL", "COMPLETE"):
        yield f"the Completion Flag is '{completion or ''}', not PARTIAL or COMPLETE."
    if verification not in ("UNVERIFIED", "VERIFIED"):
        yield f"the Verification Flag is '{verification or ''}', not UNVERIFIED or VERIFIED."
    if verification == "VERIFIED" and completion != "COMPLETE":
        yield "it is verified but not complete (PS3.3 C.17.2)."
    if (verification == "VERIFIED") != bool(document.get("VerifyingObserverSequence")):
        yield "a verified document, and only that, names who verified it."


def _predecessors(document: Dataset) -> Iterator[str]:
    for study in document.get("PredecessorDocumentsSequence") or []:
        for series in study.get("ReferencedSeriesSequence") or []:
            for row in series.get("ReferencedSOPSequence") or []:
                if not row.get("PurposeOfReferenceCodeSequence"):
                    uid = row.get("ReferencedSOPInstanceUID", "")
                    yield f"the predecessor {uid} is named without a purpose."


def _context(document: Dataset) -> Iterator[str]:
    """Who observed, and in which language (TID 1204, 1001)."""
    names = {name_of(item) for item in children(document)}
    if get("language").key not in names:
        yield "the language of the document is not stated (121049, DCM)."
    stated = {"observer_type", "person_observer_name", "device_observer_uid"}
    if not any(get(name).key in names for name in stated):
        yield "no observer is stated (121005, DCM): a reader cannot tell who observed."


def _item(document: Dataset, placed: Placed) -> Iterator[str]:
    item, where = placed
    kind = str(item.get("ValueType", ""))
    if "ReferencedContentItemIdentifier" in item:
        return
    if kind == "SCOORD3D" and document.get("SOPClassUID") not in _NEEDS_SCOORD3D:
        yield f"the item {where} has three-dimensional coordinates, which this kind cannot hold."
    needed = _VALUES.get(kind)
    if needed and not item.get(needed):
        yield f"the item {where} ({kind}) has no value."
    elif kind == "SCOORD":
        yield from _graphic(item, where)
    if kind == "SCOORD" and not image_of(item):
        yield f"the coordinates {where} are not selected from an image."
    if kind == "NUM":
        for measured in item.get("MeasuredValueSequence") or []:
            if not measured.get("MeasurementUnitsCodeSequence"):
                yield f"the number {where} has no unit."
    yield from _codes(item, where)


def _graphic(item: Dataset, where: str) -> Iterator[str]:
    data, kind = item.GraphicData, str(item.get("GraphicType", ""))
    numbers = len(data) if not isinstance(data, float) else 1
    if numbers % 2:
        yield f"the coordinates {where} have an odd count of numbers ({numbers})."
    elif _POINTS.get(kind, numbers // 2) != numbers // 2:
        yield f"the coordinates {where} ({kind}) have {numbers // 2} points."


def _codes(item: Dataset, where: str) -> Iterator[str]:
    entries = [*(item.get("ConceptNameCodeSequence") or []),
               *(item.get("ConceptCodeSequence") or [])]  # fmt: skip
    for measured in item.get("MeasuredValueSequence") or []:
        entries += measured.get("MeasurementUnitsCodeSequence") or []
    for entry in entries:
        value, scheme = key_of([entry])
        meaning = str(entry.get("CodeMeaning", ""))
        if not (value and scheme and meaning):
            missing = "value" if not value else "meaning" if value and scheme else "scheme"
            yield f"the item {where} has a code '{value}' without its {missing}."
        if len(str(entry.get("CodeValue", ""))) > _LONGEST_VALUE:
            yield f"the item {where} has the code value '{value}', longer than 16 characters."
        if len(meaning) > _LONGEST_MEANING:
            yield f"the item {where} has a code meaning of {len(meaning)} characters; 64 is most."


def _relations(document: Dataset, items: Sequence[Placed]) -> Iterator[str]:
    kinds = {placed.where: str(placed.item.get("ValueType", "")) for placed in items}
    for item, where in items:
        if item is document or "ReferencedContentItemIdentifier" in item:
            continue
        relation = str(item.get("RelationshipType", ""))
        above, kind = kinds[where.rpartition(".")[0]], kinds[where]
        if relation == "HAS CONCEPT MOD":
            fits = kind in ("TEXT", "CODE")
        else:
            fits = kind in RELATIONS.get(relation, {}).get(above, frozenset())
        if not fits and kind != "SCOORD3D":
            said = f"{above or 'item'} {relation or '(no relation)'} {kind or '(no type)'}"
            yield f"the item {where} stands in a relation that is not allowed: {said}."


def _evidence(document: Dataset, items: Sequence[Placed]) -> Iterator[str]:
    listed = {
        str(row.get("ReferencedSOPInstanceUID", ""))
        for keyword in (
            "CurrentRequestedProcedureEvidenceSequence", "PertinentOtherEvidenceSequence",
            "PredecessorDocumentsSequence",
        )
        for study in document.get(keyword) or []
        for series in study.get("ReferencedSeriesSequence") or []
        for row in series.get("ReferencedSOPSequence") or []
    }  # fmt: skip
    for item, where in items:
        for row in item.get("ReferencedSOPSequence") or []:
            uid = str(row.get("ReferencedSOPInstanceUID", ""))
            if not UID(uid).is_valid:
                yield f"the item {where} refers to '{uid}', which is no UID."
            elif uid not in listed:
                yield f"the item {where} refers to {uid}, which is not listed as evidence."
