"""Air density: the shipped table, its interpolation, the exponential law."""

import sys

import numpy as np
import pytest

from shells.errors import InputError
from shells.motion.atmosphere import EXPONENTIAL_TABLE, air_table, density, exponential_density
from shells.motion.make_air_density import HEIGHTS, LEVELS, geomagnetic_index, mean_density


def model(heights, flux):
    pytest.importorskip("pymsis")
    return mean_density(heights, flux, float(geomagnetic_index(flux)))


def test_geomagnetic_index():
    # ECSS-E-ST-10-04C Rev.1, Table 6-3, long-term: Ap 0, 15, 45 at 65, 140, 250; 15 + 30 160/110 by the last slope
    np.testing.assert_allclose(geomagnetic_index([65.0, 140.0, 250.0, 300.0]), [0.0, 15.0, 45.0, 15.0 + 4800.0 / 110.0])


@pytest.mark.parametrize("flux", [65, 125, 300])
def test_shipped_table_is_what_the_script_makes(flux):
    # seven digits are shipped; the model computes in single precision
    heights = [0.0, 110.0, 430.0, 1270.0, 2000.0]
    np.testing.assert_allclose(density(heights, flux), model(heights, flux), rtol=1e-5)


def test_levels_and_heights():
    table = air_table()
    np.testing.assert_array_equal(table.levels, LEVELS)
    assert table.coefficients.shape == (len(LEVELS), len(HEIGHTS) - 1, 4)
    assert air_table() is table
    assert not table.coefficients.flags.writeable


def test_between_heights_against_the_model():
    # midway between the rows, where a spline errs most
    for flux in (65, 300):
        for heights, tolerance in [
            (np.array([135.0, 145.0, 165.0, 245.0, 415.0, 705.0, 1005.0, 1985.0, 1995.0]), 3.5e-3),
            (np.array([95.0, 105.0, 115.0, 125.0]), 1e-2),
            (np.array([5.0, 15.0, 25.0, 65.0, 75.0]), 4e-2),
        ]:
            np.testing.assert_allclose(density(heights, flux), model(heights, flux), rtol=tolerance)


def test_between_fluxes_against_the_model():
    heights = np.array([130.0, 310.0, 450.0, 600.0, 700.0, 800.0, 1210.0])
    for flux in np.add(LEVELS[:-1], LEVELS[1:]) / 2.0:
        np.testing.assert_allclose(density(heights, flux), model(heights, flux), rtol=1e-2)


def test_cells_join():
    """Value and slope, at every border and up to the straight last cell."""
    for c in air_table().coefficients:
        np.testing.assert_allclose(c[:-1].sum(axis=1), c[1:, 0], rtol=1e-12)
        np.testing.assert_allclose(c[:-1] @ [0.0, 1.0, 2.0, 3.0], c[1:, 1], rtol=0, atol=1e-12)


def test_exponential_law():
    # closed form of the table, layer by layer; only from 25 to 30 km the cells cannot follow
    heights = np.linspace(0.0, 2500.0, 7919)
    heights = heights[(heights < 25.0) | (heights >= 30.0)]
    np.testing.assert_allclose(density(heights, 97.0, kind="exponential"), exponential_density(heights), rtol=1e-13)
    between = density([25.0, 29.999], 97.0, kind="exponential") / exponential_density([25.0, 29.999]) - 1.0
    assert np.abs(between).max() < 0.11


def test_exponential_density_at_the_bases():
    base, at_base, _ = EXPONENTIAL_TABLE.T
    np.testing.assert_array_equal(exponential_density(base), at_base)
    # 1,500 km: 500 km above the last base, scale height 268 km
    np.testing.assert_allclose(exponential_density(1500.0), 3.019e-15 * np.exp(-500.0 / 268.0), rtol=1e-14)


def test_beyond_the_table():
    at_2000, at_2500, at_3000 = np.log(density([2000.0, 2500.0, 3000.0], 170.0))
    assert at_3000 - at_2500 == pytest.approx(at_2500 - at_2000, rel=1e-12)
    np.testing.assert_array_equal(density(550.0, [40.0, 65.0]), density(550.0, 65.0))
    np.testing.assert_array_equal(density(550.0, [300.0, 400.0]), density(550.0, 300.0))


def test_linear_in_flux_between_levels():
    at_110, at_113, at_125 = np.log(density(487.0, [110.0, 113.0, 125.0]))
    assert at_113 == pytest.approx(0.8 * at_110 + 0.2 * at_125, rel=1e-14)


def test_falls_with_height_and_rises_with_flux():
    heights, fluxes = np.arange(180.0, 2400.0, 3.0)[:, np.newaxis], np.arange(65.0, 301.0, 7.0)
    logarithm = np.log(density(heights, fluxes))
    assert (np.diff(logarithm, axis=0) < 0.0).all()
    assert (np.diff(logarithm[heights[:, 0] < 1200.0], axis=1) > 0.0).all()


def test_shapes():
    assert density(400.0, 140.0).shape == ()
    assert density([[400.0], [500.0]], [70.0, 80.0, 90.0]).shape == (2, 3)
    assert density([], 140.0).shape == (0,)


def test_unknown_kind():
    with pytest.raises(InputError) as error:
        density(400.0, 140.0, kind="msis")
    assert str(error.value) == "air_table: kind 'msis' found; allowed: nrlmsise-00, exponential"


def test_impossible_heights_and_fluxes():
    with pytest.raises(InputError) as error:
        density([400.0, -1.0, np.nan, np.inf], [140.0, 0.0, 70.0, 70.0])
    assert str(error.value) == (
        "density:\n"
        "  - height_km [-1.0, nan, inf] found; expected 0 or more\n"
        "  - flux_sfu [0.0] found; expected more than 0"
    )


def test_script_without_the_model(monkeypatch):
    monkeypatch.setitem(sys.modules, "pymsis", None)
    with pytest.raises(InputError) as error:
        mean_density([400.0], 140.0, 15.0)
    assert str(error.value) == (
        "make_air_density: package 'pymsis' not found; install it with: pip install 'shells[test]'"
    )
