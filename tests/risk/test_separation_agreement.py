"""Agreement of what does not share a formula: walking, importance sampling, and the closed form over random fleets."""

import numpy as np
import pytest
import xarray as xr
from scipy.special import ndtri

import shells
from shells import constants
from shells.approaches.trains import trains_of
from shells.fleet.radius_difference import RadiusDifference
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.risk.separation.budget import separation_budget
from shells.risk.separation.closed_form import Shells
from shells.risk.separation.phase_averaged import node_gaps
from shells.risk.separation.states import State, states_of
from tests.approaches.walking import enumerate_entries, monte_carlo
from tests.populations import objects_of
from tests.published.test_encounter_rates import circles

MU = constants.GRAVITATIONAL_PARAMETER.value
YEAR = constants.YEAR.value

# --- overlap, touch, clear --------------------------------------------------------------------------------------------

LOWER = [7438.0, 1e-5, 1.16e-3, 86.5, 0.0, 0.0]
#: Bodies of kilometres: walking sees few events otherwise.
WITHIN = 4.0

# form, size [km] of each departure, separation [km], days of a run
SHELLS = {
    "overlap": ("normal", 2.4, 3.2, 10.0),
    "touch": ("normal", 2.4, 8.0, 20.0),
    "clear": ("normal", 2.4, 11.5, 40.0),
    "overlap, bounded": ("bounded", 2.4, 3.2, 10.0),
    "touch, bounded": ("bounded", 2.4, 7.5, 40.0),
    # two departures of 2.4 km and bodies of 4 km do not bridge it
    "clear, bounded": ("bounded", 2.4, 8.9, 5.0),
}


@pytest.mark.long
@pytest.mark.parametrize("name", SHELLS)
def test_overlap_touch_clear(name):
    form, size, separation, days = SHELLS[name]
    upper = [LOWER[0] + separation, *LOWER[1:4], 60.0, 10.0]
    objects = objects_of([LOWER, upper], plane=[0, 1], held=True, radius=500.0 * WITHIN)
    orbits = shells.propagate(objects, years=days / 365.25).compute()
    gaps = node_gaps(orbits, trains_of(orbits), satellites=1, within_km=WITHIN)
    # trajectories without tesserals, no faults
    gaps = gaps.without_ripple()
    states = states_of(Tolerances(form, 1000.0 * size, 0.0), ControlFaults(0.0), 7438.0)
    average = gaps.approaches(gaps.separation_km, states, WITHIN)[0]
    sides = orbits.isel(object=[0]), orbits.isel(object=[1])
    quantile = ndtri if form == "normal" else lambda share: 2.0 * share - 1.0
    asked = {"within_km": WITHIN, "spread_km": size, "quantile": quantile, "satellites": (89, 97)}
    number = list(SHELLS).index(name)
    counted, counted_error = enumerate_entries(*sides, seed=[3, number], **asked)
    trials = max(48, int(3.0 / average)) if average > 0.0 else 8  # the more the rarer entries are
    drawn, drawn_error = monte_carlo(*sides, seed=[4, number], trials=trials, **asked)
    print(f"{name}: {average:.5g}, enumeration {counted:.5g} ± {counted_error:.2g}", end=", ")
    print(f"Monte Carlo {drawn:.5g} ± {drawn_error:.2g}")
    assert abs(average - counted) <= 2.0 * counted_error
    assert abs(average - drawn) <= 2.0 * drawn_error
    assert abs(counted - drawn) <= 2.0 * np.hypot(counted_error, drawn_error)
    assert (average > 0.0) == (name != "clear, bounded")


# --- importance sampling ----------------------------------------------------------------------------------------------


def kepler(elements, time):
    """Positions and velocities (n, 3) of two-body orbits ``[a, ex, ey, i, node, u]`` (n each), near-circular."""
    a, ex, ey, inclination, node, u = elements
    longitude = u + np.sqrt(MU / a**3) * time
    eccentric = longitude.copy()
    for _ in range(6):  # eccentricities of 1e-3
        eccentric = longitude + ex * np.sin(eccentric) - ey * np.cos(eccentric)
    eta = np.sqrt(1.0 - ex**2 - ey**2)
    beta = 1.0 / (1.0 + eta)
    cosine, sine = np.cos(eccentric), np.sin(eccentric)
    x = a * ((1.0 - beta * ey**2) * cosine + beta * ex * ey * sine - ex)
    y = a * ((1.0 - beta * ex**2) * sine + beta * ex * ey * cosine - ey)
    along = np.stack([np.cos(node), np.sin(node), np.zeros_like(node)], axis=-1)
    up = np.stack(
        [-np.sin(node) * np.cos(inclination), np.cos(node) * np.cos(inclination), np.sin(inclination)], axis=-1
    )
    return x[:, None] * along + y[:, None] * up


def smallest_distance(first, second):
    """Smallest distance of pairs near time zero, by successive parabolas of its square."""
    time, step = np.zeros(first[0].shape), 2.0
    for _ in range(3):
        square = [
            ((kepler(first, time + k * step) - kepler(second, time + k * step)) ** 2).sum(axis=1) for k in (-1, 0, 1)
        ]
        bend = square[0] - 2.0 * square[1] + square[2]
        time = time + 0.5 * step * (square[0] - square[2]) / bend
        step *= 0.5
    return np.sqrt(((kepler(first, time) - kepler(second, time)) ** 2).sum(axis=1))


def test_one_in_a_billion_by_importance_sampling():
    # Monte Carlo: two circles in planes 52 deg apart, departures of a and of the eccentricity vector normal. Departures
    # are drawn about the likeliest ones that close the gap, phases near the coincidence at the node, each weighted with
    # the likelihood; the distance is then minimised along two-body orbits. 1e-9 a revolution for all satellites.
    bodies, satellites, sigma_a, sigma_e = 0.010, 20, 0.05, 2e-5
    radius, gap = 7000.0, 0.91
    crossing = np.radians(52.0)
    spread = np.sqrt(2.0) * np.hypot(sigma_a, radius * sigma_e)
    state = State(1.0, False, RadiusDifference(spread, (), ()))
    pair = Shells.of(satellites=satellites, radius_km=radius, hard_body_radius_m=5.0, crossing_angle_deg=[52.0])
    closed = pair.collisions(np.array([gap]), [state])[0]
    period = 2.0 * np.pi * np.sqrt(radius**3 / MU)
    # the phase average of the same two orbits, of two bodies
    lower = circles(radius - 6378.1363, np.degrees(0.4), 0.0, planes=False)
    upper = circles(radius + gap - 6378.1363, np.degrees(0.4 + crossing), 0.0, first=2, planes=False)
    both = xr.concat([lower, upper], "object", data_vars="minimal")
    both["plane"] = both["plane"].copy(data=[0, 1])
    gaps = node_gaps(both, trains_of(both), satellites=satellites, within_km=bodies)
    gaps = gaps.without_ripple()
    averaged = gaps.approaches(gaps.separation_km, [state], bodies)[0]
    assert averaged == pytest.approx(closed, rel=2e-3)
    expected = averaged * period / YEAR
    assert 3e-10 < expected < 3e-9

    rng = np.random.default_rng(20261127)
    count = 100_000
    # one node: along x, both pass it at u = 0; radius there is a (1 - ex); departures of both close the gap in the
    # proportion of their variances
    scales = np.array([sigma_a, -radius * sigma_e, -sigma_a, radius * sigma_e])  # a1, ex1, a2, ex2, towards each other
    shift = gap * scales / (scales**2).sum()
    z = rng.standard_normal((4, count)) + shift[:, None]
    ratio = np.exp(-(shift[:, None] * z).sum(axis=0) + 0.5 * (shift**2).sum())
    ey = sigma_e * rng.standard_normal((2, count))
    # phases: uniform, so drawn about the coincidence, where u = 2 ey of each, as long as bodies are within the window
    reach = 4.0 * bodies / radius
    lag = 2.0 * (ey[1] - ey[0]) + rng.uniform(-reach, reach, count)
    ratio *= 2.0 * reach / (2.0 * np.pi)
    zero = np.zeros(count)
    tilt = np.full(count, 0.4)
    first = (radius + sigma_a * z[0], sigma_e * z[1], ey[0], tilt, zero, zero)
    second = (radius + gap + sigma_a * z[2], sigma_e * z[3], ey[1], tilt + crossing, zero, lag)
    hits = smallest_distance(first, second) < bodies
    weights = np.where(hits, ratio, 0.0)
    # both nodes are alike by symmetry; a pair meets each of them once a revolution
    per_revolution = 2.0 * satellites**2 * weights.mean()
    error = 2.0 * satellites**2 * weights.std() / np.sqrt(count)
    print(f"{expected:.4g}, importance sampling {per_revolution:.4g} ± {error:.2g}, {hits.sum()} hits")
    assert error < 0.05 * per_revolution
    assert per_revolution == pytest.approx(expected, rel=0.2)
    assert abs(per_revolution - expected) < 3.0 * error


# --- a hundred fleets -------------------------------------------------------------------------------------------------


def random_fleet(rng):
    """A stacked, frozen fleet and its tolerances, faults and target, drawn over what designers may want."""
    planes, satellites = int(rng.integers(3, 7)), int(rng.integers(10, 60))
    inclination = float(rng.choice([rng.uniform(40.0, 60.0), rng.uniform(67.0, 100.0)]))
    fleet = shells.walker(
        total=planes * satellites,
        planes=planes,
        phasing=1,
        pattern="star" if inclination > 80.0 else "delta",
        altitude_km=float(rng.uniform(450.0, 1400.0)),
        inclination_deg=inclination,
        raan_deg=float(rng.uniform(0.0, 60.0)),
        hard_body_radius_m=float(rng.uniform(1.0, 6.0)),
    )
    order = "monotone" if rng.uniform() < 0.5 else [int(k) for k in rng.permutation(planes)]
    fleet = shells.freeze(shells.stack(fleet, step_km=float(rng.uniform(0.5, 8.0)), order=order))
    tolerances = Tolerances(
        ("normal", "bounded")[int(rng.integers(2))],
        float(10.0 ** rng.uniform(0.5, 2.3)),
        float(10.0 ** rng.uniform(-5.3, -3.7)),
        float(rng.choice([0.0, rng.uniform(1.0, 30.0)])),
        float(rng.choice([0.0, rng.uniform(1.0, 20.0)])),
        float(rng.choice([0.0, rng.uniform(0.5, 5.0)])),
    )
    faults = ControlFaults(float(rng.choice([0.0, 10.0 ** rng.uniform(-4.0, -1.0)])), float(rng.uniform(1.0, 8.0)), 7.0)
    return fleet, tolerances, faults, float(10.0 ** rng.uniform(-6.0, -3.0))


def disagreement(seed):
    """Largest relative difference of closed form and full computation, over both tails, all pairs and the stack."""
    fleet, tolerances, faults, target = random_fleet(np.random.default_rng([20261126, seed]))
    found = separation_budget(fleet, tolerances, faults=faults, target_per_year=target, years=0.25)
    full, closed = (
        np.append(found[name].values.ravel(), found[step].values)
        for name, step in (("separation", "step"), ("separation_closed_form", "step_closed_form"))
    )
    assert (np.isnan(full) == np.isnan(closed)).all()
    return np.nanmax(np.abs(closed / full - 1.0))


def test_five_random_fleets():
    # Other method: circles and one distribution against real orbits, their motion and ripple.
    assert max(disagreement(seed) for seed in range(5)) < 0.1


@pytest.mark.long
def test_a_hundred_random_fleets():
    found = np.array([disagreement(seed) for seed in range(100)])
    print(f"closed form within {found.max():.2%} of the full separation, median of the worst {np.median(found):.2%}")
    assert found.max() < 0.1
