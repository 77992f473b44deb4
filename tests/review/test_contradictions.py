"""Questions that a reading raises by itself, and words that exclude each other."""

from collections.abc import Callable
from typing import Any

import pytest

from dicom_service.errors import Refused
from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template, check_reading, gaps
from dicom_service.review.model import Finding, Gap, Observation, Reading, RuleOut, Template

Study = Callable[..., StudyFacts]
AllObserved = Callable[..., Reading]
CARPUS = ("carpus",)
RADIUS = "L.carpus.radius_distal"
DEVICES = "L.carpus.devices"


@pytest.fixture
def template(study: Study) -> Template:
    shots = [(view, side, CARPUS) for side in ("L", "R") for view in ("DPa", "ML")]
    return build_template(study(shots, "fall", age_months=40))


@pytest.fixture
def normal(template: Template, all_observed: AllObserved) -> Reading:
    return all_observed(template)


def observed(reading: Reading, item: str, **values: str) -> Reading:
    row = {view[1:]: Observation.model_validate({"value": v}) for view, v in values.items()}
    return reading.model_copy(
        update={"observations": {**reading.observations, item: {**row}}},
    )


def with_fracture(reading: Reading, impression: str, **changes: Any) -> Reading:
    seen = observed(reading, RADIUS, v1="abnormal", v2="abnormal")
    fields = {"id": "f1", "item": RADIUS, "view": "1", "descriptors": ("fracture_line",)}
    finding = Finding.model_validate({**fields, "cross_check": {"2": "confirmed"}, **changes})
    return seen.model_copy(update={"findings": (finding,), "impression": impression})


def of_kind(template: Template, reading: Reading, kind: str) -> list[Gap]:
    return [gap for gap in gaps(template, reading) if gap.kind == kind]


@pytest.mark.parametrize(
    ("impression", "asks"),
    [
        ("Fracture of the left radius.", False),
        ("Fractured forearm.", False),
        ("Fraktur des Radius.", False),
        ("Normal carpus.", True),
        ("Nothing abnormal of the left carpus.", True),
    ],
)
def test_a_finding_must_be_concluded(
    template: Template, normal: Reading, impression: str, asks: bool
) -> None:
    found = of_kind(template, with_fracture(normal, impression), "finding_without_conclusion")
    assert bool(found) == asks
    assert not any(gap.blocking for gap in found)


def test_a_verdict_that_rests_on_a_finding_concludes_it(
    template: Template, normal: Reading
) -> None:
    verdict = RuleOut(id="fracture", verdict="possible", evidence=("f1",))
    reading = with_fracture(normal, "See below.").model_copy(update={"rule_outs": (verdict,)})
    assert of_kind(template, reading, "finding_without_conclusion") == []


@pytest.mark.parametrize(
    ("impression", "asks"),
    [
        ("Fracture of the right radius.", True),
        ("Radiusfraktur rechts.", True),
        ("Fracture of the left radius.", False),
        ("Left fracture; right normal.", False),
        ("Fracture, confirmed at a right angle.", False),
        ("Fracture of the radius.", False),
    ],
)
def test_the_impression_must_name_the_side_of_the_findings(
    template: Template, normal: Reading, impression: str, asks: bool
) -> None:
    assert bool(of_kind(template, with_fracture(normal, impression), "wrong_side")) == asks


@pytest.mark.parametrize(
    ("cross_check", "descriptors", "rule_out", "asks"),
    [
        ({"2": "confirmed"}, ("fracture_line",), "fracture", False),
        ({"2": "not_seen"}, ("fracture_line",), "fracture", True),
        # An osteophyte in profile on one view is enough.
        ({"2": "not_seen"}, ("osteophyte",), "osteoarthritis", False),
    ],
)
def test_a_verdict_may_not_be_stronger_than_the_views_allow(
    template: Template,
    normal: Reading,
    cross_check: dict[str, str],
    descriptors: tuple[str, ...],
    rule_out: str,
    asks: bool,
) -> None:
    reading = with_fracture(normal, "x", cross_check=cross_check, descriptors=descriptors)
    verdict = RuleOut(id=rule_out, verdict="supported", evidence=("f1",))
    reading = reading.model_copy(update={"rule_outs": (verdict,)})
    assert bool(of_kind(template, reading, "stronger_than_views")) == asks
    possible = verdict.model_copy(update={"verdict": "possible"})
    reading = reading.model_copy(update={"rule_outs": (possible,)})
    assert of_kind(template, reading, "stronger_than_views") == []


def test_a_verdict_needs_a_look_at_its_structures(template: Template, normal: Reading) -> None:
    verdicts = (RuleOut(id="fracture", verdict="no_evidence"),)
    blind = Reading(rule_outs=verdicts)
    assert of_kind(template, blind, "verdict_without_looking") != []
    seen = normal.model_copy(update={"rule_outs": verdicts})
    assert of_kind(template, seen, "verdict_without_looking") == []


def test_metal_on_one_view_only_is_asked_about(template: Template, normal: Reading) -> None:
    reading = observed(normal, DEVICES, v1="abnormal", v2="normal")
    (gap,) = of_kind(template, reading, "device_on_one_view")
    assert (gap.item, gap.view) == (DEVICES, "2")
    both = observed(normal, DEVICES, v1="abnormal", v2="abnormal")
    assert of_kind(template, both, "device_on_one_view") == []


def test_a_variant_on_the_left_and_abnormal_on_the_right_is_asked_about(
    template: Template, normal: Reading
) -> None:
    left = observed(normal, "L.carpus.apl_sesamoid", v1="variant", v2="normal")
    assert of_kind(template, left, "left_against_right") == []
    right = observed(left, "R.carpus.apl_sesamoid", v3="abnormal", v4="normal")
    (gap,) = of_kind(template, right, "left_against_right")
    assert "Compare the two limbs." in gap.text


@pytest.mark.parametrize(
    ("item", "descriptors", "sentence"),
    [
        (RADIUS, ("fx_transverse", "fx_spiral"), "contradict each other"),
        (RADIUS, ("transition_short", "transition_long"), "contradict each other"),
        ("L.carpus.physes", ("sh_1", "sh_4"), "contradict each other"),
        (DEVICES, ("implant_intact", "implant_broken"), "contradict each other"),
        ("L.carpus.soft_dorsal", ("lm_fat_pad",), "is not said of"),
        ("L.carpus.soft_dorsal", ("lm_carpal_fat",), "is not said of"),
    ],
)
def test_words_that_exclude_each_other_or_belong_elsewhere_are_refused(
    template: Template, item: str, descriptors: tuple[str, ...], sentence: str
) -> None:
    finding = Finding(id="f", item=item, view="1", descriptors=descriptors)
    with pytest.raises(Refused, match=sentence):
        check_reading(template, Reading(findings=(finding,)))


@pytest.mark.parametrize(
    ("item", "descriptors"),
    [
        (RADIUS, ("fracture_line", "fx_oblique", "comminution", "displacement", "fx_overriding")),
        (RADIUS, ("lysis_moth_eaten", "lysis_permeative", "periosteal_codman")),
        ("L.carpus.soft_dorsal", ("effusion", "swelling_extracapsular", "lm_joint_rows")),
    ],
)
def test_words_that_go_together_are_accepted(
    template: Template, item: str, descriptors: tuple[str, ...]
) -> None:
    finding = Finding(id="f", item=item, view="1", descriptors=descriptors)
    check_reading(template, Reading(findings=(finding,)))
