"""Readings that name what is not there are refused; late images keep what still fits."""

from collections.abc import Callable
from typing import Any

import pytest
from pydantic import ValidationError

from dicom_service.errors import Refused
from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template, carry_over, check_reading, gaps, opening_reading
from dicom_service.review.model import (
    Finding,
    Measurement,
    Reading,
    RuleOut,
    Template,
)

Study = Callable[..., StudyFacts]
CARPUS = ("carpus",)
RADIAL = "L.carpus.radial_carpal"
FINDING: dict[str, Any] = {"id": "f1", "item": RADIAL, "view": "1"}
LENGTH: dict[str, Any] = {
    "id": "m1",
    "item": RADIAL,
    "view": "1",
    "kind": "length",
    "points": ((1, 1), (2, 2)),
}


@pytest.fixture
def template(study: Study) -> Template:
    return build_template(study([("DPa", "L", CARPUS), ("ML", "L", CARPUS)], "fall"))


OUTLINE = {
    "id": "o1", "item": RADIAL, "view": "1", "name": "nutrient foramen", "kind": "ellipse",
    "points": [(10.0, 20.0), (30.0, 20.0), (20.0, 15.0), (20.0, 25.0)],
}  # fmt: skip
CALLED_VARIANT: dict[str, Any] = {"observations": {RADIAL: {"1": {"value": "variant"}}}}


def reading(**fields: Any) -> Reading:
    return Reading.model_validate(
        {"observations": {RADIAL: {"1": {"value": "abnormal"}}}, **fields}
    )


def test_an_unfinished_reading_is_fine(template: Template) -> None:
    check_reading(template, reading(findings=[FINDING], measurements=[LENGTH]))


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"template_revision": 2}, "revision 2"),
        ({"observations": {"L.carpus.c9": {"1": {"value": "normal"}}}}, "'L.carpus.c9'"),
        ({"observations": {RADIAL: {"7": {"value": "normal"}}}}, "the view '7'"),
        ({"findings": [{**FINDING, "item": "x"}]}, "'x'"),
        ({"findings": [{**FINDING, "view": "x"}]}, "the view 'x'"),
        ({"findings": [FINDING, FINDING]}, "stands 2 times"),
        ({"findings": [{**FINDING, "descriptors": ["purple"]}]}, "'purple'"),
        ({"findings": [{**FINDING, "descriptors": ["space_narrow"]}]}, "is not said of"),
        ({"findings": [{**FINDING, "cross_check": {"": "no_such_view"}}]}, "there is one"),
        ({"findings": [{**FINDING, "cross_check": {"1": "confirmed"}}]}, "not at a right angle"),
        ({"findings": [{**FINDING, "cross_check": {"2": "no_such_view"}}]}, "has"),
        ({"measurements": [{**LENGTH, "item": "x"}]}, "'x'"),
        ({"measurements": [{**LENGTH, "kind": "angle"}]}, "needs 3 points"),
        ({"measurements": [{**LENGTH, "finding": "f7"}]}, "'f7'"),
        ({"landmarks": {"1": {"L.carpus.nothing": (1.0, 2.0)}}}, "A landmark names"),
        ({"landmarks": {"7": {FINDING["item"]: (1.0, 2.0)}}}, "A landmark of .* '7'"),
        ({"prior_landmarks": {"../1": {RADIAL: (1.0, 2.0)}}}, "which is no image"),
        ({"prior_landmarks": {"1.2": {"x": (1.0, 2.0)}}}, "earlier image names the structure 'x'"),
        ({"outlines": [{**OUTLINE, "view": "7"}]}, "The outline 'o1' of .* '7'"),
        ({"outlines": [OUTLINE]}, "is not called one on that view"),
        ({**CALLED_VARIANT, "outlines": [OUTLINE, OUTLINE]}, "stands 2 times"),
        ({**CALLED_VARIANT, "outlines": [{**OUTLINE, "points": [(1, 1)] * 5}]}, "4 points, not 5"),
        ({"rule_outs": [{"id": "gout", "verdict": "excluded"}]}, "no rule-out 'gout'"),
        (
            {"rule_outs": [{"id": "fracture", "verdict": "supported", "evidence": ["f7"]}]},
            "rests on 'f7'",
        ),
    ],
)
def test_a_reading_that_names_the_unknown_is_refused(
    template: Template, fields: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(Refused, match=sentence):
        check_reading(template, reading(**fields))


def test_late_images_keep_everything_that_still_fits(study: Study) -> None:
    shots = [("DPa", "L", CARPUS)]
    before = build_template(study(shots, "fall"))
    old = reading(
        findings=[{**FINDING, "cross_check": {"": "no_such_view"}}],
        measurements=[{**LENGTH, "finding": "f1"}],
        rule_outs=[{"id": "fracture", "verdict": "supported", "evidence": ["f1"]}],
        impression="Fracture.",
    )
    check_reading(before, old)
    after = build_template(study([*shots, ("ML", "L", CARPUS)], "fall"), revision=2)
    carried = carry_over(old, after)
    check_reading(after, carried)
    assert carried.observations == old.observations
    assert carried.measurements == old.measurements
    assert carried.rule_outs == old.rule_outs
    assert carried.impression == "Fracture."
    assert carried.findings[0].cross_check == {}
    assert "open_cross_check" in {gap.kind for gap in gaps(after, carried)}


def test_what_lost_its_place_goes_and_leaves_no_dangling_reference(study: Study) -> None:
    left = study([("DPa", "L", CARPUS)])
    right = build_template(study([("DPa", "R", CARPUS)]), revision=2)
    old = reading(
        findings=[FINDING],
        measurements=[{**LENGTH, "finding": "f1"}],
        rule_outs=[{"id": "fracture", "verdict": "supported", "evidence": ["f1"]}],
        impression="kept",
    )
    check_reading(build_template(left), old)
    carried = carry_over(old, right)
    check_reading(right, carried)
    assert carried.observations == {}
    assert carried.findings == ()
    assert carried.measurements == ()
    assert carried.rule_outs == (RuleOut(id="fracture", verdict="supported"),)
    assert carried.impression == "kept"


def test_carrying_over_to_the_same_template_changes_nothing(template: Template) -> None:
    finding = Finding.model_validate({**FINDING, "cross_check": {"2": "confirmed"}})
    old = reading(findings=[finding], measurements=[Measurement.model_validate(LENGTH)])
    assert carry_over(old, template) == old


def test_the_opening_reading_has_the_question_and_lists_the_images(study: Study) -> None:
    facts = study([("DPa", "L", CARPUS), ("", "R", ())], " Lame since Monday. ")
    template = build_template(facts)
    opened = opening_reading(facts, template)
    check_reading(template, opened)
    assert opened.history == "Lame since Monday."
    assert opened.technique == (
        "2 radiographs of 2025-01-02: left carpus, DPa (spacing at detector plane); "
        "right part of the limb not stated, view not stated (spacing at detector plane)."
    )
    assert opened.observations == {}


def test_landmarks_stay_with_the_images_that_stay(study: Study) -> None:
    both = build_template(study([("DPa", "L", CARPUS), ("ML", "L", CARPUS)]))
    marks = {uid: {FINDING["item"]: (10.0, 20.5)} for uid in ("1", "2")}
    old = reading(landmarks=marks)
    check_reading(both, old)
    alone = build_template(study([("DPa", "L", CARPUS)]), revision=2)
    carried = carry_over(old, alone)
    check_reading(alone, carried)
    assert carried.landmarks == {"1": marks["1"]}


def test_an_outline_stays_with_its_image_and_earlier_landmarks_with_their_structure(
    study: Study,
) -> None:
    left = build_template(study([("DPa", "L", CARPUS)]))
    old = reading(
        **CALLED_VARIANT, outlines=[OUTLINE], prior_landmarks={"1.2.3": {RADIAL: (3.0, 4.0)}}
    )
    check_reading(left, old)
    more = build_template(study([("DPa", "L", CARPUS), ("ML", "L", CARPUS)]), revision=2)
    carried = carry_over(old, more)
    check_reading(more, carried)
    assert (carried.outlines, carried.prior_landmarks) == (old.outlines, old.prior_landmarks)
    other = build_template(study([("DPa", "R", CARPUS)]), revision=2)
    gone = carry_over(old, other)
    check_reading(other, gone)
    assert (gone.outlines, gone.prior_landmarks) == ((), {"1.2.3": {}})


def test_a_landmark_at_no_place_is_refused() -> None:
    with pytest.raises(ValidationError):
        reading(landmarks={"1": {FINDING["item"]: (float("nan"), 1.0)}})
