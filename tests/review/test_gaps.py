"""What blocks signing: open observations and cross-checks, contradictions, an empty impression."""

from collections.abc import Callable
from typing import Any

import pytest

from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template, coverage, gaps, opening_reading
from dicom_service.review.model import (
    Finding,
    Observation,
    Reading,
    RuleOut,
    Template,
)

Study = Callable[..., StudyFacts]
AllObserved = Callable[..., Reading]
CARPUS = ("carpus",)
RADIAL = "L.carpus.radial_carpal"


@pytest.fixture
def facts(study: Study) -> StudyFacts:
    return study([("DPa", "L", CARPUS), ("ML", "L", CARPUS)], "fall", age_months=40)


@pytest.fixture
def template(facts: StudyFacts) -> Template:
    return build_template(facts)


@pytest.fixture
def normal(template: Template, all_observed: AllObserved) -> Reading:
    verdicts = tuple(RuleOut(id=r.id, verdict="no_evidence") for r in template.rule_outs)
    return all_observed(template).model_copy(
        update={"impression": "Normal carpus.", "rule_outs": verdicts}
    )


def with_finding(reading: Reading, **finding: Any) -> Reading:
    """`reading` with the radial carpal bone abnormal on DPa and this finding."""
    observations = {**reading.observations}
    observations[RADIAL] = {**observations[RADIAL], "1": Observation(value="abnormal")}
    found = Finding.model_validate({"id": "f1", "item": RADIAL, "view": "1", **finding})
    return reading.model_copy(
        update={
            "observations": observations,
            "findings": (found,),
            "impression": "Radial carpal bone abnormal.",
        }
    )


def kinds(template: Template, reading: Reading) -> list[str]:
    return [gap.kind for gap in gaps(template, reading)]


def test_of_many_views_that_are_open_the_kinds_are_named_and_counted(study: Study) -> None:
    views = ("DPa", "ML", "D45L-PaMO") * 4
    many = study([(view, "L", CARPUS) for view in views], "fall", age_months=40)
    template = build_template(many)
    open_ = gaps(template, opening_reading(many, template))
    (text,) = [gap.text for gap in open_ if gap.item == RADIAL and gap.kind == "open_observation"]
    assert text.endswith("not yet observed on 4 × DPa, 4 × ML, 4 × D45L-PaMO.")


def test_a_finished_normal_reading_has_no_gap_and_full_coverage(
    template: Template, normal: Reading
) -> None:
    assert gaps(template, normal) == ()
    done = coverage(template, normal)
    assert done.answered == done.asked > 0


def test_an_unopened_reading_has_one_gap_for_each_item(
    facts: StudyFacts, template: Template
) -> None:
    reading = opening_reading(facts, template)
    found = [g for g in gaps(template, reading) if g.kind == "open_observation"]
    asked = [i for i in template.items if set(i.visibility.values()) != {"no"}]
    assert [g.item for g in found] == [i.id for i in asked]
    assert all(g.blocking and g.view for g in found)
    assert coverage(template, reading).answered == 0


def test_a_reader_may_overrule_open_observations_on_the_record(
    facts: StudyFacts, template: Template
) -> None:
    reading = opening_reading(facts, template)
    accepted = reading.model_copy(update={"open_accepted": "Sedation wore off."})
    blocking = {g.kind for g in gaps(template, accepted) if g.blocking}
    assert blocking == {"impression_empty"}
    blank = reading.model_copy(update={"open_accepted": "  "})
    assert "open_observation" in {g.kind for g in gaps(template, blank) if g.blocking}


def test_an_abnormal_observation_demands_a_finding(template: Template, normal: Reading) -> None:
    reading = with_finding(normal).model_copy(update={"findings": ()})
    (gap,) = gaps(template, reading)
    assert (gap.kind, gap.item, gap.view) == ("abnormal_without_finding", RADIAL, "1")
    assert gap.blocking


def test_a_finding_demands_its_cross_check(template: Template, normal: Reading) -> None:
    reading = with_finding(normal).model_copy(update={"open_accepted": "in a hurry"})
    (gap,) = gaps(template, reading)
    assert (gap.kind, gap.finding, gap.view) == ("open_cross_check", "f1", "2")
    assert gap.blocking
    answered = with_finding(normal, cross_check={"2": "not_seen"})
    assert gaps(template, answered) == ()


def test_without_a_right_angle_the_reader_must_say_so(
    study: Study, all_observed: AllObserved
) -> None:
    template = build_template(study([("DPa", "L", CARPUS)]))
    reading = with_finding(all_observed(template)).model_copy(update={"impression": "x"})
    assert "open_cross_check" in kinds(template, reading)
    said = with_finding(all_observed(template), cross_check={"": "no_such_view"})
    assert "open_cross_check" not in kinds(template, said)


def test_a_finding_contradicts_a_normal_observation(template: Template, normal: Reading) -> None:
    reading = with_finding(normal, cross_check={"2": "not_seen"})
    reading = reading.model_copy(update={"observations": normal.observations})
    (gap,) = gaps(template, reading)
    assert (gap.kind, gap.blocking, gap.finding) == ("finding_not_abnormal", True, "f1")


def test_an_empty_impression_blocks(template: Template, normal: Reading) -> None:
    (gap,) = gaps(template, normal.model_copy(update={"impression": " "}))
    assert (gap.kind, gap.blocking) == ("impression_empty", True)


@pytest.mark.parametrize(
    ("verdict", "evidence", "kind"),
    [
        ("supported", (), "supported_without_evidence"),
        ("supported", ("f1",), "stronger_than_views"),
        ("possible", ("f1",), None),
        ("no_evidence", ("f1",), "verdict_against_evidence"),
        ("no_evidence", (RADIAL,), None),
        ("excluded", ("f1",), "verdict_against_evidence"),
        ("excluded", (), "cannot_be_excluded"),
        ("cannot_assess", (), None),
    ],
)
def test_a_verdict_must_fit_its_evidence(
    template: Template, normal: Reading, verdict: str, evidence: tuple[str, ...], kind: str | None
) -> None:
    rest = tuple(r for r in normal.rule_outs if r.id != "fracture")
    ours = RuleOut.model_validate({"id": "fracture", "verdict": verdict, "evidence": evidence})
    reading = with_finding(normal, cross_check={"2": "not_seen"})
    found = kinds(template, reading.model_copy(update={"rule_outs": (*rest, ours)}))
    assert (kind in found) if kind else found == []


def test_excluded_needs_every_essential_view(
    study: Study, template: Template, normal: Reading, all_observed: AllObserved
) -> None:
    # Carpal ligament injury: relaxed films may be normal; the stressed views are essential.
    excluded = (RuleOut(id="carpal_collateral", verdict="excluded"),)
    rest = tuple(r for r in normal.rule_outs if r.id != "carpal_collateral")
    reading = normal.model_copy(update={"rule_outs": (*rest, *excluded)})
    missing = [g.text for g in gaps(template, reading) if g.kind == "essential_view_missing"]
    assert len(missing) == 3
    assert "stress ML" in missing[0]
    views = ["DPa", "ML", "stress ML", "medial stress DPa", "lateral stress DPa"]
    full = build_template(study([(v, "L", CARPUS) for v in views], "fall"))
    reading = all_observed(full).model_copy(update={"rule_outs": excluded})
    assert "essential_view_missing" not in kinds(full, reading)


def test_a_rule_out_without_verdict_is_shown_but_does_not_block(
    template: Template, normal: Reading
) -> None:
    found = gaps(template, normal.model_copy(update={"rule_outs": ()}))
    assert {g.kind for g in found} == {"open_rule_out"}
    assert not any(g.blocking for g in found)


def test_a_verdict_that_the_study_did_not_raise_must_fit_its_evidence_too(
    template: Template, normal: Reading
) -> None:
    assert "hod" not in {candidate.id for candidate in template.rule_outs}
    verdicts = (*normal.rule_outs, RuleOut(id="hod", verdict="supported"))
    (gap,) = gaps(template, normal.model_copy(update={"rule_outs": verdicts}))
    assert gap.kind == "supported_without_evidence"
    assert "metaphyseal (hypertrophic) osteodystrophy" in gap.text


def test_a_view_that_confirms_a_finding_needs_no_finding_of_its_own(
    template: Template, normal: Reading
) -> None:
    confirmed = with_finding(normal, cross_check={"2": "confirmed"})
    assert kinds(template, confirmed) == ["confirmed_but_normal"]
    row = {**confirmed.observations[RADIAL], "2": Observation(value="abnormal")}
    both = confirmed.model_copy(update={"observations": {**confirmed.observations, RADIAL: row}})
    assert kinds(template, both) == []
