"""A limb that leaves the image on one side for a while: what its other rows allow, no more."""

import numpy as np
import pytest

from dicom_service.intake.model import Spacing
from dicom_service.measure import NotMeasurable, picture
from dicom_service.measure.limb import STEP, Limb
from dicom_service.measure.outline import ROW, _one_piece
from dicom_service.measure.swelling_control import _judge

STATIONS = 90
PIC = picture(
    np.arange(500.0 * 500).reshape(500, 500), Spacing(row_mm=0.15, column_mm=0.15, kind="fiducial")
)


def _limb(cut):
    sides = np.tile([-15.0, 15.0], (STATIONS, 1))
    for (first, last), lost in cut:
        sides[first:last, lost] = np.nan
    axis = np.stack([np.full(STATIONS, 30.0), np.arange(STATIONS) * STEP], axis=1)
    return Limb(axis, np.tile([1.0, 0.0], (STATIONS, 1)), sides, sides, 1.0, False, 0)


def test_a_side_that_is_cut_for_forty_millimetres_does_not_end_the_outline():
    assert _one_piece(_limb([((30, 64), 0)])) == (2, STATIONS - 2)


@pytest.mark.parametrize("cut", [[((30, 64), [0, 1])], [((20, 70), 0)]])
def test_it_ends_where_neither_side_is_seen_or_one_is_cut_for_longer(cut):
    first, last = _one_piece(_limb(cut))
    assert last - first < 30


def test_a_limb_that_is_cut_nearly_everywhere_is_refused():
    with pytest.raises(NotMeasurable):
        _one_piece(_limb([((6, STATIONS - 6), 1)]))


def _said(excess, lost):
    along = np.arange(-45, 45, ROW)
    values = excess(along)
    values[(along > lost[0]) & (along < lost[1])] = np.nan
    return _judge(PIC, along, values, np.zeros_like(along)).word.id


def test_rows_that_are_not_seen_near_the_joint_leave_only_a_diffuse_swelling_to_be_told():
    hidden, brief = (-16, 4), (-8, 0)
    assert _said(lambda at: 0 * at, hidden) == "verdict.untold"
    assert _said(lambda at: 0 * at, brief) == "verdict.normal"
    assert _said(lambda at: 4 * np.exp(-((at / 9) ** 2)), hidden) == "verdict.untold"
    assert _said(lambda at: 4 * np.exp(-((at / 9) ** 2)), (20, 28)) == "verdict.centred"
    assert _said(lambda at: 4 + 0 * at, hidden) == "verdict.diffuse"


def test_an_excess_all_along_is_diffuse_though_its_highest_place_lies_at_one_end():
    def flat(at):
        return 7.2 + 0.2 * np.exp(-(((at + 42) / 5) ** 2))

    assert _said(flat, (-2, 25)) == "verdict.diffuse"


def test_a_swelling_of_both_sides_beside_a_short_hidden_stretch_is_at_the_joint():
    assert _said(lambda at: 6 * np.exp(-((at / 13) ** 2)), (-2, 12)) == "verdict.centred"
    assert _said(lambda at: 6 * np.exp(-((at / 13) ** 2)), (-6, 14)) == "verdict.untold"
