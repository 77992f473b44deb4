"""Templates of the dog's limb regions at ages when physes are open, closing and closed.

Outside facts: closure of the supraglenoid tubercle at 3.8 to 7 months, of the proximal humerus at
9 to 15.3 months (compilation of several authors); of the iliac crest at 12 to 24 months (Thrall &
Robertson, from memory).
"""

from collections.abc import Callable

import pytest

from dicom_service.anatomy import atlas
from dicom_service.intake.model import StudyFacts
from dicom_service.review.model import Template, TemplateItem
from dicom_service.review.template import build_template

MINIMUM = {
    "shoulder": ("ML", "CdCr"),
    "humerus": ("ML", "CdCr"),
    "elbow": ("ML", "CrCd"),
    "antebrachium": ("ML", "CrCd"),
    "hip": ("VD", "Le-Rt"),
    "femur": ("ML", "CrCd"),
    "stifle": ("ML", "CdCr"),
    "crus": ("ML", "CdCr"),
    "tarsus": ("DPl", "ML"),
    "pes": ("DPl", "ML"),
}
Study = Callable[..., StudyFacts]


def template(study: Study, region: str, age: float) -> Template:
    shots = [(view, "L", (region,)) for view in MINIMUM[region]]
    return build_template(study(shots, breed="Beagle", age_months=age))


def physes(built: Template) -> list[TemplateItem]:
    return [item for item in built.items if item.kind == "physis"]


@pytest.mark.parametrize("age", [2, 8, 24])
@pytest.mark.parametrize("region", MINIMUM)
def test_a_study_of_the_region_has_a_template_at_every_age(
    study: Study, region: str, age: float
) -> None:
    built = template(study, region, age)
    found = atlas().region("dog", region)
    assert found is not None
    other = {s.id for s in found.structures if s.kind != "physis"}
    assert {item.structure for item in built.items if item.kind != "physis"} == other
    assert len({item.id for item in built.items}) == len(built.items)
    assert all(set(item.visibility) == {"1", "2"} for item in built.items)
    for item in physes(built):
        assert item.physis is not None
        assert item.physis.text


@pytest.mark.parametrize(
    ("age", "supraglenoid", "humerus"),
    [(2, "open", "open"), (8, "closed", "open"), (12, "closed", "either")],
)
def test_physes_with_a_range_that_was_read_are_judged_by_age(
    study: Study, age: float, supraglenoid: str, humerus: str
) -> None:
    built = physes(template(study, "shoulder", age))
    assert {i.structure: i.physis.expected for i in built if i.physis} == {
        "physis_supraglenoid": supraglenoid,
        "physis_humerus_proximal": humerus,
    }


@pytest.mark.parametrize("region", ["stifle", "crus", "tarsus"])
def test_a_range_from_memory_never_says_open_or_closed(study: Study, region: str) -> None:
    for age in (2, 8, 12):
        for item in physes(template(study, region, age)):
            assert item.physis is not None
            assert item.physis.grade == "M"
            assert item.physis.expected in ("unknown", "either")


@pytest.mark.parametrize("region", [r for r in MINIMUM if r != "hip"])
def test_a_grown_dog_is_asked_about_all_physes_at_once(study: Study, region: str) -> None:
    assert len(physes(template(study, region, 24))) == 1


def test_the_iliac_crest_keeps_the_physes_of_the_pelvis_apart_up_to_two_years(
    study: Study,
) -> None:
    assert len(physes(template(study, "hip", 24))) == 8
    assert len(physes(template(study, "hip", 36))) == 1
