"""The beam: attenuation data, Beer-Lambert, magnification."""

from importlib import resources

import numpy as np
import pytest
import xraylib

from test_pacs.data.make_tables import COMPOUNDS, ELEMENTS, attenuation
from test_pacs.phantom.beam import Projection, tables, transmitted

# NISTIR 5632 (Hubbell and Seltzer), table 3, cm2/g at 20, 30, 40, 50 keV; copied from memory
PUBLISHED = {
    "aluminium": (3.441, 1.128, 0.5685, 0.3681),
    "iron": (25.68, 8.176, 3.629, 1.958),
    "lead": (86.36, 30.32, 14.36, 8.041),
}


def test_the_attenuation_file_is_what_xraylib_gives() -> None:
    kept = resources.files("test_pacs.data").joinpath("attenuation.csv").read_text("utf-8")
    assert kept == attenuation()


@pytest.mark.parametrize("name", sorted({*COMPOUNDS, *ELEMENTS} - {"caesium_iodide"}))
def test_linear_coefficients_are_mass_coefficient_times_density(name: str) -> None:
    energies = tables().energies
    if name in COMPOUNDS:
        density = xraylib.GetCompoundDataNISTByName(COMPOUNDS[name])["density"]
        mass = [xraylib.CS_Total_CP(COMPOUNDS[name], e) for e in energies]
    else:
        density = xraylib.ElementDensity(ELEMENTS[name])
        mass = [xraylib.CS_Total(ELEMENTS[name], e) for e in energies]
    per_mm = np.array(mass) * density / 10
    np.testing.assert_allclose(tables().linear[name], per_mm, rtol=2e-5)


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_file_agrees_with_published_values_within_half_a_percent(name: str) -> None:
    density = {"aluminium": 2.6989, "iron": 7.874, "lead": 11.35}[name]
    mass = tables().linear[name] * 10 / density
    points = np.array([20.0, 30.0, 40.0, 50.0])
    found = np.exp(np.interp(np.log(points), np.log(tables().energies), np.log(mass)))
    np.testing.assert_allclose(found, PUBLISHED[name], rtol=5e-3)


def test_the_spectrum_is_a_60_kv_spectrum_with_the_mean_energy_its_maker_states() -> None:
    table = tables()
    assert table.spectrum.sum() == pytest.approx(1, abs=1e-5)
    assert table.spectrum @ table.energies == pytest.approx(35.95, abs=0.02)
    assert table.energies.max() < 60


def test_half_a_layer_of_aluminium_halves_the_dose() -> None:
    # the half-value layer that the spectrum's maker states, 2.08 mm Al, is of air kerma
    table = tables()
    # mass energy-absorption coefficients of air, cm2/g: NISTIR 5632, table 4; copied from memory
    energies = np.log([10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0])
    published = np.log([4.742, 1.334, 0.5389, 0.1537, 0.06833, 0.04098, 0.03041])
    air = np.exp(np.interp(np.log(table.energies), energies, published))
    kerma = table.spectrum * table.energies * air
    behind = kerma @ np.exp(-table.linear["aluminium"] * 2.082)
    assert behind / kerma.sum() == pytest.approx(0.5, abs=0.005)


def test_transmission_is_the_weighted_sum_of_exponentials() -> None:
    table = tables()
    bone, soft = 3.5, 22.0
    weights = [float(s * d) for s, d in zip(table.spectrum, table.response, strict=True)]
    by_hand = 0.0
    for index, weight in enumerate(weights):
        depth = (
            table.linear["cortical_bone"][index] * bone + table.linear["soft_tissue"][index] * soft
        )
        by_hand += weight * 2.718281828459045 ** (-depth)
    by_hand /= sum(weights)
    lengths = {"cortical_bone": np.array([[bone]]), "soft_tissue": np.array([[soft]])}
    assert transmitted(lengths)[0, 0] == pytest.approx(by_hand, rel=1e-4)


def test_the_open_beam_is_one_and_lead_stops_it() -> None:
    assert transmitted({"lead": np.array([0.0])})[0] == pytest.approx(1, abs=1e-4)
    assert transmitted({"lead": np.array([1.0])})[0] < 2e-4


def test_the_beam_hardens_the_second_layer_takes_a_smaller_share() -> None:
    one, two = (transmitted({"cortical_bone": np.array([n])})[0] for n in (5.0, 10.0))
    assert two > one**2 * 1.05


def test_magnification_grows_with_the_distance_from_the_detector() -> None:
    near = Projection(0.0, object_to_detector=20, centre=(0, 0, 0))
    far = Projection(0.0, object_to_detector=200, centre=(0, 0, 0))
    for view, expected in ((near, 1000 / 980), (far, 1000 / 800)):
        ends = view.shown(np.array([[-10.0, 0, 0], [10.0, 0, 0]]))
        measured = np.abs(ends[1, 0] - ends[0, 0]) * view.pixel / 20
        assert measured == pytest.approx(expected, rel=1e-12)
        assert view.magnification == pytest.approx(expected)


def test_what_is_nearer_to_the_tube_is_shown_larger() -> None:
    view = Projection(0.0, centre=(0, 0, 0))
    dorsal, palmar = (
        np.ptp(view.shown(np.array([[-10.0, y, 0], [10.0, y, 0]]))[:, 0]) for y in (20.0, -20.0)
    )
    assert dorsal / palmar == pytest.approx((960 + 20) / (960 - 20))


@pytest.mark.parametrize("azimuth", [0.0, -90.0, 45.0])
@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("tilt", [0.0, 15.0])
def test_a_shown_point_lies_on_the_ray_of_its_pixel(azimuth: float, side: str, tilt: float) -> None:
    view = Projection(azimuth, side, tilt)
    point = np.array([7.0, -9.0, 33.0])
    column, row = view.shown(point)
    beam = view.rays()
    # ray number 0 goes to the middle of the first pixel, (0.5, 0.5)
    direction = beam.corner + (row - 0.5) * beam.step_row + (column - 0.5) * beam.step_column
    to_point = point - beam.source
    cosine = direction @ to_point / np.linalg.norm(direction) / np.linalg.norm(to_point)
    assert cosine == pytest.approx(1, abs=1e-14)


def test_left_and_right_are_mirror_images() -> None:
    point = np.array([12.0, 3.0, 40.0])
    left, right = (Projection(-90.0, side).shown(point) for side in ("L", "R"))
    assert left[0] + right[0] == pytest.approx(1000)
    assert left[1] == pytest.approx(right[1])
