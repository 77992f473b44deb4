"""Twelve written cases with the verdicts that a careful radiologist would accept.

The cases are data (`cases/*.yaml`): what was recorded, and what may be proposed. A part of the limb
without a file of structures is read with the general search pattern, so a case names the
structures it means and the section to fall back on.
"""

from collections.abc import Callable
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import pytest
import yaml

from dicom_service.intake.model import StudyFacts
from dicom_service.review import (
    build_template,
    check_reading,
    differentials,
    gaps,
    next_steps,
    propose,
    report_text,
)
from dicom_service.review.cross import cross_views, views_of
from dicom_service.review.model import (
    Finding,
    Observation,
    Reading,
    RuleOut,
    Template,
    TemplateItem,
)
from dicom_service.review.propose import Proposal

Study = Callable[..., StudyFacts]
AllObserved = Callable[..., Reading]
Case = dict[str, Any]

FILES = sorted((Path(__file__).parent / "cases").glob("*.yaml"))


def place(template: Template, case: Case, told: Case) -> tuple[TemplateItem, str]:
    """The structure and image that a finding or variant of a case means."""
    side = told.get("side", case["images"][0]["side"])
    at = told["at"]
    items = [i for i in template.items if i.side == side and i.region == at["region"]]
    items = [i for i in items if i.section == at["section"]]
    named = [i for p in at["structures"] for i in items if fnmatchcase(i.structure, p)]
    item = (named or items)[0]
    view = next(v for v in template.views if v.view == told["view"] and v.side == side)
    return item, view.uid


def read(template: Template, case: Case, normal: Reading) -> Reading:
    """The reading of a case: everything normal but what it tells."""
    observations = {identity: dict(row) for identity, row in normal.observations.items()}
    views = views_of(template)
    findings = []
    for number, told in enumerate(case["findings"], 1):
        item, uid = place(template, case, told)
        wanted = cross_views(item, views[uid])
        answers = {
            other: "confirmed" if views[other].view in told["confirmed"] else "not_seen"
            for other in wanted
        }
        for seen in (uid, *(other for other, said in answers.items() if said == "confirmed")):
            observations[item.id][seen] = Observation(value="abnormal")
        findings.append(
            Finding.model_validate(
                {
                    "id": f"f{number}",
                    "item": item.id,
                    "view": uid,
                    "descriptors": told["descriptors"],
                    "aggressiveness": told.get("aggressiveness", ""),
                    "cross_check": answers or {"": "no_such_view"},
                }
            )
        )
    for told in case.get("variants", []):
        item, uid = place(template, case, told)
        observations[item.id][uid] = Observation(value="variant")
    return normal.model_copy(update={"observations": observations, "findings": tuple(findings)})


@pytest.fixture(params=FILES, ids=[file.stem for file in FILES])
def case(request: pytest.FixtureRequest) -> Case:
    found: Case = yaml.safe_load(request.param.read_text("utf-8"))
    return found


@pytest.fixture
def facts(case: Case, study: Study) -> StudyFacts:
    shots = [(i["view"], i["side"], tuple(i["regions"])) for i in case["images"]]
    return study(shots, case["question"], **case["animal"])


@pytest.fixture
def template(facts: StudyFacts) -> Template:
    return build_template(facts)


@pytest.fixture
def reading(case: Case, template: Template, all_observed: AllObserved) -> Reading:
    made = read(template, case, all_observed(template))
    check_reading(template, made)
    return made


@pytest.fixture
def proposals(template: Template, reading: Reading) -> dict[str, Proposal]:
    return {proposal.condition: proposal for proposal in propose(template, reading)}


def accepted(reading: Reading, proposals: dict[str, Proposal]) -> Reading:
    """The reading with every proposal accepted as it is."""
    verdicts = tuple(
        RuleOut(id=p.condition, verdict=p.verdict, evidence=p.evidence) for p in proposals.values()
    )
    return reading.model_copy(update={"rule_outs": verdicts})


def test_there_are_twelve_cases_of_three_species_each_with_source_and_grade() -> None:
    cases = [yaml.safe_load(file.read_text("utf-8")) for file in FILES]
    assert len(cases) == 12
    assert {case["animal"]["species"] for case in cases} == {"dog", "cat", "horse"}
    assert all(case["source"] and case["grade"] in ("V", "M", "C") for case in cases)


def test_the_verdicts_are_those_of_a_careful_radiologist(
    case: Case, proposals: dict[str, Proposal]
) -> None:
    wanted = case["expect"]
    for condition, verdict in wanted["verdicts"].items():
        assert proposals[condition].verdict == verdict, proposals[condition].why
    if "first" in wanted:
        assert next(iter(proposals)) == wanted["first"]
    supported = {c for c, p in proposals.items() if p.verdict == "supported"}
    possible = {c for c, p in proposals.items() if p.verdict == "possible"}
    excluded = {c for c, p in proposals.items() if p.verdict == "excluded"}
    assert not supported & set(wanted.get("never_supported", []))
    assert not excluded & set(wanted.get("never_excluded", []))
    assert not set(proposals) & set(wanted.get("never_proposed", []))
    assert set(wanted.get("possible", [])) <= possible


def test_what_is_not_named_is_not_supported(case: Case, proposals: dict[str, Proposal]) -> None:
    named = {c for c, v in case["expect"]["verdicts"].items() if v == "supported"}
    # What else the same findings truly are: a fracture of a foal's physis, a chip is a fracture.
    kin = {"fetlock_chip": {"fracture"}, "bone_tumour": set(), "digit_tumour": {"bone_tumour"}}
    allowed = named | {other for c in named for other in kin.get(c, set())}
    assert {c for c, p in proposals.items() if p.verdict == "supported"} <= allowed


def test_limits_and_next_steps_are_offered(
    case: Case, template: Template, reading: Reading, proposals: dict[str, Proposal]
) -> None:
    for condition, limit in case["expect"].get("limits_of", {}).items():
        assert limit in proposals[condition].limits
    order = differentials(proposals.values(), reading)
    steps = {step.id for step in next_steps(order)}
    assert set(case["expect"].get("steps", [])) <= steps
    for proposal in proposals.values():
        assert proposal.why
        assert all(e.source and e.grade for e in proposal.evidence_for)


def test_an_accepted_proposal_raises_no_contradiction(
    template: Template, reading: Reading, proposals: dict[str, Proposal]
) -> None:
    taken = accepted(reading, proposals)
    check_reading(template, taken)
    named = ", ".join(p.name for p in proposals.values())
    taken = taken.model_copy(update={"impression": f"Named: {named}."})
    kinds = {gap.kind for gap in gaps(template, taken)}
    assert not kinds - {"finding_without_conclusion"}
    order = [c for c, p in proposals.items() if p.verdict in ("supported", "possible")]
    assert sorted(differentials(proposals.values(), taken)) == sorted(order)


def test_the_report_answers_first_and_says_what_was_found(
    case: Case,
    facts: StudyFacts,
    template: Template,
    reading: Reading,
    proposals: dict[str, Proposal],
) -> None:
    text = report_text(facts, template, accepted(reading, proposals))
    assert text.startswith("Impression: ")
    for words in case["expect"].get("says", []):
        assert words in text
    for words in case["expect"].get("not_says", []):
        assert words not in text
    assert text.index("Impression:") < text.index("Pertinent negatives:") < text.index("Limits:")
