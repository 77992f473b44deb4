"""Turning, flipping, inverting, cropping or rescaling grey values changes no number; bad input."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.data import get_testdata_file
from scipy import ndimage

from dicom_service.intake.model import Spacing
from dicom_service.measure import MeasureRequest, NotMeasurable, measure, picture
from dicom_service.measure.limb import find_limb
from dicom_service.measure.outline import trace
from dicom_service.workflow.loading import load
from test_pacs.phantom.bench import Bench
from tests.measure.conftest import shoot_bench, shoot_carpus

CASES = ("joint_space", "lucent_line", "shaft_axis")


@cache
def _case(kind):
    plan = {"joint_space": Bench(gap=2.0), "lucent_line": Bench(gap=1.0, plate=0),
            "shaft_axis": Bench(gap=0, plate=0)}[kind]  # fmt: skip
    shot = shoot_bench(plan, rows=500 if kind == "shaft_axis" else 360)
    column, row = shot.middle
    across = [(column - 32, row + 2), (column + 31, row - 1)]
    down = [(column + 3, row - 185), (column - 4, row + 180)]
    return shot, down if kind == "shaft_axis" else across


def _asked(kind, pixels, points, spacing=0.144, inverted=False):
    size = Spacing(row_mm=spacing, column_mm=spacing, kind="fiducial")
    found = measure(
        MeasureRequest(kind=kind, points=tuple(points)), picture(pixels, size, inverted=inverted)
    )
    assert not found.refusal
    return found.numbers[0].value


@settings(max_examples=16, deadline=None)
@given(
    kind=st.sampled_from(CASES), turns=st.integers(0, 3), flip=st.booleans(),
    inverted=st.booleans(), crop=st.integers(0, 12), bits=st.sampled_from([0, 2, -4]),
)  # fmt: skip
def test_turning_flipping_inverting_cropping_and_bit_depth_keep_the_number(
    kind, turns, flip, inverted, crop, bits
):
    shot, points = _case(kind)
    plain = _asked(kind, shot.pixels, points)
    pixels = shot.pixels[crop:, crop:].astype(np.int64)
    moved = [(x - crop, y - crop) for x, y in points]
    for _ in range(turns):
        rows = pixels.shape[0]
        pixels, moved = np.rot90(pixels, -1), [(rows - y, x) for x, y in moved]
    if flip:
        columns = pixels.shape[1]
        pixels, moved = pixels[:, ::-1], [(columns - x, y) for x, y in moved]
    pixels = pixels >> bits if bits > 0 else pixels << -bits
    if inverted:
        pixels = 65535 - pixels
    assert _asked(kind, pixels, moved, inverted=inverted) == pytest.approx(plain, abs=0.08)


@settings(max_examples=8, deadline=None)
@given(kind=st.sampled_from(CASES), factor=st.sampled_from([1.25, 1.5, 2.0]))
def test_finer_pixels_keep_the_number(kind, factor):
    shot, points = _case(kind)
    plain = _asked(kind, shot.pixels, points)
    scaled = ndimage.zoom(
        shot.pixels.astype(float), factor, order=1, grid_mode=True, mode="nearest"
    )
    moved = [(x * factor, y * factor) for x, y in points]
    other = _asked(kind, scaled, moved, spacing=0.144 / factor)
    assert other == pytest.approx(plain, abs=0.12)


@settings(max_examples=8, deadline=None)
@given(kind=st.sampled_from(CASES), factor=st.floats(0.92, 1.08))
def test_a_number_grows_with_the_size_that_the_pixels_are_said_to_have(kind, factor):
    shot, points = _case(kind)
    plain = _asked(kind, shot.pixels, points)
    other = _asked(kind, shot.pixels, points, spacing=0.144 * factor)
    assert other == pytest.approx(plain * factor, abs=0.1)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_the_soft_tissue_is_as_thick_in_a_turned_image(carpus, turns):
    size = Spacing(row_mm=0.144, column_mm=0.144, kind="fiducial")
    request = MeasureRequest(kind="swelling_profile")
    plain = measure(request, picture(carpus.pixels, size))
    turned = measure(request, picture(np.rot90(carpus.pixels, turns), size))
    medians = [sorted(f.number(n).value for n in ("median_first", "median_second"))
               for f in (plain, turned)]  # fmt: skip
    assert medians[0] == pytest.approx(medians[1], abs=0.3)


def test_a_number_does_not_depend_on_pixels_being_square():
    shot, points = _case("joint_space")
    halved = shot.pixels[::2]
    moved = [(x, y / 2) for x, y in points]
    size = Spacing(row_mm=0.288, column_mm=0.144, kind="fiducial")
    found = measure(MeasureRequest(kind="joint_space", points=tuple(moved)), picture(halved, size))
    assert found.number("mean").value == pytest.approx(2.0, abs=0.3), found.refusal


def test_the_real_limb_is_outlined_without_millimetres_and_refuses_where_it_is_unsure():
    pic, _ = load(Path(str(get_testdata_file("RG3_UNCR.dcm"))))
    assert pic.unit == "px"
    assert any("no pixel spacing" in doubt for doubt in pic.doubts)
    limb = find_limb(pic)
    assert limb.field_sides >= 2  # the two shutters beside the leg
    assert not limb.burnt
    lines = trace(pic, limb)
    points = np.array(pic.points(lines.edge(lines.bone, 0)))
    # by eye on the picture: inner cortex of the tibia at mid-shaft, columns 785 to 805
    shaft = points[(points[:, 1] > 800) & (points[:, 1] < 950)]
    assert len(shaft) > 20
    assert np.all((shaft[:, 0] > 780) & (shaft[:, 0] < 806))
    assert np.isfinite(lines.bone).mean() < 0.95


SQUARE = Spacing(row_mm=0.15, column_mm=0.15, kind="detector")


@pytest.mark.parametrize("pixels", [
    np.zeros((1, 1)), np.zeros((500, 500)), np.full((500, 500), np.nan),
    np.zeros((500, 500, 3)), np.broadcast_to(np.float32(1), (20_000, 20_000)),
])  # fmt: skip
def test_images_that_cannot_be_measured_have_a_reason(pixels):
    with pytest.raises(NotMeasurable):
        picture(pixels, SQUARE)


@pytest.mark.parametrize("mm", [0.0, float("nan"), -1.0])
def test_spacing_that_is_no_size_gives_pixels_and_no_millimetres(mm):
    shot, points = _case("joint_space")
    pic = picture(shot.pixels, Spacing(row_mm=mm, column_mm=mm, kind="fiducial"))
    found = measure(MeasureRequest(kind="joint_space", points=tuple(points)), pic)
    assert {n.unit for n in found.numbers} == {"px"}
    assert found.calibration.startswith("no pixel spacing")


@settings(max_examples=25, deadline=None)
@given(
    kind=st.sampled_from((*CASES, "ball", "swelling_profile")), seed=st.integers(0, 99),
    points=st.lists(st.tuples(st.floats(0, 300), st.floats(0, 360)), min_size=2, max_size=2),
)  # fmt: skip
def test_anything_clicked_anywhere_gives_a_number_or_a_sentence(kind, seed, points):
    shot, _ = _case("joint_space")
    noise = np.random.default_rng(seed).integers(0, 4096, (360, 300))
    chosen = tuple(points[:1]) if kind in ("ball", "swelling_profile") else tuple(points)
    for pixels in (shot.pixels, noise):
        found = measure(
            MeasureRequest(kind=kind, points=chosen, true_mm=25.0), picture(pixels, SQUARE)
        )
        assert bool(found.refusal) != bool(found.numbers)


def test_noise_alone_measures_nothing():
    noise = np.random.default_rng(3).integers(0, 4096, (400, 400))
    for kind in (*CASES, "ball", "swelling_profile"):
        points = () if kind in ("ball", "swelling_profile") else ((100, 200), (300, 200))
        found = measure(
            MeasureRequest(kind=kind, points=points, true_mm=25.0), picture(noise, SQUARE)
        )
        assert found.refusal, kind


def test_a_swelling_is_measured_alike_at_every_dose():
    thick = []
    for quanta in (300.0, 6000.0):
        shot = shoot_carpus(quanta=quanta, seed=9)
        request = MeasureRequest(kind="swelling_profile", points=(shot.middle,))
        thick.append(measure(request, shot.pic).number("median_first").value)
    assert max(thick) - min(thick) < 0.4
