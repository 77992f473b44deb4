"""Structures that stand for several others: the physes of a part, the digits not aimed at.

Their codes follow from the part, so they are listed with all other codes (`concepts.py`).
"""

from collections.abc import Iterator, Sequence

from dicom_service.anatomy.model import Region, Section, Shows, Structure
from dicom_service.codes import SCHEME, Code

SECTION_WORDS: dict[Section, str] = {
    "alignment": "axes",
    "bone": "bones",
    "cartilage": "joints and physes",
    "devices": "implants and foreign material",
    "soft_tissue": "soft tissues",
}
OTHER_DIGITS = "other_digits"
"""Kind of the structure that stands for the digits which a study does not aim at."""


def folded_physes(region: Region, physes: Sequence[Structure]) -> Structure:
    """One question instead of one for each physis, for an animal past every age of closure."""
    return _made(
        "physes",
        f"physes of the {region.name}",
        f"PHYSES-{region.id.upper()[:9]}",
        physes[0],
        kind="physis",
    )


def other_digits(region: Region, members: Sequence[Structure]) -> Structure:
    """One question for the structures of one section on digits that the study does not aim at."""
    section = members[0].section
    name = f"{SECTION_WORDS[section]} of the other digits of the {region.name}"
    code = f"OTHERDIG-{region.id.upper()[:3]}-{section.upper()[:3]}"
    return _made(f"{OTHER_DIGITS}_{section}", name, code, members[0], kind=OTHER_DIGITS)


def _made(identity: str, name: str, code: str, like: Structure, *, kind: str) -> Structure:
    return Structure(
        id=identity,
        name=name,
        section=like.section,
        group=name if kind == OTHER_DIGITS else like.group,
        kind=kind,
        code=Code(value=code, scheme=SCHEME, meaning=name),
        shows=Shows(views={}, source="Common practice", grade="C"),
    )


def derived(region: Region) -> Iterator[Structure]:
    """Every structure that can stand for several others of `region`."""
    physes = [s for s in region.structures if s.kind == "physis"]
    if physes:
        yield folded_physes(region, physes)
    for section in SECTION_WORDS:
        members = [s for s in region.structures if s.section == section and s.digit is not None]
        if members:
            yield other_digits(region, members)
