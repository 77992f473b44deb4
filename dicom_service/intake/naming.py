"""Region, view and side of one image: where the header says them, and where it contradicts."""

from collections.abc import Iterator
from typing import NamedTuple

from pydicom import Dataset

from dicom_service.anatomy import Atlas
from dicom_service.intake.model import Side
from dicom_service.intake.region_names import find_digits, find_regions
from dicom_service.intake.said import (
    IMAGE_DESCRIPTIONS,
    STUDY_DESCRIPTIONS,
    Found,
    Problems,
    Said,
)
from dicom_service.intake.values import codes, items, text
from dicom_service.intake.view_names import find_view, said_views
from dicom_service.intake.words import side_in, words


class Named(NamedTuple):
    """Regions, digits, view and side of an image, and the sentences about what did not fit."""

    regions: Found
    digits: tuple[int, ...]
    view: Found
    side: Side
    problems: tuple[tuple[str, str], ...]
    """(key of the remark, sentence without the image's name)."""


def read_names(header: Dataset, atlas: Atlas, species: str | None = None) -> Named:
    """Region, view and side of one image of an animal of `species`."""
    problems: Problems = []
    hind = _is_hind(header, atlas)
    regions = find_regions(header, atlas, species, hind=hind, problems=problems)
    view = find_view(header, atlas, regions.value, problems)
    side = _side(header, problems)
    digits = find_digits(header, atlas, species, regions.value)
    return Named(regions, digits, view, side, tuple(problems))


def _is_hind(header: Dataset, atlas: Atlas) -> bool:
    """Whether the words for limb or view say hindlimb, where "fetlock" alone says neither."""
    for keyword in (*IMAGE_DESCRIPTIONS, *STUDY_DESCRIPTIONS):
        limb = atlas.limb_named(text(header, keyword))
        if limb:
            return limb == "hind"
    return any("Pl" in said.value for said in said_views(header, atlas))


# Sides


def _side(header: Dataset, problems: Problems) -> Side:
    said = list(_said_sides(header))
    if not said:
        return "U"
    first = said[0]
    for other in said:
        if other.value != first.value and "B" not in (first.value, other.value):
            problems.append(
                (
                    "side_contradiction",
                    f"{first.quoted} and {other.quoted} contradict each other about the "
                    f"side: read as {_SIDE_NAMES[first.value]}; compare the marker in the image",
                )
            )
            break
    return _SIDES[first.value]


_SIDES: dict[str, Side] = {"L": "L", "R": "R", "B": "B"}
_SIDE_NAMES = {"L": "left", "R": "right", "B": "both sides"}


def _said_sides(header: Dataset) -> Iterator[Said]:
    for keyword in ("ImageLaterality", "Laterality", "FrameLaterality"):
        letter = _laterality(header, keyword)
        if letter in _SIDES:
            yield Said(letter, keyword, letter)
    for item in items(header, "AnatomicRegionSequence"):
        for code in codes(item, "AnatomicRegionModifierSequence"):
            side = words().side_codes.get(code.value)
            if side:
                yield Said(side, "AnatomicRegionModifierSequence", code.meaning)
    for keyword in (*IMAGE_DESCRIPTIONS, *STUDY_DESCRIPTIONS):
        wording = text(header, keyword)
        named = side_in(wording)
        if named:
            yield Said(named, keyword, wording)


def _laterality(header: Dataset, keyword: str) -> str:
    if keyword != "FrameLaterality":
        return text(header, keyword).upper()
    for groups in items(header, "SharedFunctionalGroupsSequence"):
        for anatomy in items(groups, "FrameAnatomySequence"):
            return text(anatomy, keyword).upper()
    return text(header, keyword).upper()
