"""The prose says every abnormal observation, and nothing that was not observed."""

import re
from collections.abc import Callable
from random import Random
from typing import Any, get_args

from hypothesis import given, settings
from hypothesis import strategies as st

from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template, coverage, findings_text, gaps
from dicom_service.review.model import (
    Finding,
    Measurement,
    Observation,
    Outline,
    Reading,
    Template,
    Value,
)

Study = Callable[..., StudyFacts]
AllObserved = Callable[..., Reading]
BOTH = ("carpus", "manus")
DPA_ML = [("DPa", "L", BOTH), ("ML", "L", BOTH)]
RADIAL = "L.carpus.radial_carpal"
VIEWS = ["DPa", "ML", "D45L-PaMO", "D45M-PaLO", "stress ML", "", "LM"]


def observed(reading: Reading, item: str, **values: Value) -> Reading:
    """`reading` with these values on "v1" (image 1), "v2" (image 2) of one item."""
    seen = {name[1:]: Observation(value=value) for name, value in values.items()}
    return reading.model_copy(update={"observations": {**reading.observations, item: seen}})


def test_a_normal_reading_is_told_by_groups(study: Study, all_observed: AllObserved) -> None:
    facts = study(DPA_ML, age_months=40)
    template = build_template(facts)
    text = findings_text(facts, template, all_observed(template))
    assert "carpal bones" in text
    assert "are normal on DPa and ML as far as visible." in text
    assert "Not evaluated" not in text
    assert "abnormal on" not in text
    assert [line.split(":")[0] for line in text.split("\n\n")] == [
        "Alignment",
        "Bones",
        "Joints and physes",
        "Implants and foreign material",
        "Soft tissues",
    ]


def test_a_finding_on_one_view_is_never_told_as_confirmed(
    study: Study, all_observed: AllObserved
) -> None:
    facts = study(DPA_ML)
    template = build_template(facts)
    reading = observed(all_observed(template), RADIAL, v1="abnormal", v2="normal")
    fields: dict[str, Any] = {
        "id": "f",
        "item": RADIAL,
        "view": "1",
        "descriptors": ("fracture_line", "displacement"),
        "severity": "mild",
    }
    for answers, words in (
        ({}, "seen only on DPa, not yet checked on ML."),
        ({"2": "not_seen"}, "seen only on DPa, not confirmed on ML (not seen there)."),
        ({"2": "not_assessable"}, "seen only on DPa, not confirmed on ML (not assessable there)."),
        ({"2": "confirmed"}, "seen on DPa, confirmed on ML."),
    ):
        finding = Finding.model_validate({**fields, "cross_check": answers})
        text = findings_text(facts, template, reading.model_copy(update={"findings": (finding,)}))
        assert f"mild fracture line and displacement; {words}" in text
    assert "The other carpal bones are normal" in text or "other carpal bones" in text


def test_a_finding_without_a_right_angle_says_that_it_is_not_confirmed(
    study: Study, all_observed: AllObserved
) -> None:
    facts = study([("DPa", "L", BOTH)])
    template = build_template(facts)
    reading = observed(all_observed(template), RADIAL, v1="abnormal")
    finding = Finding(id="f", item=RADIAL, view="1", cross_check={"": "no_such_view"})
    text = findings_text(facts, template, reading.model_copy(update={"findings": (finding,)}))
    assert "seen only on DPa, not confirmed: no view at a right angle." in text


def test_a_measurement_carries_its_calibration(study: Study) -> None:
    facts = study(DPA_ML)
    template = build_template(facts)
    measurement = Measurement(
        id="m",
        item=RADIAL,
        view="1",
        kind="length",
        points=((0, 0), (0, 100)),
        value=14.0,
        unit="mm",
        calibration="at detector plane, not corrected for magnification",
    )
    text = findings_text(facts, template, Reading(measurements=(measurement,)))
    assert "length 14.0 mm on DPa (at detector plane, not corrected for magnification)." in text


def test_notes_variants_and_limits_are_told(study: Study, all_observed: AllObserved) -> None:
    facts = study(DPA_ML)
    template = build_template(facts)
    observations = {**all_observed(template).observations}
    observations["L.manus.sesamoid_7"] = {"1": Observation(value="variant", note="Bipartite.")}
    observations["L.manus.nails"] = {"1": Observation(value="not_assessable", note="cut off")}
    del observations["L.manus.mc2"]
    ring = Outline(
        id="o1", item="L.manus.sesamoid_7", view="1", name="Two parts", kind="outline",
        points=((1.0, 1.0), (2.0, 1.0), (2.0, 2.0)),
    )  # fmt: skip
    text = findings_text(facts, template, Reading(observations=observations, outlines=(ring,)))
    said = "palmar sesamoid 7 (digit V, medial, axial) on DPa (Two parts; Bipartite)."
    assert f"Normal variant: {said}" in text
    assert "Not assessable: nails on DPa (cut off)." in text
    assert "Not evaluated: metacarpal bone II." in text
    assert "Not evaluated: nails on ML." in text


def test_what_no_view_can_show_is_said_to_be_not_shown(
    study: Study, all_observed: AllObserved
) -> None:
    facts = study([("ML", "L", ("carpus",))])
    template = build_template(facts)
    text = findings_text(facts, template, all_observed(template))
    assert "Not shown by the views of this study: styloid process of the radius" in text


def test_two_sides_are_told_apart(study: Study, all_observed: AllObserved) -> None:
    facts = study([("DPa", "L", BOTH), ("DPa", "R", BOTH)])
    template = build_template(facts)
    reading = observed(all_observed(template), "R.carpus.c3", v2="abnormal")
    text = findings_text(facts, template, reading)
    assert "Right carpal bone C3: abnormal on R DPa, not described further." in text
    assert "left carpal bones" in text


def test_a_study_without_images_says_so(study: Study) -> None:
    facts = study([])
    assert "no images" in findings_text(facts, build_template(facts), Reading())


# Random studies and readings

STUDY = st.fixed_dictionaries(
    {
        "shots": st.lists(
            st.tuples(
                st.sampled_from(VIEWS),
                st.sampled_from(["L", "R", "B", "U"]),
                st.sampled_from([("carpus",), ("manus",), BOTH, (), ("stifle",)]),
            ),
            max_size=5,
        ),
        "age_months": st.none() | st.floats(0, 200),
        "species": st.sampled_from(["dog", "dog", "cat", None]),
        "neutered": st.sampled_from([None, True, False]),
    }
)


def random_reading(template: Template, seed: int) -> Reading:
    """Some observations of every value, half of the abnormal ones described."""
    random = Random(seed)
    share = random.choice([0.1, 0.6, 0.97])
    often_normal = [*get_args(Value), *["normal"] * random.choice([0, 100])]
    observations: dict[str, dict[str, Observation]] = {}
    findings = []
    for item in template.items:
        for uid in item.visibility:
            if random.random() > share:
                continue
            value = random.choice(often_normal)
            observations.setdefault(item.id, {})[uid] = Observation(value=value)
            if value == "abnormal" and random.random() < 0.5:
                findings.append(Finding(id=f"f{len(findings)}", item=item.id, view=uid))
    return Reading(observations=observations, findings=tuple(findings))


HEADING = r"(?m)^(Alignment|Bones|Joints and physes|Implants and foreign material|Soft tissues): "
SIDES = {"L": "left ", "R": "right ", "U": "side not stated "}


def tokenised(text: str, template: Template) -> list[str]:
    """The sentences of `text`, with names of items as ⟨id⟩ and of groups as ⟨#side|group⟩."""
    several = len({i.side for i in template.items}) > 1
    names = {}
    for i in template.items:
        names[(SIDES[i.side] if several else "") + i.group] = f"⟨#{i.side}|{i.group}⟩"
    for i in template.items:
        names[(SIDES[i.side] if several else "") + i.name] = f"⟨{i.id}⟩"
    names |= {name[:1].upper() + name[1:]: token for name, token in names.items()}
    longest_first = sorted(names, key=len, reverse=True)
    if names:
        known = "|".join(re.escape(name) for name in longest_first)
        text = re.sub(rf"(?<!\w)({known})(?!\w)", lambda m: names[m[1]], text)
    return re.split(r"(?<=\.)\s+", re.sub(HEADING, "", text))


def group_is_normal(
    template: Template, reading: Reading, side: str, group: str, *, other: bool
) -> bool:
    """Whether "the (other) group is normal" is true of what was observed."""
    for item in template.items:
        if (item.side, item.group) != (side, group) or set(item.visibility.values()) == {"no"}:
            continue
        values = {o.value for o in reading.observations.get(item.id, {}).values()}
        asked = {uid for uid, shows in item.visibility.items() if shows != "no"}
        whole = values == {"normal"} and asked <= set(reading.observations[item.id])
        if not whole and not (other and values - {"normal"}):
            return False
    return True


@settings(max_examples=60, deadline=None)
@given(STUDY, st.integers(0, 2**32))
def test_every_abnormal_observation_is_told_and_nothing_unobserved(
    study: Study, plan: dict[str, Any], seed: int
) -> None:
    facts = study(**plan)
    template = build_template(facts)
    reading = random_reading(template, seed)
    labels = {view.uid: view.label for view in template.views}
    sentences = tokenised(findings_text(facts, template, reading), template)
    for item in template.items:
        seen = reading.observations.get(item.id, {})
        told = [s for s in sentences if s.startswith(f"⟨{item.id}⟩: ")]
        abnormal = [uid for uid, o in seen.items() if o.value == "abnormal"]
        assert len(told) == len(abnormal)
        for uid in abnormal:
            assert any(f"on {labels[uid]}, " in sentence for sentence in told)
    for sentence in sentences:
        if sentence.startswith(("Not evaluated", "Not shown")):
            continue
        for identity in re.findall(r"⟨([^#⟩][^⟩]*)⟩", sentence):
            assert reading.observations.get(identity), sentence
        for other, side, group in re.findall(r"(other )?⟨#(\w)\|([^⟩]*)⟩", sentence):
            assert group_is_normal(template, reading, side, group, other=bool(other)), sentence


@settings(max_examples=60, deadline=None)
@given(STUDY, st.integers(0, 2**32))
def test_any_study_and_reading_has_valid_coverage_and_gaps(
    study: Study, plan: dict[str, Any], seed: int
) -> None:
    facts = study(**plan)
    template = build_template(facts)
    assert Template.model_validate_json(template.model_dump_json()) == template
    assert len({i.id for i in template.items}) == len(template.items)
    assert len({(i.side, i.name) for i in template.items}) == len(template.items)
    assert len({v.label for v in template.views}) == len(template.views)
    uids = {v.uid for v in template.views}
    for item in template.items:
        assert set(item.visibility) <= uids
        assert item.visibility
    for view in template.views:
        assert view.uid not in view.orthogonal
    reading = random_reading(template, seed)
    done = coverage(template, reading)
    assert 0 <= done.answered <= done.asked
    assert done.asked == sum(asked for _, asked in done.sections.values())
    items = {i.id for i in template.items}
    for gap in gaps(template, reading):
        assert not gap.item or gap.item in items
        assert not gap.view or gap.view in uids
        assert gap.text.endswith((".", "?"))
