"""How much of the search pattern has been answered."""

from dicom_service.review.model import SECTIONS, Coverage, Reading, Template, TemplateItem


def asked_views(item: TemplateItem) -> tuple[str, ...]:
    """UIDs of the views in which `item` is to be observed: all that can show it."""
    return tuple(uid for uid, shows in item.visibility.items() if shows != "no")


def open_views(item: TemplateItem, reading: Reading) -> tuple[str, ...]:
    """UIDs of the views in which `item` is still to be observed."""
    seen = reading.observations.get(item.id, {})
    return tuple(uid for uid in asked_views(item) if uid not in seen)


def coverage(template: Template, reading: Reading) -> Coverage:
    """Observations asked for and given, in total and by section."""
    sections: dict[str, tuple[int, int]] = {}
    for section in SECTIONS:
        items = [item for item in template.items if item.section == section]
        asked = sum(len(asked_views(item)) for item in items)
        still_open = sum(len(open_views(item, reading)) for item in items)
        sections[section] = (asked - still_open, asked)
    return Coverage(
        asked=sum(asked for _, asked in sections.values()),
        answered=sum(answered for answered, _ in sections.values()),
        sections=sections,
    )
