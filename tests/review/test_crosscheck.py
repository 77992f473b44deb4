"""What the views at a right angle make of a finding, and that prose never claims more."""

import re
from collections.abc import Callable
from itertools import permutations, product
from random import Random
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dicom_service.intake.model import StudyFacts
from dicom_service.review import (
    build_template,
    certainty,
    findings_text,
    propose,
    report_text,
    summary,
)
from dicom_service.review.cross import cross_views
from dicom_service.review.crosscheck import BEGIN, CERTAINTY, NEXT, State
from dicom_service.review.model import CrossCheck, Finding, Observation, Reading, Template

Study = Callable[..., StudyFacts]
AllObserved = Callable[..., Reading]
CARPUS = ("carpus",)
RADIUS = "L.carpus.radius_distal"
ANSWERS: list[str] = ["unanswered", "confirmed", "not_seen", "not_assessable"]


def walked(answers: tuple[str, ...]) -> str:
    now: str = BEGIN
    for answer in answers:
        now = NEXT[now, answer]  # type: ignore[index]
    return now


@pytest.mark.parametrize("length", [1, 2, 3])
def test_every_sequence_of_answers_ends_in_a_state_whatever_its_order(length: int) -> None:
    for answers in product(ANSWERS, repeat=length):
        ends = {walked(order) for order in permutations(answers)}
        assert len(ends) == 1
        assert ends <= set(get_args(State))


def test_one_confirming_view_is_enough_and_nothing_else_confirms() -> None:
    for answers in product(ANSWERS, repeat=3):
        assert (walked(answers) == "confirmed") == ("confirmed" in answers)
        if "confirmed" not in answers:
            assert (walked(answers) == "open") == ("unanswered" in answers)


def test_only_a_confirmed_finding_carries_a_supported_verdict() -> None:
    assert [s for s, c in CERTAINTY.items() if c.ceiling == "supported"] == ["confirmed"]
    assert [s for s, c in CERTAINTY.items() if c.seen == "seen on"] == ["confirmed"]
    assert set(CERTAINTY) == set(get_args(State))


@pytest.mark.parametrize(
    ("views", "cross_check", "state"),
    [
        (("DPa", "ML"), {}, "open"),
        (("DPa", "ML"), {"2": "confirmed"}, "confirmed"),
        (("DPa", "ML"), {"2": "not_seen"}, "single_view"),
        (("DPa", "ML"), {"2": "not_assessable"}, "not_assessable"),
        (("DPa",), {}, "open"),
        (("DPa",), {"": "no_such_view"}, "no_such_view"),
        (("DPa", "ML", "LM"), {"2": "not_seen"}, "open"),
        (("DPa", "ML", "LM"), {"2": "not_seen", "3": "confirmed"}, "confirmed"),
        (("DPa", "ML", "LM"), {"2": "not_assessable", "3": "not_seen"}, "single_view"),
    ],
)
def test_the_state_of_a_finding(
    study: Study, views: tuple[str, ...], cross_check: dict[str, CrossCheck], state: str
) -> None:
    template = build_template(study([(view, "L", CARPUS) for view in views]))
    finding = Finding(id="f", item=RADIUS, view="1", cross_check=cross_check)
    assert certainty(template, finding).state == state


def test_a_finding_of_another_study_is_open(study: Study) -> None:
    template = build_template(study([("DPa", "L", CARPUS)]))
    assert certainty(template, Finding(id="f", item="R.x.y", view="9")).state == "open"


VIEWS = st.lists(
    st.sampled_from(["DPa", "ML", "LM", "D45L-PaMO", "D45M-PaLO", ""]), min_size=1, max_size=4
)


def random_findings(template: Template, seed: int) -> Reading:
    """Findings with any answers, on some structures of any section."""
    random = Random(seed)
    observations: dict[str, dict[str, Observation]] = {}
    findings = []
    views = {view.uid: view for view in template.views}
    for item in random.sample(template.items, min(4, len(template.items))):
        uid = random.choice(list(item.visibility))
        observations[item.id] = {uid: Observation(value="abnormal")}
        wanted = cross_views(item, views[uid])
        answers = {
            other: random.choice(["confirmed", "not_seen", "not_assessable"])
            for other in wanted
            if random.random() < 0.8
        }
        cross_check = answers or ({} if wanted else {"": "no_such_view"})
        findings.append(
            Finding.model_validate(
                {
                    "id": f"f{len(findings)}",
                    "item": item.id,
                    "view": uid,
                    "descriptors": ("fracture_line",) if item.section == "bone" else (),
                    "cross_check": cross_check,
                }
            )
        )
    return Reading(observations=observations, findings=tuple(findings))


@settings(max_examples=60, deadline=None)
@given(VIEWS, st.integers(0, 2**32))
def test_no_text_tells_a_finding_on_one_view_as_confirmed(
    study: Study, views: list[str], seed: int
) -> None:
    facts = study([(view, "L", CARPUS) for view in views])
    template = build_template(facts)
    reading = random_findings(template, seed)
    names = {item.id: item.name for item in template.items}
    texts = (findings_text(facts, template, reading), report_text(facts, template, reading))
    for finding in reading.findings:
        sure = certainty(template, finding).state == "confirmed"
        name = re.escape(names[finding.item][:1].upper() + names[finding.item][1:])
        for text in texts:
            (sentence,) = re.findall(rf"(?<!\w){name}: [^.]*; seen[^.]*\.", text)
            assert ("confirmed on" in sentence.replace("not confirmed on", "")) == sure
            assert ("seen only on" in sentence) == (not sure)
        brief = re.escape(f" of {names[finding.item]} (")
        (said,) = re.findall(rf"{brief}([^)]*)\)", summary(facts, template, reading))
        assert (said == "confirmed at a right angle") == sure


@settings(max_examples=60, deadline=None)
@given(VIEWS, st.integers(0, 2**32))
def test_no_proposal_is_supported_by_findings_that_are_still_open(
    study: Study, views: list[str], seed: int
) -> None:
    template = build_template(study([(view, "L", CARPUS) for view in views], "fall", age_months=9))
    reading = random_findings(template, seed)
    sure = {f.id for f in reading.findings if certainty(template, f).state != "open"}
    for proposal in propose(template, reading):
        if proposal.verdict == "supported":
            assert set(proposal.evidence) & sure
            assert any(e.by_findings and e.firm for e in proposal.evidence_for)
        if proposal.verdict == "excluded":
            assert not proposal.evidence_for
