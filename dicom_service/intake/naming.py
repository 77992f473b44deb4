"""Region, view and side of one image: where the header says them, and where it contradicts."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from pydicom import Dataset

from dicom_service.anatomy import Atlas
from dicom_service.anatomy.words import key
from dicom_service.intake.model import Side
from dicom_service.intake.values import code_of, codes, items, text
from dicom_service.intake.words import side_in, words

IMAGE_DESCRIPTIONS = (
    "SeriesDescription",
    "ProtocolName",
    "AcquisitionDeviceProcessingDescription",
    "ImageComments",
)
"""Free text about one image or series, the most telling first."""
STUDY_DESCRIPTIONS = (
    "PerformedProcedureStepDescription",
    "RequestedProcedureDescription",
    "StudyDescription",
)
"""Free text about the whole study; it may speak of several images."""


class Said(NamedTuple):
    """What one attribute says."""

    value: str
    where: str
    """Keyword of the attribute."""
    words: str
    """The value as it stands there, for sentences."""


class Named(NamedTuple):
    """Region, view and side of an image, and the sentences about what did not fit."""

    regions: tuple[str, ...]
    view: str
    view_found_in: str
    side: Side
    problems: tuple[tuple[str, str], ...]
    """(key of the remark, sentence without the image's name)."""


def read_names(header: Dataset, atlas: Atlas, species: str | None = None) -> Named:
    """Region, view and side of one image of an animal of `species`.

    Codes count before terms, terms before descriptions. Human words for a projection ("AP") are
    read as the projection that this part of the limb has.
    """
    problems: list[tuple[str, str]] = []
    regions = _regions(header, atlas, species, problems)
    view, found_in = _view(header, atlas, regions, problems)
    side = _side(header, problems)
    return Named(regions, view, found_in, side, tuple(problems))


def _quoted(said: Said) -> str:
    return f"{said.where} '{said.words}'"


# Regions


def _regions(
    header: Dataset, atlas: Atlas, species: str | None, problems: list[tuple[str, str]]
) -> tuple[str, ...]:
    said = list(_said_regions(header, atlas, species))
    if not said:
        return ()
    first = said[0]
    found = tuple(first.value.split())
    for other in said[1:]:
        if other.where not in STUDY_DESCRIPTIONS and not set(other.value.split()) & set(found):
            problems.append(
                (
                    "region_contradiction",
                    f"{_quoted(first)} and {_quoted(other)} name different parts of the limb: "
                    f"read as {' and '.join(found)}; check the image",
                )
            )
            break
    return _widened(found, said[1:])


def _widened(found: tuple[str, ...], others: Sequence[Said]) -> tuple[str, ...]:
    """The coded fields hold one region; words that name it among others tell of all of them."""
    for other in others:
        named = tuple(other.value.split())
        if set(found) < set(named):
            return named
    return found


def _said_regions(header: Dataset, atlas: Atlas, species: str | None) -> Iterator[Said]:
    hind = _is_hind(header, atlas)
    for code in codes(header, "AnatomicRegionSequence"):
        region = atlas.region_of_code(code.value, code.scheme, species)
        found = (region,) if region else atlas.find_regions(code.meaning, species)
        if found:
            hind = hind or any(atlas.is_hind_part(region) for region in found)
            yield Said(" ".join(found), "AnatomicRegionSequence", code.meaning)
    for keyword in ("BodyPartExamined", *IMAGE_DESCRIPTIONS, *STUDY_DESCRIPTIONS):
        wording = text(header, keyword)
        found = atlas.find_regions(wording, species)
        if found:
            found = atlas.in_hindlimb(found) if hind else found
            yield Said(" ".join(found), keyword, wording)


def _is_hind(header: Dataset, atlas: Atlas) -> bool:
    """Whether the words for limb or view say hindlimb, where "fetlock" alone says neither."""
    for keyword in (*IMAGE_DESCRIPTIONS, *STUDY_DESCRIPTIONS):
        limb = atlas.limb_named(text(header, keyword))
        if limb:
            return limb == "hind"
    return any("Pl" in said.value for said in _said_views(header, atlas))


# Views


def _view(
    header: Dataset, atlas: Atlas, regions: Sequence[str], problems: list[tuple[str, str]]
) -> tuple[str, str]:
    said = [(_fitted(one.value, regions), one) for one in _said_views(header, atlas)]
    if not said:
        return "", ""
    label, first = said[0]
    found_in = first.where
    if label != first.value and _is_explicit(first):
        problems.append(
            (
                "view_region",
                f"{_quoted(first)} does not exist for the {' and '.join(regions)}: read as "
                f"{label}; check region and view",
            )
        )
    for other_label, other in said[1:]:
        if atlas.is_view_or_like(other_label, label):
            if other_label != label:  # "flexed lateral" says more than "ML"
                label, found_in = other_label, f"{first.where} and {other.where}"
        elif not atlas.is_view_or_like(label, other_label):
            problems.append(
                (
                    "view_contradiction",
                    f"{_quoted(first)} and {_quoted(other)} name different views: read as "
                    f"{label}; check the image",
                )
            )
            break
    return label, found_in


def _said_views(header: Dataset, atlas: Atlas) -> Iterator[Said]:
    for item in items(header, "ViewCodeSequence"):
        modifiers = [c.value for c in codes(item, "ViewModifierCodeSequence")]
        code = code_of(item)
        if code is None:
            continue
        labels = (
            atlas.view_of_code(code.value, code.scheme, modifier) for modifier in (*modifiers, "")
        )
        label = next(filter(None, labels), None) or atlas.find_view(code.meaning)
        if label:
            yield Said(label, "ViewCodeSequence", code.meaning)
    for keyword in ("ViewPosition", *IMAGE_DESCRIPTIONS):
        wording = text(header, keyword)
        label = atlas.find_view(wording) if wording else None
        if label:
            yield Said(label, keyword, wording)


def _is_explicit(said: Said) -> bool:
    """Whether the words themselves mean this projection, so that fitting it changes them."""
    return said.where == "ViewCodeSequence" or key(said.value) in key(said.words)


def _fitted(label: str, regions: Sequence[str]) -> str:
    """The name that the projection `label` has in these parts of the limb."""
    parts = {words().limb_part(region) for region in regions}
    if len(parts) != 1:
        return label
    (part,) = parts
    for row in words().same_view.rows:
        if label in row.values() and part in row:
            # VD and DV of a limb stay what they are; only the trunk has those names.
            named_for = next(p for p, name in row.items() if name == label)
            return label if named_for == "trunk" else row[part]
    return label


# Sides


def _side(header: Dataset, problems: list[tuple[str, str]]) -> Side:
    said = list(_said_sides(header))
    if not said:
        return "U"
    first = said[0]
    for other in said:
        if other.value != first.value and "B" not in (first.value, other.value):
            problems.append(
                (
                    "side_contradiction",
                    f"{_quoted(first)} and {_quoted(other)} contradict each other about the "
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
