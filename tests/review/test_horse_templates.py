"""Templates of a horse's limbs, from the newborn foal to the adult and where no age is stated."""

from collections.abc import Callable

import pytest

from dicom_service.anatomy import atlas
from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template, coverage, findings_text
from dicom_service.review.model import Reading

Study = Callable[..., StudyFacts]
VIEWS = {
    "shoulder": ("ML",),
    "elbow_humerus": ("ML", "CrCd"),
    "carpus": ("LM", "DPa", "D60L-PaMO", "D75M-PaLO", "flexed LM"),
    "metacarpus": ("LM", "DPa", "D45L-PaMO", "D45M-PaLO"),
    "fetlock": ("LM", "D20Pr-PaDiO", "D45L-PaMO", "D45M-PaLO"),
    "pastern_foot": ("LM", "D0-PaO", "D60Pr-PaDiO", "Pa45Pr-PaDiO"),
    "hip_femur": ("VD",),
    "stifle": ("LM", "CdCr", "Cd60L-CrMO"),
    "crus": ("LM", "CdCr", "Cr45L-CdMO", "Cr45M-CdLO"),
    "tarsus": ("LM", "D10L-PlMO", "D45L-PlMO", "Pl45L-DMO"),
    "metatarsus_hindfoot": ("LM", "DPl", "D45L-PlMO", "D45M-PlLO", "D60Pr-PlDiO"),
}
FOLDED_FROM = {
    "carpus": 60,
    "fetlock": 30,
    "pastern_foot": 30,
    "stifle": 60,
    "crus": 60,
    "tarsus": 60,
}
"""Regions whose physes all have a published age of closure: the first age here that is past it."""


def facts_of(study: Study, region: str, age: float | None) -> StudyFacts:
    shots = [(view, "L", (region,)) for view in VIEWS[region]]
    return study(shots, species="horse", age_months=age)


@pytest.mark.parametrize("age", [1, 8, 30, 60, None])
@pytest.mark.parametrize("region", VIEWS)
def test_a_template_lists_what_the_horse_has(
    region: str, age: float | None, study: Study, all_observed: Callable[..., Reading]
) -> None:
    facts = facts_of(study, region, age)
    template = build_template(facts)
    known = atlas().region("horse", region)
    assert known is not None
    folded = age is not None and age >= FOLDED_FROM.get(region, 999)
    expected = {s.id for s in known.structures if not (folded and s.kind == "physis")}
    assert {i.structure for i in template.items} == expected | ({"physes"} if folded else set())
    assert template.regions == (region,)
    reading = all_observed(template)
    covered = coverage(template, reading)
    assert covered.asked == covered.answered > 0
    assert findings_text(facts, template, reading)


@pytest.mark.parametrize("region", VIEWS)
def test_no_age_is_judged_by_memory_or_by_one_breed(region: str, study: Study) -> None:
    # Only the tibial tuberosity rests on a range that was read and is not of one breed.
    for age in (1, 8, 30, 200):
        template = build_template(facts_of(study, region, age))
        for item in template.items:
            if item.physis and item.structure not in ("physes", "physis_tuberosity_shaft"):
                assert item.physis.expected in ("either", "unknown"), item.id


def test_the_tibial_tuberosity_of_a_yearling_is_expected_open(study: Study) -> None:
    template = build_template(facts_of(study, "stifle", 12))
    tuberosity = next(i for i in template.items if i.structure == "physis_tuberosity_shaft")
    assert tuberosity.physis is not None
    assert tuberosity.physis.expected == "open"


def test_a_horse_s_hip_on_one_view_leaves_the_direction_of_luxation_open(study: Study) -> None:
    template = build_template(facts_of(study, "hip_femur", 60))
    position = next(i for i in template.items if i.structure == "hip_dorsoventral")
    assert set(position.visibility.values()) == {"no"}
    assert all(not view.orthogonal for view in template.views)
