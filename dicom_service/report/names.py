"""Looking up what a reading names by id: items, views, findings, descriptors, conditions."""

from collections.abc import Mapping
from functools import cached_property
from typing import TypeVar

from dicom_service.anatomy import atlas
from dicom_service.codes import SCHEME, Code, get
from dicom_service.errors import Refused
from dicom_service.intake.model import ImageFacts
from dicom_service.report.model import ReportContent
from dicom_service.review.model import (
    Finding,
    Observation,
    RuleOutCandidate,
    TemplateItem,
    TemplateView,
)

Thing = TypeVar("Thing")

SIDES: Mapping[str, str] = {"L": "left", "R": "right", "B": "bilateral"}
"""Side -> keyword of its laterality code; an unknown side has none."""


def descriptor_code(identity: str) -> Code:
    """The code of a finding descriptor; one that the atlas no longer has keeps its id as code."""
    known = atlas().descriptor(identity)
    return known.code if known else Code(value=identity[:64], scheme=SCHEME, meaning=identity[:64])


def descriptor_name(identity: str) -> str:
    """What a reader calls a descriptor."""
    known = atlas().descriptor(identity)
    return known.label if known else identity.replace("_", " ")


def view_code(view: TemplateView) -> Code | None:
    """The code of a projection, None where it is not known."""
    known = atlas().view(view.view)
    return known.code if known else None


def view_position(view: TemplateView) -> Code | None:
    """Flexed, stressed and the like; None for the usual position."""
    known = atlas().view(view.view)
    return known.modifier if known else None


class Names:
    """The things of one report's `content` by id.

    Every look-up of something that the report does not have raises `Refused` with a sentence
    that names it.
    """

    def __init__(self, content: ReportContent) -> None:
        self.content = content

    @cached_property
    def _items(self) -> dict[str, TemplateItem]:
        return {item.id: item for item in self.content.template.items}

    @cached_property
    def _views(self) -> dict[str, TemplateView]:
        return {view.uid: view for view in self.content.template.views}

    @cached_property
    def _images(self) -> dict[str, ImageFacts]:
        return {image.uid: image for image in self.content.facts.images}

    @cached_property
    def _findings(self) -> dict[str, Finding]:
        return {finding.id: finding for finding in self.content.reading.findings}

    @cached_property
    def _candidates(self) -> dict[str, RuleOutCandidate]:
        return {candidate.id: candidate for candidate in self.content.template.rule_outs}

    def item(self, identity: str) -> TemplateItem:
        """The template's item with this id."""
        return _known(self._items, identity, "structure")

    def view(self, uid: str) -> TemplateView:
        """The view of this image."""
        return _known(self._views, uid, "view")

    def image(self, uid: str) -> ImageFacts:
        """What the headers say of this image."""
        return _known(self._images, uid, "image")

    def finding(self, identity: str) -> Finding | None:
        """The finding with this id, if there is one."""
        return self._findings.get(identity)

    def candidate(self, identity: str) -> RuleOutCandidate:
        """The condition that a rule-out is about, raised by the study or known to the atlas."""
        condition = atlas().condition(identity)
        if identity in self._candidates or condition is None:
            return _known(self._candidates, identity, "rule-out")
        # A condition that the study did not raise: the reader, or a finding, brought it up.
        steps = (atlas().next_step(step) for step in condition.next_steps)
        return RuleOutCandidate(
            id=condition.id,
            name=condition.name,
            code=condition.code,
            why="",
            limits=condition.limits,
            next_steps=tuple(f"{step.name}." for step in steps if step),
        )

    def observation(self, item: str, view: str) -> Observation | None:
        """The reader's word on an item in a view."""
        return self.content.reading.observations.get(item, {}).get(view)

    def asked_views(self, item: TemplateItem) -> tuple[str, ...]:
        """UIDs of the views in which the item is asked for or was observed all the same."""
        observed = self.content.reading.observations.get(item.id, {})
        return tuple(
            view.uid
            for view in self.content.template.views
            if item.visibility.get(view.uid, "no") != "no" or view.uid in observed
        )

    def title(self, item: TemplateItem) -> str:
        """The item's name with its side: "right distal radius"."""
        side = SIDES.get(item.side)
        return f"{get(side).meaning.lower()} {item.name}" if side else item.name


def _known(table: Mapping[str, Thing], identity: str, what: str) -> Thing:
    try:
        return table[identity]
    except KeyError:
        raise Refused(f"The reading names the {what} '{identity}', which is not here.") from None
