"""An axis beside another bone: the shaft's own edges, or a doubt, or no axis."""

import numpy as np
import pytest

from dicom_service.measure import MeasureRequest, measure
from dicom_service.measure.axis import shaft_axis
from dicom_service.measure.cortices import Edge, _own, _Side
from test_pacs.phantom import BodyPlan, Projection, build
from tests.measure.conftest import PIXEL, shoot


def _shot(species, bone, low, high, azimuth, quanta=1700.0):
    """A stretch of a bone of a whole body, and the direction of its axis on the image."""
    limb = build(BodyPlan(species=species))
    piece = next(piece for piece in limb.pieces if piece.name == bone)
    places = np.array([[0, 0, share * piece.length, 1] for share in (low, high)])
    ends = (places @ piece.frame.T)[:, :3]
    x, y, z = ends.mean(axis=0)
    view = Projection(azimuth, rows=700, columns=420, pixel=PIXEL, centre=(x, y, z))
    shot = shoot(limb, next(iter(limb.landmarks)), view, quanta, 1)
    spots = shot.view.shown(ends)
    across, down = spots[1] - spots[0]
    return (
        shot,
        [tuple(map(float, spot)) for spot in spots],
        -float(np.degrees(np.arctan2(across, down))),
    )


@pytest.mark.parametrize("bone", ["mc3", "mc4"])
@pytest.mark.parametrize("azimuth", [-12.0, 0.0])
def test_the_axis_of_a_cats_metacarpal_is_its_own_and_not_its_neighbours(bone, azimuth):
    shot, clicks, true = _shot("cat", bone, 0.2, 0.75, azimuth)
    found = shaft_axis(shot.pic, *clicks)
    assert found.number("width").value < 3.5
    direction = found.number("direction")
    assert abs(direction.value - true) <= direction.plus_minus <= 0.6


@pytest.mark.parametrize("azimuth", [-6.0, 3.0, 11.0])
def test_where_a_splint_bone_lies_over_the_edge_the_stated_error_covers_it_with_a_doubt(azimuth):
    shot, clicks, true = _shot("horse", "mc3", 0.08, 0.48, azimuth)
    found = measure(MeasureRequest(kind="shaft_axis", points=tuple(clicks)), shot.pic)
    if found.refusal:
        assert "Another edge runs beside" in found.refusal
        return
    direction = found.number("direction")
    assert abs(direction.value - true) <= direction.plus_minus
    told = any("another edge runs beside" in doubt for doubt in found.doubts)
    assert told == (direction.plus_minus > 0.6)


def test_a_radius_beside_the_ulna_is_measured_alone():
    shot, clicks, _ = _shot("dog", "radius", 0.1, 0.65, 0.0)
    assert 12 < shaft_axis(shot.pic, *clicks).number("width").value < 17


def test_edges_that_cross_each_lying_beyond_the_other_on_some_rows_are_both_kept():
    offsets = np.arange(-2, 12, 0.1)
    rows = np.linspace(-1, 1, 80)
    first, second = (Edge(5.5 + lean * rows, 1.0) for lean in (2.5, -2.5))
    ridge = [np.exp(-(((offsets[:, None] - e.offsets) / 0.4) ** 2)) for e in (first, second)]
    brightness = 1.0 * (np.abs(offsets) < 1)[:, None] + sum(np.roll(r, -3, axis=0) for r in ridge)
    side = _Side(offsets, brightness.T, np.zeros((80, len(offsets))))
    assert _own(side, [first, second]) == [first, second]
