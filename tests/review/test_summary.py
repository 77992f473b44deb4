"""The report text: the answer first, every abnormality told, nothing that was not observed."""

from collections.abc import Callable
from random import Random
from typing import get_args

from hypothesis import given, settings
from hypothesis import strategies as st

from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template, report_text, summary
from dicom_service.review.model import (
    Finding,
    Measurement,
    Observation,
    Reading,
    RuleOut,
    Value,
)

Study = Callable[..., StudyFacts]
AllObserved = Callable[..., Reading]
CARPUS = ("carpus",)
DPA_ML = [("DPa", "L", CARPUS), ("ML", "L", CARPUS)]
RADIUS = "L.carpus.radius_distal"


def test_the_order_is_that_of_a_referring_vet(study: Study, all_observed: AllObserved) -> None:
    facts = study(DPA_ML, "fall", age_months=40)
    template = build_template(facts)
    normal = all_observed(template)
    row = {"1": Observation(value="abnormal"), "2": Observation(value="normal")}
    reading = normal.model_copy(
        update={
            "observations": {**normal.observations, RADIUS: row},
            "findings": (
                Finding(
                    id="f",
                    item=RADIUS,
                    view="1",
                    descriptors=("fracture_line",),
                    cross_check={"2": "not_seen"},
                ),
            ),
            "measurements": (
                Measurement(
                    id="m", item=RADIUS, view="1", kind="length", points=((0, 0), (0, 9)), value=9
                ),
            ),
            "rule_outs": (
                RuleOut(id="fracture", verdict="possible", evidence=("f",)),
                RuleOut(id="luxation", verdict="no_evidence"),
                RuleOut(id="carpal_collateral", verdict="cannot_assess"),
            ),
            "recommendations": "Oblique views.",
        }
    )
    text = report_text(facts, template, reading)
    parts = dict(part.split(": ", 1) for part in text.split("\n\n"))
    assert list(parts) == [
        "Impression",
        "Recommendations",
        "Findings",
        "Pertinent negatives",
        "Measurements",
        "Limits",
    ]
    assert parts["Impression"] == (
        "Possible: fracture. Abnormal: fracture line of distal radius (on one view only, not seen "
        "at a right angle). No radiographic evidence of luxation or subluxation."
    )
    assert parts["Findings"].startswith("Distal radius: fracture line; seen only on DPa")
    assert parts["Limits"].startswith("Cannot be assessed on these views: carpal hyperextension")
    own = reading.model_copy(update={"impression": "Hairline.", "findings_text": "As dictated."})
    text = report_text(facts, template, own)
    assert text.startswith("Impression: Hairline.")
    assert "Findings: As dictated." in text
    assert "Pertinent negatives: No radiographic evidence of luxation" in text


def test_an_unfinished_reading_is_not_called_normal(
    study: Study, all_observed: AllObserved
) -> None:
    facts = study(DPA_ML)
    template = build_template(facts)
    assert "not complete" in summary(facts, template, Reading())
    assert summary(facts, template, all_observed(template)).startswith("No abnormality was seen")
    empty = study([])
    assert "no images" in summary(empty, build_template(empty), Reading())


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.sampled_from(["DPa", "ML", "D45L-PaMO", "D45M-PaLO", ""]), min_size=1, max_size=3),
    st.sampled_from(["dog", "cat", "horse"]),
    st.none() | st.floats(0, 200),
    st.integers(0, 2**32),
)
def test_every_abnormal_structure_is_told_and_none_that_is_not(
    study: Study, views: list[str], species: str, age: float | None, seed: int
) -> None:
    facts = study([(v, "L", CARPUS) for v in views], species=species, age_months=age)
    template = build_template(facts)
    random = Random(seed)
    observations: dict[str, dict[str, Observation]] = {}
    for item in template.items:
        for uid in item.visibility:
            if random.random() < 0.5:
                value = random.choice(get_args(Value))
                observations.setdefault(item.id, {})[uid] = Observation(value=value)
    reading = Reading(observations=observations)
    findings = report_text(facts, template, reading).split("\n\nFindings: ")[-1]
    said = summary(facts, template, reading)
    for item in template.items:
        abnormal = [u for u, o in observations.get(item.id, {}).items() if o.value == "abnormal"]
        told = f"{item.name[:1].upper()}{item.name[1:]}: abnormal on "
        assert findings.count(told) >= len(abnormal)
        if not abnormal:
            assert f"{told}" not in findings
        assert (f"{item.name} on " in said) >= bool(abnormal)
