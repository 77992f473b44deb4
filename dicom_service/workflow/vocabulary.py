"""What the panel offers to choose from: descriptors of findings, views, regions, sides."""

from typing import get_args

from dicom_service.anatomy import Atlas, atlas
from dicom_service.intake.model import Side
from dicom_service.review.model import SECTIONS
from dicom_service.workflow.model import Choices, DescriptorChoice, Named


def descriptor_choices(known: Atlas | None = None) -> dict[str, tuple[DescriptorChoice, ...]]:
    """Section -> descriptors, in the order of the data files."""
    known = known or atlas()
    return {
        section: tuple(
            DescriptorChoice(
                id=d.id,
                label=d.label,
                code=d.code,
                field=d.field,
                exclusive=d.exclusive,
                under=d.under,
                kinds=d.kinds,
                regions=d.regions,
                species=d.species,
                note=d.note,
            )
            for d in known.descriptors(section)
        )
        for section in SECTIONS
    }


def correction_choices(species: str | None, known: Atlas | None = None) -> Choices:
    """Views, regions and sides that an image of this species can be said to show."""
    known = known or atlas()
    regions = known.regions(species) if species else ()
    return Choices(
        views=known.view_labels(),
        regions=tuple(Named(id=r, name=known.part(r).name) for r in regions),
        sides=get_args(Side),
        species=tuple(Named(id=s.id, name=s.name) for s in known.all_species),
    )
