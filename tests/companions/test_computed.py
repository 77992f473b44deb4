"""What the node computed, in every form of the report beside the structured one."""

import json

import hl7
import pytest
from fhir.resources.R4B.bundle import Bundle

from dicom_service.report.companions import fhir_bundle, oru_message, presentation_state
from dicom_service.report.computed import lines
from dicom_service.review.computed import Computed, ComputedNumber, Shape
from dicom_service.review.model import Measurement
from dicom_service.validators import outside_problems

from .conftest import AT, DEVICE, place, signed
from .test_objects import saved


@pytest.fixture
def joint(content):
    """A joint space on the first image, with a gap in one of its dotted lines."""
    length = content.reading.measurements[0]
    dots = tuple((10.0 + x, 20.0) for x in (0, 1, 2, 3, 30, 31, 32))
    shapes = (
        Shape(kind="line", name="first margin", points=((40.0, 40.0), (60.0, 41.0))),
        Shape(kind="points", name="skin", points=dots),
        Shape(kind="circle", name="ball", points=((50.0, 50.0),), radius=5.0),
    )
    numbers = (
        ComputedNumber(id="minimum", name="minimum", value=1.234, unit="mm", plus_minus=0.2),
        ComputedNumber(id="mean", name="mean width", value=1.5, unit="mm"),
        ComputedNumber(id="area", name="area", value=9.0, unit="grey values x mm"),
    )
    made = Computed(
        kind="joint_space", method="sesamoid.joint_space", version="1", numbers=numbers,
        shapes=shapes,
    )  # fmt: skip
    return Measurement(
        id="c-1", item=length.item, view=length.view, kind="computed",
        points=((40.0, 40.0), (60.0, 40.0)), value=1.234, unit="mm", computed=made,
    )  # fmt: skip


@pytest.fixture
def computed_content(images, joint):
    return signed(images, measurements=(joint,))


def test_the_presentation_state_draws_it_and_is_valid(computed_content, images, tmp_path):
    state = presentation_state(computed_content, images[0], images, DEVICE, place())
    (drawn,) = [
        annotation
        for annotation in state.GraphicAnnotationSequence
        if annotation.TextObjectSequence[0].UnformattedTextValue == "1.23 ± 0.20 mm"
    ]
    counts = [len(g.GraphicData) // 2 for g in drawn.GraphicObjectSequence]
    assert counts == [2, 4, 3, 33]
    assert outside_problems(saved(state, tmp_path)) == []


def test_dots_are_joined_only_where_they_are_near(joint):
    first, left, right, circle = lines(joint)
    assert (len(first), len(left), len(right)) == (2, 4, 3)
    assert circle[0] == pytest.approx(circle[-1])


def test_the_bundle_has_value_method_and_the_other_numbers(computed_content):
    bundle = fhir_bundle(computed_content, None)
    Bundle.model_validate_json(json.dumps(bundle))
    (found,) = [
        e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation"
    ]
    assert found["code"]["coding"][0]["code"] == "JSWMIN"
    assert found["valueQuantity"]["value"] == 1.234
    assert found["method"]["text"] == "sesamoid.joint_space version 1"
    assert [c["valueQuantity"]["value"] for c in found["component"]] == [1.5]


def test_the_message_names_what_was_computed(computed_content):
    message = hl7.parse(oru_message(computed_content, at=AT, control_id="42", facility="A"))
    (number,) = [s for s in message.segments("OBX") if str(s[2]) == "NM"]
    assert str(number[3]).startswith("JSWMIN^Joint space width, minimum over 2 mm")
    assert (str(number[5]), str(number[6]).split("^")[0]) == ("1.23", "mm")
