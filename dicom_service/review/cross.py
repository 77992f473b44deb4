"""Which views must confirm a finding, and what has been said of it there."""

from collections.abc import Mapping

from dicom_service.review.model import (
    CrossCheck,
    Finding,
    Reading,
    Template,
    TemplateItem,
    TemplateView,
    Value,
)

NO_VIEW = ""
"""The key of `Finding.cross_check` when the study has no view at a right angle."""


def items_of(template: Template) -> Mapping[str, TemplateItem]:
    """The items of `template` by id."""
    return {item.id: item for item in template.items}


def views_of(template: Template) -> Mapping[str, TemplateView]:
    """The views of `template` by UID."""
    return {view.uid: view for view in template.views}


def cross_views(item: TemplateItem, view: TemplateView) -> tuple[str, ...]:
    """UIDs of the views at a right angle to `view` that include `item`."""
    return tuple(uid for uid in view.orthogonal if uid in item.visibility)


def open_checks(item: TemplateItem, view: TemplateView, finding: Finding) -> tuple[str, ...]:
    """Keys of `finding.cross_check` that are still to be answered."""
    wanted = cross_views(item, view) or (NO_VIEW,)
    return tuple(uid for uid in wanted if uid not in finding.cross_check)


def answers(
    item: TemplateItem, view: TemplateView, finding: Finding
) -> dict[str, CrossCheck | None]:
    """What was answered for each view at a right angle; None where nothing was."""
    return {uid: finding.cross_check.get(uid) for uid in cross_views(item, view)}


def seen_on(finding: Finding) -> tuple[str, ...]:
    """UIDs of the views that show the finding: its own, and those that confirmed it."""
    confirmed = (uid for uid, said in finding.cross_check.items() if said == "confirmed")
    return (finding.view, *confirmed)


def value_of(reading: Reading, item: str, view: str) -> Value | None:
    """The observation of `item` in `view`, if there is one."""
    observation = reading.observations.get(item, {}).get(view)
    return observation.value if observation else None
