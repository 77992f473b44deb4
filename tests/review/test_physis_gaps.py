"""What was recorded of a physis against what is expected at the age.

Outside facts (months, with both PROVETTABLE and textbooks from memory): accessory carpal 3 to 6,
distal ulna 7.1 to 14.8; the distal radius has no range that may judge an age.
"""

from collections.abc import Callable

import pytest

from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template, gaps
from dicom_service.review.model import Finding, Gap, Observation, Reading

Study = Callable[..., StudyFacts]
CARPUS = ("carpus",)
ULNA = "physis_ulna_distal"


def asked(
    study: Study,
    structure: str,
    descriptors: tuple[str, ...],
    sides: tuple[str, ...] = ("L",),
    **animal: object,
) -> list[Gap]:
    shots = [(view, side, CARPUS) for side in sides for view in ("DPa", "ML")]
    template = build_template(study(shots, **{"breed": "Labrador retriever", **animal}))
    item = f"L.carpus.{structure}"
    reading = Reading(
        observations={item: {"1": Observation(value="abnormal")}},
        findings=(Finding(id="f", item=item, view="1", descriptors=descriptors),),
    )
    return [gap for gap in gaps(template, reading) if gap.kind.startswith("physis_")]


@pytest.mark.parametrize(
    ("structure", "age", "recorded", "kind"),
    [
        (ULNA, 5.0, "physis_closed", "physis_early"),
        (ULNA, 5.0, "physis_closing", "physis_early"),
        (ULNA, 5.0, "physis_open", None),
        (ULNA, 10.0, "physis_closed", None),
        (ULNA, 10.0, "physis_open", None),
        (ULNA, 16.0, "physis_open", "physis_late"),
        (ULNA, 16.0, "sh_2", "physis_late"),
        (ULNA, 16.0, "physis_closed", None),
        ("physis_accessory", 2.0, "physis_closed", "physis_early"),
        ("physis_accessory", 7.0, "physis_wide", "physis_late"),
        # From memory alone: never a flag, at any age.
        ("physis_radius_distal", 2.0, "physis_closed", None),
        ("physis_radius_distal", 16.0, "physis_open", None),
    ],
)
def test_only_a_sourced_range_asks(
    study: Study, structure: str, age: float, recorded: str, kind: str | None
) -> None:
    found = asked(study, structure, (recorded,), age_months=age)
    assert [gap.kind for gap in found] == ([kind] if kind else [])
    for gap in found:
        assert not gap.blocking
        assert "PROVETTABLE" in gap.text
        assert "source read" in gap.text


@pytest.mark.parametrize("species", ["dog", "cat"])
def test_late_closure_is_never_held_against_a_neutered_animal(study: Study, species: str) -> None:
    structure = ULNA if species == "dog" else "physes"
    for age in (16.0, 30.0, 60.0):
        animal = {"age_months": age, "neutered": True, "species": species}
        assert asked(study, structure, ("physis_open",), **animal) == []


def test_giant_breeds_have_three_months_more(study: Study) -> None:
    giant = {"breed": "Great Dane"}
    assert asked(study, ULNA, ("physis_open",), age_months=17.7, **giant) == []
    assert asked(study, ULNA, ("physis_open",), age_months=18.0, **giant) != []


def test_without_an_age_nothing_is_asked(study: Study) -> None:
    assert asked(study, ULNA, ("physis_closed",)) == []


def test_early_closure_asks_for_the_other_limb_or_names_it(study: Study) -> None:
    (alone,) = asked(study, ULNA, ("physis_closed",), age_months=5)
    assert alone.text.endswith("Early closure: make the same views of the other limb.")
    (both,) = asked(study, ULNA, ("physis_closed",), sides=("L", "R"), age_months=5)
    assert both.text.endswith("compare the right one, which is not recorded closed.")


def test_open_and_closed_at_once_is_asked_about(study: Study) -> None:
    found = asked(study, ULNA, ("physis_closed", "physis_wide"), age_months=10)
    assert [gap.kind for gap in found] == ["physis_both"]
