"""Which rows of an outline give a thickness."""

import numpy as np

from dicom_service.measure.outline import ROW, TIP, Outlines


def _outlines(lost: slice) -> Outlines:
    rows = 120
    skin = np.tile([-20.0, 20.0], (rows, 1))
    bone = np.tile([-8.0, 8.0], (rows, 1))
    bone[lost, 1] = np.nan
    return Outlines(np.arange(rows) * ROW, np.zeros((rows, 2)), np.zeros((rows, 2)), skin, bone)


def test_rows_beside_a_lost_stretch_give_no_thickness_for_another_bone_may_begin_there():
    known = np.isfinite(_outlines(slice(50, 70)).thickness())
    beside = round(TIP / ROW)
    assert not known[50 - beside : 70 + beside, 1].any()
    assert known[: 50 - beside, 1].all()
    assert known[70 + beside :, 1].all()
    assert known[:, 0].all()


def test_a_few_rows_lost_in_noise_cost_no_others():
    known = np.isfinite(_outlines(slice(50, 53)).thickness())
    assert known[:, 1].sum() == 117
