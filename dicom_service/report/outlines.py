"""Outlines of normal variants in documents: content items, presentation states, and back."""

import math
from typing import Literal

from pydicom.dataset import Dataset

from dicom_service.report import items as sr
from dicom_service.report.items import as_single
from dicom_service.report.walk import child
from dicom_service.review.model import Outline

Points = tuple[tuple[float, float], ...]


def drawn(outline: Outline) -> Points:
    """The points as DICOM wants them: an ellipse with its longer axis first, a line closed."""
    points = outline.points
    if outline.kind == "outline":
        return (*points, points[0])
    first, second = points[:2], points[2:]
    return (*first, *second) if math.dist(*first) >= math.dist(*second) else (*second, *first)


def graphic_type(outline: Outline) -> Literal["ELLIPSE", "POLYLINE"]:
    """What SCOORD and Graphic Type call it."""
    return "ELLIPSE" if outline.kind == "ellipse" else "POLYLINE"


def label(outline: Outline) -> str:
    """What stands beside it on the image."""
    return f"{outline.name.strip()}, normal variant"


def coordinates(outline: Outline, reference: sr.ImageReference) -> Dataset:
    """The SCOORD item below the name of the variant."""
    return sr.graphic(graphic_type(outline), drawn(outline), "illustration", reference)


def read(item: Dataset) -> tuple[Literal["ellipse", "outline"], Points]:
    """Kind and points of what `coordinates` wrote below `item`."""
    made = child(item, "illustration") or Dataset()
    data = [as_single(float(axis)) for axis in made.GraphicData]
    points = tuple(zip(data[::2], data[1::2], strict=True))
    return ("ellipse", points) if made.GraphicType == "ELLIPSE" else ("outline", points[:-1])


def as_told(outline: Outline) -> Outline:
    """What the content tree tells of it."""
    points = drawn(outline) if outline.kind == "ellipse" else outline.points
    return outline.model_copy(
        update={
            "name": sr.tidy(outline.name),
            "item": sr.tidy(outline.item),
            "points": tuple((as_single(x), as_single(y)) for x, y in points),
        }
    )
