"""What is expected of a physis by age.

Outside facts (months): distal ulna 7.1 to 14.8 and MC2-5 distal 5.4 to 7.9, accessory carpal 3.7 to
5.9 (217-450, 165-240 and 113-180 days, veterinary teaching table PROVETTABLE); textbooks, from
memory: 8-12, 5-7, 3-6. Together 7.1-14.8, 5-7.9 and 3-6. The distal radius' teaching row is not
used to judge an age; textbooks say 8-12 months.
"""

from collections.abc import Callable

import pytest

from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template
from dicom_service.review.model import PhysisCheck

Study = Callable[..., StudyFacts]
BOTH = ("carpus", "manus")


def expected(study: Study, structure: str, **animal: object) -> PhysisCheck:
    template = build_template(study([("DPa", "L", BOTH), ("ML", "L", BOTH)], **animal))
    checks = [i.physis for i in template.items if i.structure == structure]
    assert len(checks) == 1
    assert checks[0] is not None
    return checks[0]


@pytest.mark.parametrize(
    ("structure", "age", "says"),
    [
        ("physis_ulna_distal", 6.0, "open"),
        ("physis_ulna_distal", 7.1, "either"),
        ("physis_ulna_distal", 14.8, "either"),
        ("physis_ulna_distal", 16.0, "closed"),
        ("physis_mc3", 4.9, "open"),
        ("physis_mc3", 5.0, "either"),
        ("physis_mc3", 8.5, "closed"),
        ("physis_accessory", 2.9, "open"),
        ("physis_accessory", 7.0, "closed"),
        ("physis_p1_2", 4.0, "open"),
        ("physis_p2_5", 8.0, "closed"),
    ],
)
def test_verified_ranges_judge_an_age(study: Study, structure: str, age: float, says: str) -> None:
    check = expected(study, structure, age_months=age, breed="Labrador retriever")
    assert check.expected == says
    assert check.grade == "V"
    assert "PROVETTABLE" in check.source


@pytest.mark.parametrize(("age", "says"), [(4, "unknown"), (9, "either"), (15, "unknown")])
def test_a_range_from_memory_alone_never_says_open_or_closed(
    study: Study, age: float, says: str
) -> None:
    for structure in ("physis_radius_distal",):
        check = expected(study, structure, age_months=age, breed="Beagle")
        assert check.expected == says
        assert check.grade == "M"
        assert "8 to 12 months" in check.text


def test_a_physis_with_only_a_mean_is_unknown(study: Study) -> None:
    check = expected(study, "physis_p1_1", age_months=4)
    assert check.expected == "unknown"
    assert "4.6 months" in check.text


def test_without_an_age_nothing_is_expected(study: Study) -> None:
    assert expected(study, "physis_ulna_distal").expected == "unknown"


def test_late_closure_is_never_held_against_a_neutered_dog(study: Study) -> None:
    check = expected(
        study, "physis_ulna_distal", age_months=17, breed="Labrador retriever", neutered=True
    )
    assert check.expected == "either"


@pytest.mark.parametrize("breed", ["Great Dane", "GREAT DANE (blue)", ""])
def test_giant_and_unstated_breeds_have_three_months_more(study: Study, breed: str) -> None:
    assert expected(study, "physis_ulna_distal", age_months=17.8, breed=breed).expected == "either"
    assert expected(study, "physis_ulna_distal", age_months=17.9, breed=breed).expected == "closed"


def test_past_every_published_age_the_physes_are_one_question(study: Study) -> None:
    # The latest of any row: 16.8 months in the carpus, 7.9 in the manus; giants up to 3 more.
    shots = [("DPa", "L", BOTH), ("ML", "L", BOTH)]
    at = {
        age: [i.structure for i in build_template(study(shots, age_months=age)).items]
        for age in (10.9, 11.0, 19.8, 19.9)
    }
    assert at[10.9].count("physes") == 0
    assert at[11.0].count("physes") == 1
    assert "physis_ulna_distal" in at[19.8]
    assert at[19.9].count("physes") == 2
    assert not [s for s in at[19.9] if s.startswith("physis_")]


def test_the_one_question_expects_them_closed_and_names_its_sources(study: Study) -> None:
    template = build_template(study([("DPa", "L", ("carpus",))], age_months=60))
    check = next(i.physis for i in template.items if i.structure == "physes")
    assert check is not None
    assert check.expected == "closed"
    assert "16.8 months" in check.text
