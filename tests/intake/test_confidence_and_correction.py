"""How sure region and view are, what they were found in, and what a reader's correction changes."""

from collections.abc import Callable

import pytest
from pydicom import Dataset

from dicom_service.errors import NotFound, Refused
from dicom_service.intake import StudyFacts, corrected, describe

CODED = {"AnatomicRegionSequence": None, "ViewPosition": None}


def keys(facts: StudyFacts) -> set[str]:
    return {remark.key for remark in facts.remarks}


@pytest.mark.parametrize(
    ("values", "region", "view"),
    [
        ({}, "stated", "stated"),
        ({"ViewPosition": "AP"}, "stated", "stated"),
        ({"ViewPosition": "CRCD"}, "stated", "inferred"),
        ({**CODED, "BodyPartExamined": "CARPUS", "SeriesDescription": "ML"}, "stated", "inferred"),
        ({**CODED, "SeriesDescription": "Karpus rechts lateral"}, "inferred", "inferred"),
        ({**CODED, "SeriesDescription": "D38L-PaMO carpe droit"}, "inferred", "inferred"),
        (
            {**CODED, "StudyDescription": "carpus", "SeriesDescription": "LAT"},
            "guessed",
            "inferred",
        ),
        ({**CODED, "SeriesDescription": "forelimb ML"}, "guessed", "inferred"),
        (CODED, "", ""),
        ({"BodyPartExamined": "TARSUS"}, "inferred", "stated"),
        ({"SeriesDescription": "DPa"}, "stated", "inferred"),
    ],
)
def test_where_it_was_found_says_how_sure_it_is(
    values: dict, region: str, view: str, facts: Callable
) -> None:
    image = facts(**values).images[0]
    assert (image.region_confidence, image.view_confidence) == (region, view)
    assert bool(image.region_found_in) == bool(region)
    assert bool(image.view_found_in) == bool(view)


def test_a_guess_is_said_so_that_it_can_be_corrected(facts: Callable, remark: Callable) -> None:
    described = facts(**CODED, StudyDescription="carpus", SeriesDescription="LAT")
    assert remark(described, "region_guessed").text == (
        "ML of the right carpus: the part of the limb was guessed from StudyDescription; correct "
        "it if it is wrong."
    )


def test_a_whole_limb_has_all_its_parts_unless_a_part_is_named(facts: Callable) -> None:
    whole = facts(**CODED, SeriesDescription="left forelimb CrCd").images[0]
    assert whole.regions == ("shoulder", "humerus", "elbow", "antebrachium", "carpus", "manus")
    part = facts(**CODED, SeriesDescription="forelimb", StudyDescription="elbow").images[0]
    assert part.regions == ("elbow",)
    study = facts(**CODED, StudyDescription="forelimb lameness").images[0]
    assert study.regions == ()


@pytest.mark.parametrize(
    ("text", "digits"),
    [
        ("digit IV", (4,)),
        ("Zehe 4", (4,)),
        ("4. Zehe", (4,)),
        ("4th toe", (4,)),
        ("D3", (3,)),
        ("digits III and IV", (3, 4)),
        ("digits 2-4", (2, 3, 4)),
        ("digits I-V", ()),
        ("D45L-PaMO", ()),
        ("digits", ()),
        ("2 views", ()),
    ],
)
def test_single_digits_are_read_from_descriptions(
    text: str, digits: tuple[int, ...], facts: Callable
) -> None:
    image = facts(**CODED, BodyPartExamined="MANUS", SeriesDescription=f"DPa {text}").images[0]
    assert image.digits == digits


def test_a_digit_of_a_known_limb_names_its_part(facts: Callable) -> None:
    image = facts(**CODED, SeriesDescription="digit IV right front DPa").images[0]
    assert (image.regions, image.digits) == (("manus",), (4,))
    assert facts(**CODED, SeriesDescription="digit IV DPa").images[0].regions == ()


def test_a_part_without_digits_is_aimed_at_none(facts: Callable) -> None:
    assert facts(SeriesDescription="D3 carpus").images[0].digits == ()


def test_a_correction_is_the_readers_word_and_changes_the_remarks(
    header: Callable, dpa: Dataset, remark: Callable
) -> None:
    before = describe([header(ViewPosition=None, SpecificCharacterSet="ISO_IR 192"), dpa])
    uid = before.images[0].uid
    assert "view_unknown" in keys(before)
    after = corrected(before, uid, view="ML")
    image = after.images[0]
    assert (image.view, image.view_found_in, image.view_confidence) == ("ML", "reader", "stated")
    assert "view_unknown" not in keys(after)
    wrong = corrected(after, uid, view="DPa")
    assert "ML is missing" in remark(wrong, "views_missing").text
    assert corrected(wrong, uid, view="ML") == after


def test_correcting_the_side_settles_the_remark_on_it(facts: Callable) -> None:
    before = facts(ImageLaterality=None)
    assert "side_unknown" in keys(before)
    after = corrected(before, before.images[0].uid, side="R")
    assert "side_unknown" not in keys(after)
    assert after.images[0].side == "R"
    assert "side_unknown" in keys(corrected(after, before.images[0].uid, side="U"))


def test_other_remarks_stay_and_take_the_images_new_name(facts: Callable, remark: Callable) -> None:
    before = facts(PixelSpacing=[900, 900])
    after = corrected(before, before.images[0].uid, regions=["elbow"], view="CrCd")
    old, new = remark(before, "spacing").text, remark(after, "spacing").text
    assert old.startswith("ML of the right carpus: ")
    assert new == old.replace("ML of the right carpus", "CrCd of the right elbow")
    assert [r for r in after.remarks if r.key == "species_missing"] == [
        r for r in before.remarks if r.key == "species_missing"
    ]


def test_a_correction_without_changes_changes_nothing(facts: Callable) -> None:
    before = facts(ViewPosition=None, PixelSpacing=None, ImageLaterality=None)
    assert corrected(before, before.images[0].uid) == before


def test_what_does_not_exist_is_refused_in_a_sentence(facts: Callable) -> None:
    before = facts()
    uid = before.images[0].uid
    with pytest.raises(Refused, match="no view “DPq”"):
        corrected(before, uid, view="DPq")
    with pytest.raises(Refused, match="no part of the limb “wing”"):
        corrected(before, uid, regions=["wing"])
    with pytest.raises(NotFound, match=r"no image 1\.2"):
        corrected(before, "1.2", view="ML")
