"""The parts of the limb that an image shows, wherever its headers say so."""

from collections.abc import Iterator, Sequence

from pydicom import Dataset

from dicom_service.anatomy import Atlas
from dicom_service.intake.digits import digits_in
from dicom_service.intake.said import (
    IMAGE_DESCRIPTIONS,
    STUDY_DESCRIPTIONS,
    Found,
    Problems,
    Said,
    lowered,
    of_text,
)
from dicom_service.intake.values import codes, text
from dicom_service.intake.words import words

_TEXTS = ("BodyPartExamined", *IMAGE_DESCRIPTIONS, *STUDY_DESCRIPTIONS)


def find_regions(
    header: Dataset, atlas: Atlas, species: str | None, *, hind: bool, problems: Problems
) -> Found:
    """The regions of an image; `hind`: other headers say that it is a hindlimb.

    Codes count before terms, terms before descriptions, a part before a whole limb.
    """
    said = list(_said_parts(header, atlas, species, hind))
    said = said or list(_said_limbs(header, atlas, species, hind))[:1]
    if not said:
        return Found()
    first = said[0]
    found, confidence = tuple(first.value.split()), first.confidence
    for other in said[1:]:
        if other.where not in STUDY_DESCRIPTIONS and not set(other.value.split()) & set(found):
            problems.append(
                (
                    "region_contradiction",
                    f"{first.quoted} and {other.quoted} name different parts of the limb: "
                    f"read as {' and '.join(found)}; check the image",
                )
            )
            confidence = lowered(confidence)
            break
    wider = _wider(found, said[1:])
    if wider is None:
        return Found(found, first.where, confidence)
    return Found(
        tuple(wider.value.split()), f"{first.where} and {wider.where}", lowered(confidence)
    )


def _wider(found: tuple[str, ...], others: Sequence[Said]) -> Said | None:
    """The coded fields hold one region; words that name it among others tell of all of them."""
    for other in others:
        if set(found) < set(other.value.split()):
            return other
    return None


def _said_parts(header: Dataset, atlas: Atlas, species: str | None, hind: bool) -> Iterator[Said]:
    for code in codes(header, "AnatomicRegionSequence"):
        region = atlas.region_of_code(code.value, code.scheme, species)
        found = (region,) if region else atlas.find_regions(code.meaning, species)
        if found:
            hind = hind or any(atlas.is_hind_part(region) for region in found)
            yield Said(
                " ".join(found),
                "AnatomicRegionSequence",
                code.meaning,
                "stated" if region else "inferred",
            )
    for keyword in _TEXTS:
        wording = text(header, keyword)
        found = atlas.find_regions(wording, species)
        if found:
            found = atlas.in_hindlimb(found) if hind else found
            yield Said(" ".join(found), keyword, wording, of_text(keyword))


def _said_limbs(header: Dataset, atlas: Atlas, species: str | None, hind: bool) -> Iterator[Said]:
    """Headers that name no part: a digit of a known limb, or a whole limb.

    A study's description that names the limb only ("forelimb lameness") does not mean that every
    image shows all of it.
    """
    for keyword in _TEXTS:
        wording = text(header, keyword)
        if atlas.find_regions(wording, species):
            continue
        found: tuple[str, ...] = ()
        if digits_in(wording):
            limb = "hind" if hind else _limb(header, atlas)
            found = atlas.find_regions(words().digit_parts.get(limb, ""), species)
        elif keyword not in STUDY_DESCRIPTIONS:
            found = atlas.find_limb(wording, species)
        if found:
            yield Said(" ".join(found), keyword, wording, lowered(of_text(keyword)))


def _limb(header: Dataset, atlas: Atlas) -> str:
    named = (atlas.limb_named(text(header, keyword)) for keyword in _TEXTS)
    return next(filter(None, named), "")


def find_digits(
    header: Dataset, atlas: Atlas, species: str | None, regions: Sequence[str]
) -> tuple[int, ...]:
    """The digits that an image is aimed at; empty where it shows all, or a part without digits."""
    known = [atlas.region(species, region) for region in regions]
    there = {s.digit for region in known if region for s in region.structures if s.digit}
    for keyword in _TEXTS:
        named = set(digits_in(text(header, keyword)))
        if named:
            return tuple(sorted(named & there)) if named < there else ()
    return ()
