"""Groups called normal at once, the site's order of sections, studies of single digits."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dicom_service.errors import Refused
from dicom_service.intake.model import ImageFacts, StudyFacts
from dicom_service.review import (
    build_template,
    carry_over,
    check_reading,
    coverage,
    findings_text,
    gaps,
)
from dicom_service.review.model import SECTIONS, Observation, Reading, Template, TemplateGroup

Study = Callable[..., StudyFacts]
BOTH = ("carpus", "manus")
DPA_ML = [("DPa", "L", BOTH), ("ML", "L", BOTH)]


def group(template: Template, name: str) -> TemplateGroup:
    return next(g for g in template.groups if g.name == name)


def normal_at_once(template: Template, members: TemplateGroup, *, shown: bool = True) -> Reading:
    visibility = {item.id: item.visibility for item in template.items}
    return Reading(
        shown=members.items if shown else members.items[1:],
        observations={
            item: {
                uid: Observation(value="normal", by_group=True)
                for uid, shows in visibility[item].items()
                if shows != "no"
            }
            for item in members.items
        },
    )


def aimed(facts: StudyFacts, *digits: tuple[int, ...]) -> StudyFacts:
    images = tuple(
        image.model_copy(update={"digits": named})
        for image, named in zip(facts.images, digits, strict=True)
    )
    return facts.model_copy(update={"images": images})


# Groups


def test_every_item_is_in_one_group_of_its_side_part_and_section(study: Study) -> None:
    facts = study([*DPA_ML, ("DPa", "R", BOTH)], age_months=5)
    template = build_template(facts)
    listed = [item for g in template.groups for item in g.items]
    assert sorted(listed) == sorted(item.id for item in template.items)
    assert len({g.id for g in template.groups}) == len(template.groups)
    items = {item.id: item for item in template.items}
    for g in template.groups:
        assert len({(items[i].side, items[i].region, items[i].section) for i in g.items}) == 1
        assert {items[i].group for i in g.items} == {g.name}


def test_a_normal_carpus_is_one_answer_for_each_group(study: Study) -> None:
    template = build_template(study([("DPa", "L", ("carpus",)), ("ML", "L", ("carpus",))]))
    assert len(template.groups) <= 12
    assert group(template, "carpal bones").items[0] == "L.carpus.radial_carpal"


def test_a_group_is_normal_at_once_only_after_each_member_was_shown(study: Study) -> None:
    template = build_template(study(DPA_ML))
    bones = group(template, "carpal bones")
    check_reading(template, normal_at_once(template, bones))
    with pytest.raises(Refused, match=r"look at radial \(intermedioradial\) carpal bone first"):
        check_reading(template, normal_at_once(template, bones, shown=False))


@pytest.mark.parametrize("value", ["abnormal", "variant", "undetermined", "not_assessable"])
def test_only_normal_can_be_said_of_a_group(study: Study, value: str) -> None:
    template = build_template(study(DPA_ML))
    reading = normal_at_once(template, group(template, "carpal bones"))
    said = Observation.model_validate({"value": value, "by_group": True})
    observations = {**reading.observations, "L.carpus.c1": {"1": said}}
    with pytest.raises(Refused, match="Only “normal” can be said of the carpal bones"):
        check_reading(template, reading.model_copy(update={"observations": observations}))


def test_the_text_says_that_a_group_was_assessed_as_one(study: Study) -> None:
    facts = study(DPA_ML, age_months=40)
    template = build_template(facts)
    reading = normal_at_once(template, group(template, "carpal bones"))
    text = findings_text(facts, template, reading)
    assert "The carpal bones (assessed as a group) are normal on DPa and ML" in text
    one_by_one = {
        item: {uid: Observation(value="normal") for uid in seen}
        for item, seen in reading.observations.items()
    }
    plain = reading.model_copy(update={"observations": one_by_one})
    assert "assessed as a group" not in findings_text(facts, template, plain)


def test_one_member_told_apart_leaves_the_others_as_a_group(study: Study) -> None:
    facts = study(DPA_ML, age_months=40)
    template = build_template(facts)
    reading = normal_at_once(template, group(template, "carpal bones"))
    odd = {uid: Observation(value="variant") for uid in reading.observations["L.carpus.c1"]}
    observations = {**reading.observations, "L.carpus.c1": odd}
    text = findings_text(facts, template, reading.model_copy(update={"observations": observations}))
    assert "The other carpal bones (assessed as a group) are normal" in text


def test_a_group_at_once_counts_as_answered(study: Study) -> None:
    template = build_template(study(DPA_ML))
    bones = group(template, "carpal bones")
    reading = normal_at_once(template, bones)
    still_open = {g.item for g in gaps(template, reading) if g.kind == "open_observation"}
    assert not still_open & set(bones.items)
    assert coverage(template, reading).answered > 0


def test_what_was_shown_is_kept_for_a_later_template_as_far_as_it_exists(study: Study) -> None:
    template = build_template(study(DPA_ML))
    reading = Reading(shown=("L.carpus.c1", "L.carpus.gone"))
    assert carry_over(reading, template).shown == ("L.carpus.c1",)


# Order


def test_the_order_of_the_site_is_that_of_items_and_template(study: Study) -> None:
    usual = build_template(study(DPA_ML))
    other = build_template(study(DPA_ML), order=("soft_tissue", "bone"))
    assert usual.order == SECTIONS
    assert other.order == ("soft_tissue", "bone", "alignment", "cartilage", "devices")
    assert other.items[0].section == "soft_tissue"
    assert {i.id for i in other.items} == {i.id for i in usual.items}
    of_carpus = [i.section for i in other.items if i.region == "carpus"]
    assert of_carpus == sorted(of_carpus, key=other.order.index)


@given(st.permutations(SECTIONS))
def test_any_order_asks_the_same(order: list) -> None:
    image = ImageFacts(uid="1", series_uid="s", sop_class_uid="c", view="ML", regions=("carpus",))
    facts = StudyFacts.model_validate(
        {"study_uid": "9", "signalment": {"species": "dog"}, "images": [image.model_dump()]}
    )
    template = build_template(facts, order=order)
    assert list(template.order) == order
    assert len({i.id for i in template.items}) == len(build_template(facts).items)


# Single digits


def test_a_study_of_one_digit_asks_for_it_and_for_the_others_in_one_item_each_section(
    study: Study,
) -> None:
    shots = [("DPa", "R", ("manus",)), ("splayed ML", "R", ("manus",))]
    template = build_template(aimed(study(shots), (4,), (4,)))
    ids = {item.id for item in template.items}
    assert {"R.manus.mc4", "R.manus.d4_p3"} <= ids
    assert not {"R.manus.mc3", "R.manus.d2_p1"} & ids
    others = [item for item in template.items if item.kind == "other_digits"]
    assert [o.section for o in others] == [s for s in SECTIONS if s in {o.section for o in others}]
    assert {o.section for o in others} >= {"bone", "cartilage"}
    assert {v for o in others for v in o.visibility.values()} == {"partly"}
    assert others[0].name == "bones of the other digits of the manus"
    whole = build_template(study(shots))
    assert len(template.items) < len(whole.items) / 2


def test_what_belongs_to_no_digit_is_asked_for_all_the_same(study: Study) -> None:
    shots = [("DPa", "R", ("manus",))]
    whole = {i.id for i in build_template(study(shots)).items if i.section == "soft_tissue"}
    single = {i.id for i in build_template(aimed(study(shots), (4,))).items}
    assert whole & single


def test_one_image_of_the_whole_paw_asks_for_all_digits_on_it_only(study: Study) -> None:
    shots = [("DPa", "R", ("manus",)), ("ML", "R", ("manus",))]
    template = build_template(aimed(study(shots), (), (4,)))
    items = {item.id: item for item in template.items}
    assert items["R.manus.d3_p1"].visibility == {"1": "well", "2": "no"}
    assert items["R.manus.d4_p1"].visibility["2"] != "no"
    assert "other_digits" not in {item.kind for item in template.items}


def test_a_pup_is_asked_for_the_physes_of_the_digit_only(study: Study) -> None:
    shots = [("DPa", "R", ("manus",))]
    template = build_template(aimed(study(shots, age_months=4), (4,)))
    physes = [item.structure for item in template.items if item.kind == "physis"]
    assert physes
    assert all("4" in name for name in physes)
