"""Items that are asked for together: groups, all physes at once, digits that are not aimed at."""

import re
from collections.abc import Iterator, Sequence

from dicom_service.anatomy import Structure
from dicom_service.intake.model import ImageFacts
from dicom_service.review.model import TemplateGroup, TemplateItem


def groups(items: Sequence[TemplateItem]) -> tuple[TemplateGroup, ...]:
    """The groups of one side, part and section, in the order of their first items."""
    members: dict[tuple[str, str, str, str], list[str]] = {}
    first: dict[tuple[str, str, str, str], TemplateItem] = {}
    for item in items:
        key = (item.side, item.region, item.section, item.group)
        members.setdefault(key, []).append(item.id)
        first.setdefault(key, item)
    return tuple(
        TemplateGroup(
            id=f"{item.side}.{item.region}.{item.section}.{_slug(item.group)}",
            name=item.group,
            section=item.section,
            items=tuple(members[key]),
        )
        for key, item in first.items()
    )


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_")


def aimed_at(structure: Structure, image: ImageFacts) -> bool:
    """Whether an image that is aimed at some digits only includes this structure.

    What belongs to no digit (soft tissues, alignment) is included by every image of the part.
    """
    return not image.digits or structure.digit is None or structure.digit in image.digits


def beside_the_aim(
    structures: Sequence[Structure], images: Sequence[ImageFacts]
) -> Iterator[list[Structure]]:
    """The structures that no image is aimed at, those of one section together."""
    outside = [s for s in structures if not any(aimed_at(s, image) for image in images)]
    for section in dict.fromkeys(s.section for s in outside):
        yield [s for s in outside if s.section == section]
