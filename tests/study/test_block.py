"""Blocks on real kernels: the forces of a study reach what it moves."""

import numpy as np
import pytest

import shells
from shells.study import block
from shells.study.cases import layouts_of, scenarios_of
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
