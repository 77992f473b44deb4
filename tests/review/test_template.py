"""Which structures and views a template has, for dogs and for what nobody wrote a file for."""

from collections.abc import Callable

import pytest

from dicom_service.intake.model import StudyFacts
from dicom_service.review import build_template
from dicom_service.review.model import Template, TemplateItem

Study = Callable[..., StudyFacts]
BOTH = ("carpus", "manus")
DPA_ML = [("DPa", "L", BOTH), ("ML", "L", BOTH)]


def item(template: Template, identity: str) -> TemplateItem:
    return next(i for i in template.items if i.id == identity)


def test_an_item_is_side_part_and_structure(study: Study) -> None:
    template = build_template(study(DPA_ML, age_months=6))
    assert item(template, "L.carpus.radial_carpal").visibility == {"1": "well", "2": "partly"}
    assert item(template, "L.manus.sesamoid_2").visibility == {"1": "well", "2": "no"}
    assert item(template, "L.carpus.c1").site.value == "8205005"
    assert len({i.id for i in template.items}) == len(template.items)


def test_items_come_in_the_order_of_the_parts_and_only_of_the_sides_shown(study: Study) -> None:
    template = build_template(study([("DPa", "R", ("manus",)), ("ML", "L", ("carpus",))]))
    assert {(i.side, i.region) for i in template.items} == {("R", "manus"), ("L", "carpus")}


def test_labels_name_the_side_when_there_are_two_and_number_what_is_doubled(study: Study) -> None:
    one = build_template(study([*DPA_ML, ("ML", "L", BOTH)]))
    assert [v.label for v in one.views] == ["DPa", "ML", "ML (2)"]
    two = build_template(study([("DPa", "R", BOTH), ("DPa", "L", BOTH), ("DPa", "L", BOTH)]))
    assert [v.label for v in two.views] == ["R DPa", "L DPa", "L DPa (2)"]


def test_right_angles_hold_within_one_side_and_one_part(study: Study) -> None:
    shots = [
        ("DPa", "L", ("carpus",)),
        ("ML", "L", ("carpus",)),
        ("ML", "R", ("carpus",)),
        ("ML", "L", ("manus",)),
        ("stress ML", "L", ("carpus",)),
        ("D45L-PaMO", "L", ("carpus",)),
    ]
    template = build_template(study(shots))
    assert template.views[0].orthogonal == ("2", "5")
    assert template.views[1].orthogonal == ("1",)
    assert template.views[2].orthogonal == ()
    assert template.views[5].orthogonal == ()


def test_one_image_of_both_limbs_asks_for_both(study: Study) -> None:
    template = build_template(study([("DPa", "B", ("carpus",)), ("ML", "L", ("carpus",))]))
    assert item(template, "R.carpus.c2").visibility == {"1": "well"}
    assert set(item(template, "L.carpus.c2").visibility) == {"1", "2"}
    assert template.views[0].orthogonal == ("2",)


def test_an_image_without_a_stated_view_may_show_anything_in_part(study: Study) -> None:
    template = build_template(study([("", "L", ("carpus",)), ("mystery", "L", ("carpus",))]))
    assert [v.label for v in template.views] == ["view not stated", "view not stated (2)"]
    assert {v for i in template.items for v in i.visibility.values()} == {"partly"}
    assert any("projection" in caution for caution in template.cautions)


@pytest.mark.parametrize(
    ("species", "regions"),
    [(None, ("carpus",)), ("cat", ()), ("dog", ()), (None, ())],
)
def test_what_has_no_file_gets_the_general_search_pattern(
    study: Study, species: str | None, regions: tuple[str, ...]
) -> None:
    template = build_template(study([("ML", "U", regions)], species=species))
    assert [i.structure for i in template.items] == [
        "alignment",
        "bones",
        "joints",
        "physes",
        "devices",
        "soft_tissues",
    ]
    assert template.regions == (regions or ("unspecified",))
    assert any("by hand" in caution for caution in template.cautions)


def test_a_study_without_images_has_an_empty_template(study: Study) -> None:
    template = build_template(study([]))
    assert template.items == ()
    assert template.views == ()


def test_twelve_views_are_all_asked_for(study: Study) -> None:
    template = build_template(study([("DPa", "L", ("carpus",))] * 12))
    assert len(item(template, "L.carpus.c1").visibility) == 12
    assert template.views[11].label == "DPa (12)"


def test_the_question_the_age_and_the_part_raise_rule_outs_and_say_why(study: Study) -> None:
    facts = study(DPA_ML, "Swelling of the paw since a bite; 3 days", age_months=100)
    raised = {r.id: r.why for r in build_template(facts).rule_outs}
    assert raised["fracture"] == "always considered here"
    assert raised["septic_arthritis"] == "the question says “bite”"
    assert raised["polyarthritis"] == "the question says “swelling”"
    assert "age 100 months" in raised["digit_tumour"]
    assert "hod" not in raised
    assert "physeal_fracture" not in raised


def test_a_pup_raises_other_rule_outs_than_an_old_dog(study: Study) -> None:
    raised = {r.id for r in build_template(study(DPA_ML, age_months=5)).rule_outs}
    assert {"physeal_fracture", "hod", "panosteitis", "early_closure"} <= raised
    assert not {"digit_tumour", "bone_tumour"} & raised


def test_no_rule_out_is_raised_for_a_species_that_is_not_known(study: Study) -> None:
    assert build_template(study(DPA_ML, "fracture?", species=None)).rule_outs == ()
