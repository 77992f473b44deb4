"""An excess on one side: told from one all round, wherever the limb ends or is turned."""

import numpy as np
import pytest

from dicom_service.intake.model import Spacing
from dicom_service.measure import NotMeasurable, picture
from dicom_service.measure.outline import ROW
from dicom_service.measure.swelling import _numbers
from dicom_service.measure.swelling_control import BENT, _bend, _judge

PIC = picture(
    np.arange(500.0 * 500).reshape(500, 500), Spacing(row_mm=0.15, column_mm=0.15, kind="fiducial")
)


def _judged(height, at, reach=8.5, *, ends=(-45, 45), base=0.0, drift=0.0):
    """A bulge on the first side; the middle drifts by `drift` per mm, widths differ by `base`."""
    along = np.arange(*ends, ROW)
    bulge = height * np.exp(-(((along - at) / reach) ** 2))
    return _judge(PIC, along, base + bulge, -0.5 * bulge + drift * along)


def test_near_the_end_of_what_is_seen_a_drift_of_the_middle_does_not_hide_the_side():
    found = _judged(2.9, -20.0, ends=(-32, 34), drift=-0.02)
    assert found.word.id == "verdict.focal"
    assert found.numbers[-1].value < -0.6


@pytest.mark.parametrize(("height", "word"), [(2.6, "focal"), (2.0, "normal"), (0.0, "normal")])
def test_on_a_limb_that_is_narrower_all_along_a_bulge_counts_above_its_surroundings(height, word):
    assert _judged(height, 12.0, base=-0.8).word.id == f"verdict.{word}"


@pytest.mark.parametrize(("at", "word"), [(8.0, "focal"), (3.0, "untold")])
def test_so_near_the_joint_that_it_may_be_of_the_joint_there_is_no_word(at, word):
    assert _judged(3.5, at).word.id == f"verdict.{word}"


@pytest.mark.parametrize(("turn", "bent"), [(0.0, False), (5.0, False), (9.0, True)])
def test_a_limb_that_bends_at_the_joint_has_no_excess(turn, bent):
    along = np.arange(-60, 60, 8 * ROW)
    angle = np.radians(turn) * (along > 5)
    axis = np.cumsum(np.stack([np.sin(angle), np.cos(angle)], axis=1), axis=0)
    assert (_bend(along, axis) > BENT) == bent
    assert _bend(along, axis) == pytest.approx(turn, abs=0.01)


def test_a_side_or_a_width_that_no_row_shows_has_no_number():
    along = np.arange(-45, 45, ROW)
    sides = np.stack([np.full(along.shape, 4.0), np.full(along.shape, np.nan)], axis=1)
    found = {n.id: n.value for n in _numbers(PIC, along, sides, np.nan, False)}
    assert found == {"thickest": 4.0, "thickest_at": -45.0, "median_first": 4.0}
    with pytest.raises(NotMeasurable, match="one side's bones"):
        _numbers(PIC, along, sides, 30.0, True)
