"""Blocks on real kernels: the forces of a study reach what it moves."""

import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import xarray as xr

import shells
from shells.study import block
from shells.study.cases import layouts_of, scenarios_of
from shells.study.kept import kept
from shells.study.summary import start_of
from tests.study import fakes


def study_of(directory, activity, seed=0):
    table = f'[forces]\nsolar_activity = "{activity}"\nsolar_seed = {seed}\n\n[debris]'
    return fakes.study(directory, ("years = 2.0", "years = 0.02"), ("[debris]", table))


def low_debris():
    """Three objects whose height above the ellipsoid, over a turn, is 500 km in the mean (at 82 deg)."""
    radius = 6378.137 * (1.0 - np.sin(np.radians(82.0)) ** 2 / 2.0 / 298.257)
    debris = fakes.debris(3)
    debris["semi_major_axis"].values[:] = radius + 500.0
    debris["eccentricity_x"].values[:] = [1e-4, 2e-4, 3e-4]
    debris["eccentricity_y"].values[:] = [3e-4, 1e-4, 2e-4]
    return debris


def _moved(study, objects):
    return block.move(study, scenarios_of(study)[0], objects)


# Density at 500 km [kg m-3]: ECSS-E-ST-10-04C Rev.1, Tables G-1 to G-3 (above the equator; ours is that of all
# latitudes, hence the tolerance: the activities differ by factors of 12 and 5)
@pytest.mark.parametrize(("activity", "density"), [("low", 6.79e-14), ("mean", 7.85e-13), ("high", 3.76e-12)])
def test_debris_falls_at_the_solar_activity_of_the_study(tmp_path, activity, density):
    axis = _moved(study_of(tmp_path, activity), low_debris())["semi_major_axis"].values
    # circular orbit: da/dt = -sqrt(mu a) rho Cd A/m (King-Hele, Satellite Orbits in an Atmosphere, 1987, from memory)
    per_second = np.sqrt(398600.4415 * axis[:, 0]) * density * 1000.0 * 2.2 * 0.01
    np.testing.assert_allclose((axis[:, 0] - axis[:, -1]) / (0.02 * 365.25 * 86400.0), per_second, rtol=0.2)


@pytest.mark.parametrize(("activity", "seed"), [("cycle", 0), ("drawn", 41)])
def test_debris_moves_as_with_the_same_forces_from_python(tmp_path, activity, seed):
    study = study_of(tmp_path, activity, seed)
    moved = _moved(study, low_debris())
    forces = shells.Forces(solar_activity=activity, solar_seed=seed)
    days = 0.02 * 365.25 / (moved.sizes["time"] - 1)
    own = shells.propagate(low_debris(), start=start_of(study), years=0.02, forces=forces, node_days=days)
    np.testing.assert_array_equal(moved["semi_major_axis"], own["semi_major_axis"])


def test_fleet_is_trimmed_under_the_forces_of_the_study(tmp_path):
    study = study_of(tmp_path, "drawn", 41)
    fleet = block.fleet_of(study, layouts_of(study)[0], scenarios_of(study)[0])
    assert "solar_activity='drawn', solar_seed=41" in fleet.attrs["provenance"]


def test_what_threads_share_is_made_once_and_kept_until_another_is_asked_for():
    made = []

    @kept
    def make(number):
        time.sleep(0.05)  # long enough for all to ask meanwhile
        made.append(number)
        return [number]

    with ThreadPoolExecutor(8) as pool:
        first, *others = pool.map(make, [5] * 8)
    assert made == [5] and all(one is first for one in others)
    assert (make(6), make(5)) == ([6], [5]) and made == [5, 6, 5]


def test_rates_do_not_depend_on_which_layouts_are_kept(tmp_path, monkeypatch):
    study = study_of(tmp_path, "mean")
    scenario = scenarios_of(study)[0]
    debris = block.thinned(_moved(study, low_debris()))
    whole = block._rates_by_layout(study, scenario, debris)
    block._first_leaders(study_of(tmp_path, "low"), scenario)  # so that nothing is left of the first
    monkeypatch.setattr(block, "LAYOUTS_AT_ONCE", 2)
    monkeypatch.setattr(block, "LAYOUTS_KEPT", 4)
    assert len(block._first_leaders(study, scenario)) == 2
    xr.testing.assert_identical(block._rates_by_layout(study, scenario, debris), whole)
