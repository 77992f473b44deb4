"""Lengths and angles against plane geometry, and the words on their calibration (PS3.3 10.7.1)."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from dicom_service.errors import Refused
from dicom_service.intake.model import ImageFacts, Spacing, SpacingKind
from dicom_service.measure import complete
from dicom_service.review.model import Measurement

SIZE = 3000
Point = tuple[float, float]
COORDINATE = st.floats(0, SIZE, allow_nan=False)
POINT = st.tuples(COORDINATE, COORDINATE)
STEP = st.floats(0.05, 0.5)


def image(kind: SpacingKind = "none", row: float = 0.0, column: float = 0.0) -> ImageFacts:
    spacing = Spacing(kind=kind, row_mm=row, column_mm=column)
    return ImageFacts(
        uid="1", series_uid="2", sop_class_uid="3", rows=SIZE, columns=SIZE, spacing=spacing
    )


def length(a: Point, b: Point) -> Measurement:
    return Measurement(id="m", item="L.carpus.c3", view="1", kind="length", points=(a, b))


def angle(arm: Point, vertex: Point, other: Point) -> Measurement:
    return Measurement(
        id="m", item="L.carpus.frontal_axis", view="1", kind="angle", points=(arm, vertex, other)
    )


def test_a_three_four_five_triangle_has_its_hypotenuse() -> None:
    done = complete(length((10, 10), (40, 50)), image("detector", 0.2, 0.2))
    assert done.value == pytest.approx(10.0)
    assert done.unit == "mm"


def test_columns_and_rows_use_their_own_spacing() -> None:
    # Pixel Spacing is row\column: the first is the step downwards, the second to the right.
    oblong = image("fiducial", row=0.3, column=0.1)
    assert complete(length((0, 0), (100, 0)), oblong).value == pytest.approx(10.0)
    assert complete(length((0, 0), (0, 100)), oblong).value == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("fiducial", "object of known size"),
        ("geometry", "assumed geometry"),
        ("detector", "at detector plane, not corrected for magnification"),
        ("unknown", "calibration not stated"),
    ],
)
def test_each_rung_of_the_ladder_says_what_it_is_worth(kind: SpacingKind, words: str) -> None:
    done = complete(length((0, 0), (10, 0)), image(kind, 0.1, 0.1))
    assert words in done.calibration
    assert done.unit == "mm"


@pytest.mark.parametrize("spacing", [("none", 0.2, 0.2), ("detector", 0.0, 0.2)])
def test_without_spacing_there_are_only_pixels(spacing: tuple[SpacingKind, float, float]) -> None:
    done = complete(length((0, 0), (0, 12)), image(*spacing))
    assert (done.value, done.unit) == (12.0, "px")
    assert "pixels only" in done.calibration


def test_a_right_angle_stays_right_in_square_pixels() -> None:
    done = complete(angle((10, 0), (0, 0), (0, 20)), image("detector", 0.15, 0.15))
    assert done.value == pytest.approx(90.0)
    assert done.unit == "deg"


def test_an_angle_in_oblong_pixels_is_taken_in_millimetres() -> None:
    # Rows twice as far apart as columns: the diagonal of a pixel rises by atan 2, not by 45°.
    done = complete(angle((10, 0), (0, 0), (10, 10)), image("detector", row=0.2, column=0.1))
    assert done.value == pytest.approx(math.degrees(math.atan(2)))


def test_a_straight_axis_measures_180_degrees_to_the_last_digit() -> None:
    done = complete(angle((0, 0), (1, 1), (3000, 3000)), image())
    assert done.value == pytest.approx(180.0, abs=1e-9)


@given(POINT, POINT, STEP, STEP)
def test_a_length_does_not_depend_on_its_direction(
    a: Point, b: Point, row: float, column: float
) -> None:
    here = image("geometry", row, column)
    assert complete(length(a, b), here).value == complete(length(b, a), here).value


@given(POINT, POINT, STEP, st.floats(1.0, 3.0))
def test_a_length_grows_with_the_spacing(a: Point, b: Point, step: float, factor: float) -> None:
    one = complete(length(a, b), image("detector", step, step)).value
    other = complete(length(a, b), image("detector", step * factor, step * factor)).value
    assert other == pytest.approx(one * factor)


@given(POINT, POINT, POINT, STEP, st.floats(1.0, 3.0))
def test_an_angle_in_square_pixels_does_not_depend_on_spacing_or_order(
    a: Point, v: Point, b: Point, step: float, factor: float
) -> None:
    assume(math.dist(a, v) > 1 and math.dist(b, v) > 1)
    value = complete(angle(a, v, b), image()).value
    assert 0 <= value <= 180
    assert complete(angle(b, v, a), image()).value == pytest.approx(value)
    for size in (step, step * factor):
        found = complete(angle(a, v, b), image("detector", size, size)).value
        assert found == pytest.approx(value, abs=1e-6)


@given(st.floats(0.5, 179.5), st.floats(0, 360), st.floats(100, 900))
def test_an_angle_does_not_change_when_the_limb_is_turned(
    opening: float, turned: float, arm: float
) -> None:
    def at(degrees: float) -> Point:
        angle_ = math.radians(degrees)
        return 1500 + arm * math.cos(angle_), 1500 + arm * math.sin(angle_)

    done = complete(angle(at(turned), (1500, 1500), at(turned + opening)), image())
    assert done.value == pytest.approx(opening, abs=1e-6)


def test_what_cannot_be_measured_is_refused_with_a_sentence() -> None:
    with pytest.raises(Refused, match="no length"):
        complete(angle((5, 5), (5, 5), (9, 9)), image())
    with pytest.raises(Refused, match="outside its image"):
        complete(length((0, 0), (0, 3001)), image())
    with pytest.raises(Refused, match="needs 3 points"):
        complete(length((0, 0), (1, 1)).model_copy(update={"kind": "angle"}), image())
    with pytest.raises(Refused, match="is on the image"):
        complete(length((0, 0), (1, 1)).model_copy(update={"view": "9"}), image())


def test_published_angles_of_the_distal_radius_add_up() -> None:
    # DUNCAN2022 prints aMPRA 80.86, aLDRA 85.6 and a frontal plane angle of 4.75 (small dogs).
    # The lines drawn with those angles on one shaft must differ by the third, within rounding.
    def tilt(degrees: float) -> float:
        arm = math.radians(degrees)
        points = (1500.0, 500.0), (1500.0, 1500.0)
        end = 1500 + 400 * math.sin(arm), 1500 - 400 * math.cos(arm)
        return complete(angle(points[0], points[1], end), image("detector", 0.14, 0.14)).value

    assert tilt(85.6) - tilt(80.86) == pytest.approx(4.75, abs=0.02)
