"""Rules on what a document says of images: referenced, inside the picture, on the right side."""

from collections.abc import Iterator, Mapping, Sequence

from pydicom.dataset import Dataset

from dicom_service.codes import get
from dicom_service.report.model import ReportContent
from dicom_service.report.walk import Placed, children, image_of, name_of, value_of


def image_problems(
    made: Dataset,
    items: Sequence[Placed],
    content: ReportContent | None,
    evidence: Sequence[Dataset],
) -> Iterator[str]:
    """What is wrong with references to images, coordinates and sides."""
    headers = {str(header.SOPInstanceUID): header for header in evidence}
    listed = set(_listed(made))
    sides = _sides(content, headers)
    by_place = {placed.where: placed.item for placed in items}
    for item, where in items:
        kind = item.get("ValueType")
        if kind in ("IMAGE", "COMPOSITE"):
            uid = image_of_reference(item)
            if uid not in listed:
                yield f"the item {where} refers to {uid}, which is not listed as evidence."
        elif kind == "SCOORD":
            yield from _coordinates(item, where, headers)
        if name_of(item) == get("laterality").key:
            image = _image_above(by_place, where)
            yield from _laterality(item, where, sides.get(image, frozenset()))


def image_of_reference(item: Dataset) -> str:
    """SOP Instance UID that an IMAGE or COMPOSITE item refers to."""
    for reference in item.get("ReferencedSOPSequence") or []:
        return str(reference.get("ReferencedSOPInstanceUID", ""))
    return ""


def _listed(made: Dataset) -> Iterator[str]:
    for keyword in ("CurrentRequestedProcedureEvidenceSequence", "PertinentOtherEvidenceSequence"):
        for study in made.get(keyword) or []:
            for series in study.get("ReferencedSeriesSequence") or []:
                for row in series.get("ReferencedSOPSequence") or []:
                    yield str(row.get("ReferencedSOPInstanceUID", ""))


def _coordinates(item: Dataset, where: str, headers: Mapping[str, Dataset]) -> Iterator[str]:
    uid = next((image_of_reference(c) for c in children(item) if c.ValueType == "IMAGE"), "")
    header = headers.get(uid)
    if header is None or "Rows" not in header:
        yield f"the coordinates {where} lie on {uid or 'no image'}, which is no image of the study."
        return
    data = item.get("GraphicData") or []
    width, height = float(header.Columns), float(header.Rows)
    for x, y in zip(data[::2], data[1::2], strict=False):
        if not (0 <= x <= width and 0 <= y <= height):
            yield (
                f"the coordinates {where} have the point ({x:g}, {y:g}) outside the image {uid} "
                f"of {width:g} columns and {height:g} rows."
            )


def _image_above(by_place: Mapping[str, Dataset], where: str) -> str:
    """The image of the nearest item above that refers to one; "" when none does."""
    while "." in where:
        where = where.rpartition(".")[0]
        uid = image_of(by_place[where])
        if uid:
            return uid
    return ""


def _sides(
    content: ReportContent | None, headers: Mapping[str, Dataset]
) -> dict[str, frozenset[str]]:
    """The sides each image may be reported as; no entry where nothing is known.

    The tags of the image count when they agree among themselves, else what intake made of them.
    """
    known = {image.uid: image.side for image in content.facts.images} if content else {}
    sides: dict[str, frozenset[str]] = {}
    for uid in {*known, *headers}:
        header = headers.get(uid, Dataset())
        tags = {str(header.get(k, "")) for k in ("ImageLaterality", "Laterality")} & {"L", "R"}
        if len(tags) == 1:
            sides[uid] = frozenset(tags)
        elif known.get(uid) in ("L", "R"):
            sides[uid] = frozenset({known[uid]})
    return sides


def _laterality(item: Dataset, where: str, sides: frozenset[str]) -> Iterator[str]:
    said = {get("left").key: "L", get("right").key: "R"}.get(value_of(item))
    if sides and said not in sides:
        yield (
            f"the item {where} says side {said or 'both'}, but its image shows side "
            f"{'/'.join(sorted(sides))}."
        )
