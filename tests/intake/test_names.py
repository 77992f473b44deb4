"""Region, view and side are found where the header has them, and contradictions are said."""

from collections.abc import Callable

import pytest
from pydicom import Dataset

from dicom_service.anatomy import atlas
from dicom_service.intake import ImageFacts, describe
from dicom_service.intake.words import side_in, words


def item(value: str, meaning: str, scheme: str = "SCT") -> Dataset:
    coded = Dataset()
    coded.CodeValue, coded.CodingSchemeDesignator, coded.CodeMeaning = value, scheme, meaning
    return coded


@pytest.fixture
def image(header: Callable) -> Callable[..., ImageFacts]:
    """The facts of one image whose names come only from these values."""

    def read(**values: object) -> ImageFacts:
        bare = {"AnatomicRegionSequence": None, "ViewPosition": None, "ImageLaterality": None}
        (facts,) = describe([header(**(bare | values))]).images
        return facts

    return read


def test_the_code_of_a_region_counts_before_words(image: Callable) -> None:
    found = image(AnatomicRegionSequence=[item("8205005", "Carpus")], SeriesDescription="manus ML")
    assert found.regions == ("carpus",)


@pytest.mark.parametrize(
    ("values", "regions"),
    [
        ({"BodyPartExamined": "CARPUS"}, ("carpus",)),
        ({"BodyPartExamined": "EXTREMITY", "SeriesDescription": "Karpus ML"}, ("carpus",)),
        ({"ProtocolName": "Hund Ellbogen"}, ("elbow",)),
        ({"StudyDescription": "radiographie du tarse"}, ("tarsus",)),
        ({"SeriesDescription": "carpus and manus"}, ("carpus", "manus")),
        ({"AnatomicRegionSequence": [item("X1", "Stifle", "99ZZZ")]}, ("stifle",)),
        ({"BodyPartExamined": "EXTREMITY"}, ()),
    ],
)
def test_regions_are_found(values: dict, regions: tuple, image: Callable) -> None:
    assert image(**values).regions == regions


@pytest.mark.parametrize(
    ("values", "view", "found_in"),
    [
        ({"ViewCodeSequence": [item("441505008", "Dorsopalmar")]}, "DPa", "ViewCodeSequence"),
        ({"ViewPosition": "DPA"}, "DPa", "ViewPosition"),
        ({"ViewPosition": "D45L_PAMO"}, "D45L-PaMO", "ViewPosition"),
        ({"SeriesDescription": "Carpus dorsopalmar li"}, "DPa", "SeriesDescription"),
        ({"ViewPosition": "ML", "SeriesDescription": "flexed lateral"}, "flexed ML",
         "ViewPosition and SeriesDescription"),
        ({"ViewPosition": "", "ProtocolName": "Karpus ML"}, "ML", "ProtocolName"),
        ({"ViewPosition": "XYZ"}, "", ""),
    ],
)  # fmt: skip
def test_views_are_found_and_it_is_said_where(
    values: dict, view: str, found_in: str, image: Callable
) -> None:
    found = image(BodyPartExamined="CARPUS", **values)
    assert (found.view, found.view_found_in) == (view, found_in)


def test_a_view_modifier_makes_the_view_more_exact(image: Callable) -> None:
    flexed = next(v for v in atlas().all_views if v.label == "flexed ML")
    code = item(flexed.code.value, flexed.code.meaning)
    modifier = item(flexed.modifier.value, flexed.modifier.meaning, flexed.modifier.scheme)
    code.ViewModifierCodeSequence = [modifier]
    assert image(BodyPartExamined="CARPUS", ViewCodeSequence=[code]).view == "flexed ML"
    code.ViewModifierCodeSequence = [item("1", "of no meaning to us", "99ZZZ")]
    assert image(BodyPartExamined="CARPUS", ViewCodeSequence=[code]).view == "ML"


@pytest.mark.parametrize(
    ("region", "view"),
    [("CARPUS", "DPa"), ("TARSUS", "DPl"), ("ELBOW", "CrCd"), ("STIFLE", "CrCd"), ("HIP", "VD")],
)
def test_the_human_word_ap_is_the_frontal_view_of_that_region(
    region: str, view: str, image: Callable
) -> None:
    assert image(BodyPartExamined=region, ViewPosition="AP").view == view


def test_a_palmar_view_of_the_hind_limb_is_said(header: Callable, remark: Callable) -> None:
    tarsus = header(
        AnatomicRegionSequence=None, BodyPartExamined="TARSUS", ViewPosition="D45L_PAMO"
    )
    described = describe([tarsus])
    assert described.images[0].view == "D45L-PlMO"
    assert "does not exist for the tarsus" in remark(described, "view_region").text


@pytest.mark.parametrize(
    ("values", "side"),
    [
        ({"ImageLaterality": "L"}, "L"),
        ({"Laterality": "R"}, "R"),
        ({"ImageLaterality": "B"}, "B"),
        ({"ImageLaterality": "U", "SeriesDescription": "left carpus"}, "L"),
        ({"SeriesDescription": "Karpus rechts"}, "R"),
        ({"StudyDescription": "carpe gauche"}, "L"),
        ({}, "U"),
    ],
)
def test_sides_are_found(values: dict, side: str, image: Callable) -> None:
    assert image(**values).side == side


def test_the_modifier_of_a_region_gives_the_side(image: Callable) -> None:
    region = item("8205005", "Carpus")
    region.AnatomicRegionModifierSequence = [item("7771000", "Left")]
    assert image(AnatomicRegionSequence=[region]).side == "L"


@pytest.mark.parametrize(
    ("wording", "side"),
    [
        ("CARPUS_L", "L"),
        ("carpus (R) ML", "R"),
        ("D45L-PaMO", None),
        ("carpus M-L", None),
        ("L-M", None),
        ("LM", None),
        ("Karpus re. ML", "R"),
        ("both front feet", "B"),
        ("left and right carpus", None),
        ("right lateral recumbency, left carpus", "L"),
        ("carpo izquierdo", "L"),
        ("", None),
    ],
)
def test_side_words(wording: str, side: str | None) -> None:
    assert side_in(wording) == side


@pytest.mark.parametrize(
    ("values", "key"),
    [
        ({"SeriesDescription": "carpus left"}, "side_contradiction"),
        ({"Laterality": "L"}, "side_contradiction"),
        ({"StudyDescription": "left carpus"}, "side_contradiction"),
        ({"SeriesDescription": "carpus DPa"}, "view_contradiction"),
        ({"BodyPartExamined": "TARSUS"}, "region_contradiction"),
    ],
)
def test_tags_that_contradict_each_other_are_said(
    values: dict, key: str, facts: Callable, remark: Callable
) -> None:
    described = facts(**values)
    found = remark(described, key)
    assert found.severity == "warning"
    assert found.image_uid == described.images[0].uid
    assert (described.images[0].regions, described.images[0].view) == (("carpus",), "ML")
    assert described.images[0].side == "R"


@pytest.mark.parametrize(
    ("values", "key", "sentence"),
    [
        ({"AnatomicRegionSequence": None}, "region_unknown", "the part of the limb was not"),
        ({"ViewPosition": None}, "view_unknown", "the view was not recognised"),
        ({"ImageLaterality": None}, "side_unknown", "no side is given; find the marker"),
    ],
)
def test_what_is_missing_is_said(
    values: dict, key: str, sentence: str, facts: Callable, remark: Callable
) -> None:
    assert sentence in remark(facts(**values), key).text


def test_every_view_in_the_tables_is_known_to_the_atlas() -> None:
    table = words()
    named = {label for row in table.same_view.rows for label in row.values()}
    named |= {label for pair in table.usual_pair.values() for label in pair}
    assert {label for label in named if atlas().view(label) is None} == set()


def test_every_region_in_the_tables_is_known_to_the_atlas() -> None:
    for region in (r for part in words().same_view.parts.values() for r in part):
        assert atlas().part(region).id == region


def test_words_that_name_the_coded_region_among_others_tell_of_all_of_them(facts: Callable) -> None:
    described = facts(SeriesDescription="right carpus and manus ML")
    assert described.images[0].regions == ("carpus", "manus")
