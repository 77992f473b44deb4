"""A study: which objects are read, in which order, what is asked, and what is missing."""

from collections.abc import Callable
from pathlib import Path

import data_store
import pytest
from pydicom import Dataset, dcmread

from dicom_service.intake import describe, for_reading, is_image

DX_PROCESSING = "1.2.840.10008.5.1.4.1.1.1.1.1"
CT = "1.2.840.10008.5.1.4.1.1.2"
SR = "1.2.840.10008.5.1.4.1.1.88.33"
KOS = "1.2.840.10008.5.1.4.1.1.88.59"


def test_images_come_in_the_order_of_their_numbers(header: Callable) -> None:
    numbers = [(2, 1), (1, 10), (1, 9)]
    images = [header(SeriesNumber=s, InstanceNumber=i) for s, i in numbers]
    described = describe(images)
    assert [(i.series_number, i.instance_number) for i in described.images] == sorted(numbers)


def test_the_same_object_twice_is_one_image(header: Callable) -> None:
    image = header()
    assert len(describe([image, image]).images) == 1


@pytest.mark.parametrize(
    ("sop_class", "image", "reading"),
    [("1.2.840.10008.5.1.4.1.1.1", True, True), ("1.2.840.10008.5.1.4.1.1.1.1", True, True),
     (DX_PROCESSING, True, False), (CT, True, False), (SR, False, False), (KOS, False, False),
     ("1.2.3.4.5", True, False)],
)  # fmt: skip
def test_which_objects_are_images_and_which_are_read(
    sop_class: str, image: bool, reading: bool, header: Callable
) -> None:
    built = header(SOPClassUID=sop_class)
    assert (is_image(built), for_reading(built)) == (image, reading)


@pytest.mark.parametrize(
    ("values", "key"),
    [
        ({"SOPClassUID": DX_PROCESSING}, "for_processing"),
        ({"SOPClassUID": CT}, "not_radiograph"),
        ({"Rows": None}, "no_pixels"),
        ({"Rows": 0}, "no_pixels"),
    ],
)
def test_an_image_that_is_kept_and_not_read_is_said(
    values: dict, key: str, facts: Callable, remark: Callable
) -> None:
    described = facts(**values)
    assert [i.view for i in described.images] == ["DPa"]
    assert "kept, not read" in remark(described, key).text


def test_a_report_in_the_study_is_no_image_and_no_problem(header: Callable, dpa: Dataset) -> None:
    report = header(SOPClassUID=SR, Rows=None, Columns=None)
    described = describe([report, header(), dpa])
    assert len(described.images) == 2
    assert described.remarks == ()


def test_a_study_without_images_is_said(remark: Callable) -> None:
    assert "no radiograph to read" in remark(describe([]), "no_images").text


def test_the_question_gathers_what_the_clinic_wrote(header: Callable) -> None:
    described = describe(
        [
            header(
                ReasonForTheRequestedProcedure="Lameness right fore",
                AdditionalPatientHistory="Fell two days ago",
                RequestedProcedureDescription="Carpus 2 views",
                StudyDescription="Carpus right",
            )
        ]
    )
    assert described.question == "Lameness right fore; Fell two days ago"
    assert described.description == "Carpus right"


def test_the_requested_procedure_is_the_last_resort_for_a_question(header: Callable) -> None:
    described = describe([header(RequestedProcedureDescription="Carpus, luxation?")])
    assert described.question == "Carpus, luxation?"


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({}, "Only ML of the right carpus: no orthogonal view; take DPa."),
        ({"ViewPosition": "DPA"}, "Only DPa of the right carpus: no orthogonal view; take ML."),
        (
            {"AnatomicRegionSequence": None, "BodyPartExamined": "TARSUS"},
            "Only ML of the right tarsus: no orthogonal view; take DPl.",
        ),
        (
            {"AnatomicRegionSequence": None, "BodyPartExamined": "ELBOW", "ViewPosition": "CRCD"},
            "Only CrCd of the right elbow: no orthogonal view; take ML.",
        ),
        (
            {"ViewPosition": "D45L_PAMO"},
            "Only D45L-PaMO of the right carpus: no orthogonal view; take ML and DPa.",
        ),
    ],
)
def test_a_side_without_an_orthogonal_view_is_said_where_no_minimum_set_is_known(
    values: dict, sentence: str, header: Callable, remark: Callable
) -> None:
    unknown = {"PatientSpeciesCodeSequence": None, **values}
    assert remark(describe([header(**unknown)]), "no_orthogonal").text == sentence


def test_each_side_needs_its_own_orthogonal_view(
    facts: Callable, header: Callable, dpa: Dataset, remark: Callable
) -> None:
    left = header(ImageLaterality="L", InstanceNumber=3)
    described = describe([header(), dpa, left])
    assert remark(described, "views_missing").text == (
        "Left carpus: DPa is missing, and nothing is orthogonal to ML; take a dorsopalmar view."
    )


def test_an_unknown_view_may_be_the_orthogonal_one(header: Callable, remark: Callable) -> None:
    described = describe([header(), header(ViewPosition=None, InstanceNumber=2)])
    assert "no_orthogonal" not in {r.key for r in described.remarks}
    assert "view was not recognised" in remark(described, "view_unknown").text


def test_the_two_obliques_are_orthogonal_to_each_other(header: Callable) -> None:
    described = describe([header(ViewPosition=v) for v in ("D45L_PAMO", "D45M_PALO")])
    assert "no_orthogonal" not in {r.key for r in described.remarks}


def test_a_persons_lower_leg_is_recognised_as_out_of_place(remark: Callable) -> None:
    path = Path(data_store.__file__).parent / "data" / "RG3_UNCR.dcm"
    described = describe([dcmread(path, stop_before_pixels=True)])
    (image,) = described.images
    assert (image.regions, image.view, image.side) == (("crus",), "CrCd", "R")
    assert image.view_found_in == "ViewPosition"
    assert described.signalment.species is None
    assert "may be a person" in remark(described, "species_missing").text
    assert "no pixel spacing" in remark(described, "not_calibrated_none").text
    assert "take ML" in remark(described, "no_orthogonal").text
    assert image.hung
    assert described.signalment.age_months == pytest.approx(304.6, abs=0.1)
