"""Millimetres are trusted only as far as the header allows; exposure is advice, no more."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom import Dataset
from pydicom.dataelem import RawDataElement
from pydicom.tag import Tag

from dicom_service.intake.spacing import LEAST_MM, MOST_MM, read_exposure, read_spacing


@pytest.mark.parametrize(
    ("pixel", "imager", "stated", "kind", "mm"),
    [
        ([0.1, 0.1], [0.12, 0.12], "FIDUCIAL", "fiducial", 0.1),
        ([0.1, 0.1], None, "FIDUCIAL", "fiducial", 0.1),
        ([0.1, 0.1], [0.12, 0.12], "GEOMETRY", "geometry", 0.1),
        ([0.1, 0.1], [0.12, 0.12], None, "unknown", 0.1),
        ([0.1, 0.1], None, None, "unknown", 0.1),
        ([0.12, 0.12], [0.12, 0.12], None, "detector", 0.12),
        (None, [0.12, 0.12], None, "detector", 0.12),
        (None, [0.12, 0.12], "FIDUCIAL", "detector", 0.12),
        (None, None, "FIDUCIAL", "none", 0.0),
        (None, None, None, "none", 0.0),
    ],
)
def test_the_ladder(
    pixel: list | None, imager: list | None, stated: str | None, kind: str, mm: float
) -> None:
    header = Dataset()
    if pixel:
        header.PixelSpacing = pixel
    if imager:
        header.ImagerPixelSpacing = imager
    if stated:
        header.PixelSpacingCalibrationType = stated
    measured = read_spacing(header)
    assert (measured.spacing.kind, measured.spacing.row_mm) == (kind, mm)
    assert measured.problems == ()


def test_calibration_without_a_difference_to_the_detector_is_not_believed() -> None:
    header = Dataset()
    header.PixelSpacing = header.ImagerPixelSpacing = [0.12, 0.12]
    header.PixelSpacingCalibrationType = "FIDUCIAL"
    measured = read_spacing(header)
    assert measured.spacing.kind == "detector"
    assert "nothing was corrected" in measured.problems[0].sentence


@pytest.mark.parametrize("written", ["0\\0", "NaN\\0.1", "-0.1\\0.1", "0.1", "inf\\inf", "a\\b"])
def test_a_nonsense_spacing_is_not_used_and_is_said(
    written: str, facts: Callable, header: Callable, remark: Callable
) -> None:
    described = _with_raw_spacing(header, written)
    assert described.images[0].spacing.kind == "none"
    assert "is no spacing" in remark(described, "spacing").text


def _with_raw_spacing(header: Callable, written: str):
    from dicom_service.intake import describe

    image = header(PixelSpacing=None, ImagerPixelSpacing=None)
    tag = Tag("PixelSpacing")
    raw = written.encode()
    image[tag] = RawDataElement(tag, "DS", len(raw), raw, 0, False, True)
    return describe([image])


def test_a_nonsense_spacing_falls_back_to_the_detector() -> None:
    header = Dataset()
    header.PixelSpacing = [0, 0]
    header.ImagerPixelSpacing = [0.12, 0.12]
    measured = read_spacing(header)
    assert measured.spacing.kind == "detector"
    assert measured.problems


@given(st.lists(st.floats(), max_size=3), st.sampled_from(["", "FIDUCIAL", "GEOMETRY", "?"]))
def test_only_believable_numbers_become_millimetres(values: list[float], stated: str) -> None:
    header = Dataset()
    raw = "\\".join(f"{value:.8g}" for value in values).encode()
    tag = Tag("PixelSpacing")
    header[tag] = RawDataElement(tag, "DS", len(raw), raw, 0, False, True)
    tag = Tag("PixelSpacingCalibrationType")
    header[tag] = RawDataElement(tag, "CS", len(stated), stated.encode(), 0, False, True)
    spacing = read_spacing(header).spacing
    if spacing.kind == "none":
        assert (spacing.row_mm, spacing.column_mm) == (0.0, 0.0)
    else:
        assert LEAST_MM <= spacing.row_mm <= MOST_MM
        assert LEAST_MM <= spacing.column_mm <= MOST_MM


@pytest.mark.parametrize("stated", ["FIDUCIAL", "GEOMETRY", None])
@pytest.mark.parametrize("imager", [0.08, 0.5])
def test_a_body_larger_than_its_shadow_or_far_smaller_gives_no_millimetres(
    imager: float, stated: str | None
) -> None:
    header = Dataset()
    header.PixelSpacing, header.ImagerPixelSpacing = [0.1, 0.1], [imager, imager]
    header.PixelSpacingCalibrationType = stated
    measured = read_spacing(header)
    assert measured.spacing.kind == "none"
    (problem,) = measured.problems
    assert problem.values == (0.1, imager)
    assert f"0.1 mm and Imager Pixel Spacing {imager:g} mm" in problem.sentence


@pytest.mark.parametrize(
    ("ratio", "spacing", "said"),
    [
        ([2, 1], None, "2 times as high as wide, which no spacing says"),
        ([2, 1], [0.1, 0.1], "2 times as high as wide, which the spacing contradicts"),
        ([2, 1], [0.2, 0.1], ""),
        ([1, 1], [0.1, 0.1], ""),
        ([0, 1], [0.1, 0.1], ""),
    ],
)
def test_a_pixel_aspect_ratio_that_the_spacing_contradicts_is_said(
    ratio: list, spacing: list | None, said: str
) -> None:
    header = Dataset()
    header.PixelAspectRatio, header.PixelSpacing = ratio, spacing
    found = [p.sentence for p in read_spacing(header).problems if p.kind == "ratio"]
    assert len(found) == bool(said)
    assert all(said in sentence for sentence in found)


def test_pixels_that_are_not_square_are_said() -> None:
    header = Dataset()
    header.ImagerPixelSpacing = [0.1, 0.2]
    assert "not square" in read_spacing(header).problems[0].sentence


def test_one_sentence_tells_that_nothing_is_calibrated(
    header: Callable, dpa: Dataset, remark: Callable
) -> None:
    from dicom_service.intake import describe

    images = [header(), dpa]
    for image in images:
        image.PixelSpacing = image.ImagerPixelSpacing = [0.12, 0.12]
        del image.PixelSpacingCalibrationType
    sentence = remark(describe(images), "not_calibrated_detector").text
    assert sentence.startswith("All images: spacing at the detector")


def test_exposure_is_read_in_its_units() -> None:
    header = Dataset()
    header.KVP, header.ExposureInuAs, header.Exposure = "55", 2500, 3
    header.ExposureIndex, header.TargetExposureIndex = "400", "200"
    exposure = read_exposure(header)
    assert (exposure.kvp, exposure.mas, exposure.index, exposure.target) == (55, 2.5, 400, 200)
    assert exposure.deviation == 3.01  # computed: 10 log10(400 / 200)


def test_mas_follows_from_current_and_time() -> None:
    header = Dataset()
    header.XRayTubeCurrent, header.ExposureTime = 200, 20
    assert read_exposure(header).mas == 4.0


@pytest.mark.parametrize(
    ("deviation", "words"),
    [
        (-3.4, "strongly underexposed"),
        (-1.5, "underexposed"),
        (0.4, ""),
        (1.5, "overexposed"),
        (3.4, "strongly overexposed"),
    ],
)
def test_exposure_out_of_range_is_a_note(
    deviation: float, words: str, facts: Callable, remark: Callable
) -> None:
    described = facts(DeviationIndex=deviation)
    if not words:
        assert described.remarks == ()
        return
    found = remark(described, "exposure")
    assert found.severity == "note"
    assert f"deviation index {deviation:+.1f}, {words}:" in found.text
    assert found.image_uid == described.images[0].uid


def test_a_deviation_that_does_not_follow_from_its_index_is_said(
    facts: Callable, remark: Callable
) -> None:
    described = facts(DeviationIndex=0, ExposureIndex=800, TargetExposureIndex=200)
    assert "(+6.0)" in remark(described, "exposure_contradiction").text


@pytest.mark.parametrize(
    "stated",
    [
        {"EstimatedRadiographicMagnificationFactor": "1.2"},
        {"DistanceSourceToDetector": "1200", "DistanceSourceToPatient": "1000"},
    ],
)
def test_a_stated_magnification_corrects_the_spacing_of_the_detector(stated: dict) -> None:
    header = Dataset()
    header.ImagerPixelSpacing = [0.12, 0.12]
    for keyword, value in stated.items():
        setattr(header, keyword, value)
    measured = read_spacing(header)
    assert measured.spacing.kind == "geometry"
    assert measured.spacing.row_mm == pytest.approx(0.1)


@pytest.mark.parametrize("factor", ["0.5", "0", "40"])
def test_an_impossible_magnification_is_said_and_not_used(factor: str) -> None:
    header = Dataset()
    header.ImagerPixelSpacing = [0.12, 0.12]
    header.EstimatedRadiographicMagnificationFactor = factor
    measured = read_spacing(header)
    assert (measured.spacing.kind, measured.spacing.row_mm) == ("detector", 0.12)
    assert "magnification" in measured.problems[0].sentence
