"""The descriptors a finding can carry, by section, as the panel offers them."""

from functools import cache

from dicom_service.anatomy import atlas
from dicom_service.review.model import SECTIONS
from dicom_service.workflow.model import DescriptorChoice


@cache
def descriptor_choices() -> dict[str, tuple[DescriptorChoice, ...]]:
    """Section -> descriptors, in the order of the data file."""
    return {
        section: tuple(
            DescriptorChoice(id=d.id, label=d.label, code=d.code)
            for d in atlas().descriptors(section)
        )
        for section in SECTIONS
    }
