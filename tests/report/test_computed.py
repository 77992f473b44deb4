"""What the node computed and the reader accepted, in both documents."""

from pathlib import Path

import highdicom
import pytest
from pydicom.dataset import Dataset

from dicom_service.codes import all_codes, get
from dicom_service.errors import Refused
from dicom_service.measure.catalogue import catalogue
from dicom_service.report import build, plain_text, problems, read
from dicom_service.report.model import ReportContent
from dicom_service.report.walk import children, everything, name_of, text_below, value_of
from dicom_service.review.computed import Computed, ComputedNumber, computed_words, number_words
from dicom_service.validators import outside_problems

from .conftest import COMPUTED_JOINT, COMPUTED_SWELLING, DEVICE, IDENTITY, of_kind, saved


def group(measurements: Dataset, method: str) -> Dataset:
    """The TID 1501 group of this method."""
    return next(
        item
        for item, _ in everything(measurements)
        if name_of(item) == get("measurement_group").key
        and text_below(item, "tracking_identifier").startswith(method)
    )


def test_the_measurement_document_has_numbers_algorithm_and_what_was_drawn(
    computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    built = build(of_kind("final", computed_content), IDENTITY, DEVICE, evidence)
    assert built.measurements is not None
    found = group(built.measurements, "sesamoid.joint_space")
    numbers = [item for item in children(found) if item.ValueType == "NUM"]
    values = [float(n.MeasuredValueSequence[0].NumericValue) for n in numbers]
    assert values == [1.23, 0.65, 41.0]
    first = numbers[0]
    assert first.MeasuredValueSequence[0].FloatingPointValue == 1.234567
    assert text_below(first, "algorithm_name") == "sesamoid.joint_space"
    assert text_below(first, "algorithm_version") == "1"
    shapes = [item for item in children(first) if item.ValueType == "SCOORD"]
    assert [item.GraphicType for item in shapes] == ["POLYLINE", "POLYLINE", "CIRCLE", "POLYLINE"]
    assert list(shapes[2].GraphicData) == [120.0, 215.0, 124.5, 215.0]
    assert list(shapes[3].GraphicData) == [1.0, 1.0, 9.0, 1.0, 5.0, 8.0, 1.0, 1.0]


def test_an_object_of_known_size_is_the_method_of_what_was_scaled_by_it(
    computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    built = build(of_kind("final", computed_content), IDENTITY, DEVICE, evidence)
    joint, thick = (
        next(i for i, _ in everything(built.report) if name_of(i) == get(f"computed_{name}").key)
        for name in ("joint_space_minimum", "swelling_profile_thickest")
    )
    methods = [value_of(children(item, "measurement_method")[0]) for item in (joint, thick)]
    assert methods == [get("calibrated_fiducial").key, get("calibrated_detector").key]
    assert built.measurements is not None
    found = group(built.measurements, "sesamoid.joint_space")
    first = next(item for item in children(found) if item.ValueType == "NUM")
    assert value_of(children(first, "measurement_method")[0]) == methods[0]


def test_without_points_of_the_reader_the_report_points_at_what_was_drawn(
    computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    built = build(of_kind("final", computed_content), IDENTITY, DEVICE, evidence)
    thick = get("computed_swelling_profile_thickest").key
    item = next(item for item, _ in everything(built.report) if name_of(item) == thick)
    (drawn,) = [child for child in children(item) if child.ValueType == "SCOORD"]
    assert drawn.GraphicType == "MULTIPOINT"
    assert text_below(item, "computed_word") == "diffuse"


def test_both_documents_are_read_back_the_same_and_break_no_rule(
    computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    final = of_kind("final", computed_content)
    built = build(final, IDENTITY, DEVICE, evidence)
    assert read(built.report) == final
    assert problems(built.report, built.measurements, evidence) == ()


@pytest.mark.peer
def test_other_programs_accept_both_documents(
    computed_content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    built = build(of_kind("final", computed_content), IDENTITY, DEVICE, evidence)
    assert built.measurements is not None
    for name, document in (("report", built.report), ("measurements", built.measurements)):
        assert outside_problems(saved(document, tmp_path, name)) == []
    read_by_highdicom = highdicom.sr.srread(tmp_path / "measurements.dcm")
    groups = read_by_highdicom.content.get_image_measurement_groups()
    values = [[m.value for m in group.get_measurements()] for group in groups]
    assert values == [[10.123456789], [5.84], [1.234567, 0.65, 41.0], [6.5, 14.0]]


def test_the_tree_alone_tells_what_was_computed(
    computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    report = build(of_kind("final", computed_content), IDENTITY, DEVICE, evidence).report
    for element in [e for e in report if e.tag.is_private]:
        del report[element.tag]
    told = {m.id: m for m in read(report).reading.measurements}
    made = told["m-joint"].computed
    assert made is not None
    assert (made.kind, made.method, made.version) == ("joint_space", "sesamoid.joint_space", "1")
    assert [(n.id, n.value, n.plus_minus, n.bound) for n in made.numbers] == [
        ("minimum", 1.234567, 0.2, ""),
        ("mean", 0.65, None, "at most"),
        ("unheard_of", 41.0, None, ""),
    ]
    assert len(made.doubts) == 2
    swelling = told["m-swelling"].computed
    assert swelling is not None
    assert swelling.control_view == COMPUTED_SWELLING.computed.control_view  # type: ignore[union-attr]
    assert told["m-swelling"].points == ()


def test_a_person_reads_value_uncertainty_method_and_doubt(computed_content: ReportContent) -> None:
    text = plain_text(of_kind("final", computed_content))
    assert "Joint space width: minimum over 2 mm 1.23 ± 0.20 mm" in text
    assert "sesamoid.joint_space version 1" in text
    assert "Doubt: one margin is blurred." in text


def test_what_has_no_number_or_no_place_is_refused(
    computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    bare = COMPUTED_JOINT.computed.model_copy(update={"numbers": ()})  # type: ignore[union-attr]
    odd = (ComputedNumber(id="minimum", value=1.0, unit="furlong"),)
    odd_unit = bare.model_copy(update={"numbers": odd})
    for computed in (bare, odd_unit):
        wrong = computed_content.reading.measurements[0].model_copy(
            update={"kind": "computed", "computed": computed}
        )
        reading = computed_content.reading.model_copy(update={"measurements": (wrong,)})
        broken = of_kind("final", computed_content.model_copy(update={"reading": reading}))
        with pytest.raises(Refused, match="no number to report"):
            build(broken, IDENTITY, DEVICE, evidence)


def test_every_published_measurement_has_a_code() -> None:
    for found in catalogue().values():
        if found.construction is not None:
            assert f"computed_limb_measurement_{found.id}" in all_codes()


def test_words_before_the_node_has_answered_promise_nothing() -> None:
    empty = COMPUTED_JOINT.computed.model_copy(update={"numbers": ()})  # type: ignore[union-attr]
    assert computed_words(empty) == "joint space width not computed yet"


def test_what_rounds_to_nothing_has_no_sign():
    number = ComputedNumber(id="displacement", name="", value=-0.004, unit="mm", plus_minus=0.85)
    assert number_words(number) == "0.00 ± 0.85 mm"


def test_a_word_that_nothing_was_compared_for_is_not_told():
    number = ComputedNumber(id="thickest", name="thickest", value=8.0, unit="mm", plus_minus=0.3)
    alone = Computed(kind="swelling_profile", numbers=(number,), word="cannot tell", why="alone")
    assert computed_words(alone) == "soft tissue thickness: thickest 8.00 ± 0.30 mm"
    compared = alone.model_copy(update={"control_view": "1.2"})
    assert computed_words(compared).endswith("; cannot tell (alone)")
