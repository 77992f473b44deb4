"""A horse's parts of the limb in headers, where the same word can mean fore- and hindlimb."""

from collections.abc import Callable

import pytest
from pydicom import Dataset

from dicom_service.intake import StudyFacts, describe

HORSE = ("35354009", "Equus caballus")


def item(value: str, meaning: str) -> Dataset:
    coded = Dataset()
    coded.CodeValue, coded.CodingSchemeDesignator, coded.CodeMeaning = value, "SCT", meaning
    return coded


@pytest.fixture
def horse(header: Callable) -> Callable[..., StudyFacts]:
    """The facts of one image of a horse whose names come only from these values."""

    def read(**values: object) -> StudyFacts:
        bare = {"AnatomicRegionSequence": None, "ViewPosition": None, "ImageLaterality": None}
        animal = {"PatientSpeciesCodeSequence": [item(*HORSE)], "PatientBreedDescription": "Pony"}
        return describe([header(**(bare | animal | values))])

    return read


@pytest.mark.parametrize(
    ("values", "regions"),
    [
        ({"BodyPartExamined": "METACARPUS"}, ("metacarpus",)),
        ({"BodyPartExamined": "FOOT"}, ("pastern_foot",)),
        ({"SeriesDescription": "Huf VL LM"}, ("pastern_foot",)),
        ({"AnatomicRegionSequence": [item("13190002", "Fetlock of forelimb")]}, ("fetlock",)),
        ({"AnatomicRegionSequence": [item("36455000", "Metacarpus")]}, ("metacarpus",)),
        (
            {"AnatomicRegionSequence": [item("30518006", "Navicular of forefoot")]},
            ("pastern_foot",),
        ),
        (
            {"BodyPartExamined": "FETLOCK", "SeriesDescription": "LH LM"},
            ("metatarsus_hindfoot",),
        ),
        ({"BodyPartExamined": "FETLOCK", "ViewPosition": "D45L_PLMO"}, ("metatarsus_hindfoot",)),
        ({"BodyPartExamined": "FETLOCK", "ViewPosition": "D45L_PAMO"}, ("fetlock",)),
        (
            {"SeriesDescription": "RF foot LM", "StudyDescription": "lame on RH"},
            ("pastern_foot",),
        ),
        ({"BodyPartExamined": "ELBOW"}, ("elbow_humerus",)),
    ],
)
def test_regions_of_a_horse_are_found(values: dict, regions: tuple, horse: Callable) -> None:
    facts = horse(**values)
    assert facts.images[0].regions == regions
    assert not {"region_contradiction", "view_region"} & {r.key for r in facts.remarks}


def test_a_coded_hind_fetlock_agrees_with_the_word_fetlock(horse: Callable) -> None:
    code = item("113351006", "Fetlock of hindlimb")
    facts = horse(AnatomicRegionSequence=[code], SeriesDescription="Fetlock DPl")
    assert facts.images[0].regions == ("metatarsus_hindfoot",)
    assert facts.images[0].view == "DPl"
    assert "region_contradiction" not in {r.key for r in facts.remarks}


def test_a_coded_fore_fetlock_contradicts_words_for_the_hindlimb(horse: Callable) -> None:
    code = item("13190002", "Fetlock of forelimb")
    facts = horse(AnatomicRegionSequence=[code], SeriesDescription="LH fetlock LM")
    assert facts.images[0].regions == ("fetlock",)
    assert "region_contradiction" in {r.key for r in facts.remarks}


@pytest.mark.parametrize(
    ("part", "view"),
    [("METACARPUS", "DPa"), ("FETLOCK", "DPa"), ("METATARSUS", "DPl"), ("ELBOW", "CrCd")],
)
def test_human_words_for_a_projection_are_read_as_that_of_the_part(
    part: str, view: str, horse: Callable
) -> None:
    assert horse(BodyPartExamined=part, ViewPosition="AP").images[0].view == view


def test_a_dog_keeps_its_manus(header: Callable) -> None:
    bare = {"AnatomicRegionSequence": None, "ViewPosition": None}
    (image,) = describe([header(**bare, BodyPartExamined="METACARPUS")]).images
    assert image.regions == ("manus",)
