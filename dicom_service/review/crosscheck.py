"""What the views at a right angle make of a finding: a state machine, written as a table.

A finding begins open. Each view at a right angle gives one answer (or none yet), and `NEXT` says
in which state that leaves the finding. The order of the answers does not matter.
"""

from collections.abc import Mapping
from typing import Literal, NamedTuple

from dicom_service.review.cross import NO_VIEW, answers
from dicom_service.review.model import CrossCheck, Finding, Template, TemplateItem, TemplateView

State = Literal["open", "confirmed", "single_view", "not_assessable", "no_such_view"]
Answer = CrossCheck | Literal["unanswered"]

BEGIN: Literal["begin"] = "begin"

NEXT: Mapping[tuple[str, Answer], State] = {
    ("begin", "unanswered"): "open",
    ("begin", "confirmed"): "confirmed",
    ("begin", "not_seen"): "single_view",
    ("begin", "not_assessable"): "not_assessable",
    ("begin", "no_such_view"): "no_such_view",
    ("open", "unanswered"): "open",
    ("open", "confirmed"): "confirmed",
    ("open", "not_seen"): "open",
    ("open", "not_assessable"): "open",
    ("single_view", "unanswered"): "open",
    ("single_view", "confirmed"): "confirmed",
    ("single_view", "not_seen"): "single_view",
    ("single_view", "not_assessable"): "single_view",
    ("not_assessable", "unanswered"): "open",
    ("not_assessable", "confirmed"): "confirmed",
    ("not_assessable", "not_seen"): "single_view",
    ("not_assessable", "not_assessable"): "not_assessable",
    ("confirmed", "unanswered"): "confirmed",
    ("confirmed", "confirmed"): "confirmed",
    ("confirmed", "not_seen"): "confirmed",
    ("confirmed", "not_assessable"): "confirmed",
}
"""State and answer -> state. Nothing follows "no such view", and it follows nothing."""


class Certainty(NamedTuple):
    """How sure a finding is, in words for panel and prose."""

    state: State
    words: str
    seen: Literal["seen on", "seen only on"]
    ceiling: Literal["supported", "possible"]
    """The strongest verdict that may rest on the finding alone."""


CERTAINTY: Mapping[State, Certainty] = {
    "open": Certainty(
        "open", "provisional, not yet checked at a right angle", "seen only on", "possible"
    ),
    "confirmed": Certainty("confirmed", "confirmed at a right angle", "seen on", "supported"),
    "single_view": Certainty(
        "single_view", "on one view only, not seen at a right angle", "seen only on", "possible"
    ),
    "not_assessable": Certainty(
        "not_assessable",
        "on one view only, the view at a right angle cannot show it",
        "seen only on",
        "possible",
    ),
    "no_such_view": Certainty(
        "no_such_view",
        "on one view only, there is no view at a right angle",
        "seen only on",
        "possible",
    ),
}


def state(item: TemplateItem, view: TemplateView, finding: Finding) -> State:
    """The state of `finding`, which stands on `item` in `view`."""
    given = answers(item, view, finding)
    if not given:
        return NEXT[BEGIN, finding.cross_check.get(NO_VIEW) or "unanswered"]
    now: str = BEGIN
    for answer in given.values():
        now = NEXT[now, answer or "unanswered"]
    return _STATES[now]


_STATES: Mapping[str, State] = {name: name for name in CERTAINTY}


def certainty(template: Template, finding: Finding) -> Certainty:
    """How sure `finding` is; open when its structure or view is not of this study."""
    item = next((i for i in template.items if i.id == finding.item), None)
    view = next((v for v in template.views if v.uid == finding.view), None)
    if item is None or view is None:
        return CERTAINTY["open"]
    return CERTAINTY[state(item, view, finding)]
