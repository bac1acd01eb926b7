"""Spread of the nodes of stacked near-polar planes over years, with Sun and Moon, before and after trims.

The fleets are invented. Marks: "closed form" and "other method" are independent of this library; "computed" are bounds
around what the library gives, with no publication behind them.
"""

import json

import erfa
import numpy as np
import pytest
from astropy import units
from astropy.constants import GM_earth, GM_sun
from astropy.coordinates import get_body_barycentric
from astropy.time import Time

import shells.constants as constants
from shells.fleet.frozen import freeze
from shells.fleet.node_rates import match_node_rates
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.arrays import mean_elements_from_states
from shells.motion.forces import Forces
from shells.motion.numerical.reference import reference
from shells.motion.secular import j2_rates, mean_motion

OBLATE = Forces(zonal_degree=2, sun=False, moon=False)
OBLATE_WITH_BODIES = Forces(zonal_degree=2)
FIELD = {
    "mu": constants.GRAVITATIONAL_PARAMETER.value,
    "radius": constants.REFERENCE_RADIUS.value,
    "j2": constants.zonal_coefficients()[2],
}
YEARS = 10.0
DAYS = 365.25 * YEARS

#: Through the 18.6 years in which the Moon's orbit tilts to the equator and back.
EPOCHS = ("2026-01-01", "2029-05-14", "2033-09-20", "2037-02-07")
FIRST_NODES = np.arange(3.0, 360.0, 15.0)

#: Twelve planes 4 km apart, and eight of another kind: less inclined, lower, 6 km apart, alternating.
FLEETS = {
    "twelve": ({"planes": 12, "altitude_km": 1200.0, "inclination_deg": 87.9}, {"step_km": 4.0}),
    "eight": (
        {"planes": 8, "altitude_km": 700.0, "inclination_deg": 84.3},
        {"step_km": 6.0, "order": "interleaved"},
    ),
}


def fleet(which, epoch=EPOCHS[0], first_node=FIRST_NODES[0]):
    """Return one satellite of each plane of a stacked star."""
    pattern, stacking = FLEETS[which]
    base = walker(total=pattern["planes"], pattern="star", epoch=epoch, raan_deg=first_node, **pattern)
    return freeze(stack(base, **stacking))


def report(objects):
    return json.loads(objects.attrs["provenance"])["match_node_rates"]


def rates_of_j2(objects):
    eccentricity = np.hypot(objects["eccentricity_x"].values, objects["eccentricity_y"].values)
    return j2_rates(objects["semi_major_axis"].values, eccentricity, objects["inclination"].values, **FIELD).node


def bodies(epoch, days):
    """Return Sun and Moon (2, days, 3) [km] in the true equator and equinox of the epoch, by astropy."""
    times = Time(epoch, scale="tt") + days * units.day  # the minute from UTC moves the Moon by 0.01 deg
    earth = get_body_barycentric("earth", times, ephemeris="builtin")
    to_true_equator = erfa.pnm06a(times[0].jd1, times[0].jd2)
    places = [
        (get_body_barycentric(name, times, ephemeris="builtin") - earth).xyz.to_value("km") for name in ("sun", "moon")
    ]
    return np.stack([(to_true_equator @ place).T for place in places])


def node_changes(fleets, epoch, step_days=2.0):
    """Return the change of the node [deg] of each plane over ten years under J2, Sun and Moon.

    Circular orbits as rings, averaged in closed form: R. R. Allan and G. E. Cook, The long-period motion of the plane
    of a distant circular orbit, Proceedings of the Royal Society A 280, 97, 1964 (from memory): the normal n of the
    plane moves at -k (n.z) z x n + sum 3 mu / (2 n0 d^3) (b.n) b x n, b the direction to a body at distance d.
    Runge-Kutta, order 4.
    """
    count = int(np.ceil(DAYS / step_days))
    step = DAYS / count
    places = bodies(epoch, np.linspace(0.0, DAYS, 2 * count + 1))
    distance = np.linalg.norm(places, axis=-1, keepdims=True)
    # Moon: the Earth's over 81.30057 (IAU Working Group on Numerical Standards, 2009)
    mu = np.array([GM_sun.to_value("km3 / s2"), GM_earth.to_value("km3 / s2") / 81.30057])
    pull = 1.5 * 86400.0 * mu[:, None, None] / distance**3
    toward = places / distance
    axis = np.concatenate([objects["semi_major_axis"].values for objects in fleets])
    inclination = np.radians(np.concatenate([objects["inclination"].values for objects in fleets]))
    raan = np.radians(np.concatenate([objects["raan"].values for objects in fleets]))
    k = -np.radians(np.concatenate([rates_of_j2(objects) for objects in fleets])) / np.cos(inclination)
    n0 = np.radians(mean_motion(axis, mu=FIELD["mu"])) / 86400.0

    def rate(normal, half):
        turn = np.zeros_like(normal)
        turn[2] = -k * normal[2]
        for body in (0, 1):
            direction = toward[body, half]
            turn += pull[body, half] / n0 * (direction @ normal) * direction[:, None]
        return np.cross(turn, normal, axis=0)

    normal = np.array([np.sin(inclination) * np.sin(raan), -np.sin(inclination) * np.cos(raan), np.cos(inclination)])
    nodes = [raan]
    for j in range(0, 2 * count, 2):
        first = rate(normal, j)
        second = rate(normal + 0.5 * step * first, j + 1)
        third = rate(normal + 0.5 * step * second, j + 1)
        fourth = rate(normal + step * third, j + 2)
        normal = normal + step / 6.0 * (first + 2.0 * second + 2.0 * third + fourth)
        nodes.append(np.arctan2(normal[0], -normal[1]))
    course = np.unwrap(np.array(nodes), axis=0)
    return np.split(np.degrees(course[-1] - course[0]), np.cumsum([objects.sizes["object"] for objects in fleets])[:-1])


@pytest.mark.parametrize("which", FLEETS)
def test_oblateness_alone(which):
    # Closed form: Kozai 1959, first order in J2; the motion has J2 squared, too.
    base = fleet(which)
    found = report(match_node_rates(base, years=YEARS, forces=OBLATE))
    np.testing.assert_allclose(found["spread_before_deg"], np.ptp(rates_of_j2(base)) * DAYS, rtol=0.01)
    assert found["spread_j2_trim_deg"] < 0.01 * found["spread_before_deg"]
    assert found["spread_left_deg"] < 1e-5


@pytest.mark.filterwarnings("ignore:.*dubious year")  # leap seconds of years to come, for the milliseconds of TDB
@pytest.mark.parametrize("epoch", [EPOCHS[2], *(pytest.param(EPOCHS[j], marks=pytest.mark.long) for j in (0, 1, 3))])
def test_sun_and_moon_against_averaged_rings(epoch):
    # Other method: the planes as rings, with ephemerides by astropy. They agree on the spread, find that a fleet
    # trimmed for J2 alone shears, and that one trimmed for Sun and Moon holds together; what is left is J2 squared.
    bases = [fleet(which, epoch, 48.0) for which in FLEETS]
    by_j2 = [match_node_rates(base, years=YEARS, forces=OBLATE) for base in bases]
    matched = [match_node_rates(base, years=YEARS, forces=OBLATE_WITH_BODIES) for base in bases]
    spreads = [np.ptp(change) for change in node_changes([*bases, *by_j2, *matched], epoch)]
    for which, trimmed in enumerate(matched):
        found = report(trimmed)
        before, after_j2, left = spreads[which :: len(FLEETS)]
        np.testing.assert_allclose(found["spread_before_deg"], before, rtol=2e-3)
        np.testing.assert_allclose(found["spread_j2_trim_deg"], after_j2, rtol=0.02)
        assert left < 1e-3 * before


@pytest.mark.parametrize("years", [0.25, pytest.param(10.0, marks=pytest.mark.long)])
def test_numerical_integration(years):
    # Other method: osculating states without any average. They start from the mean elements without what Sun and Moon
    # do within one revolution, 1e-7 rad of inclination, which grows to 4e-4 deg of node in a year.
    matched = match_node_rates(fleet("twelve", EPOCHS[2], 48.0), years=years)
    planes = matched.isel(object=[0, 6, 11])
    days = np.linspace(-0.5, 0.5, 29)
    times = planes["epoch"].values + ((days + 365.25 * years) * 86400e9).astype("timedelta64[ns]")
    states = reference(planes, times=times, forces=Forces(drag=False, radiation=False))
    nodes = []
    for position, velocity in zip(states["position"].values, states["velocity"].values, strict=True):
        raan = np.unwrap(mean_elements_from_states(position, velocity)[:, 4])
        nodes.append(np.degrees(np.polyfit(days, raan, 1)[1]))
    change = (np.array(nodes) - planes["raan"].values + 180.0) % 360.0 - 180.0
    assert np.ptp(change) < 0.01 * report(matched)["spread_j2_trim_deg"]


def spreads_of(which, epochs, first_nodes):
    """Return spreads [deg]: before, by the trims of J2, after; the same, largest within; shape (epochs, nodes, 6)."""
    names = [f"{kind}_{name}_deg" for kind in ("spread", "largest_spread") for name in ("before", "j2_trim", "left")]
    found = [
        [report(match_node_rates(fleet(which, epoch, node), years=YEARS)) for node in first_nodes] for epoch in epochs
    ]
    return np.array([[[one[name] for name in names] for one in row] for row in found])


@pytest.mark.parametrize(
    ("epochs", "first_nodes"),
    [(EPOCHS[2:3], FIRST_NODES[::9]), pytest.param(EPOCHS, FIRST_NODES, marks=pytest.mark.long)],
)
@pytest.mark.parametrize(("which", "share", "within"), [("twelve", (0.1, 0.5), 0.5), ("eight", (0.0, 0.1), 0.1)])
def test_what_each_trim_leaves(which, share, within, epochs, first_nodes):
    # Computed, bounds: over ten years, smallest to largest of four epochs and 24 first nodes, in deg. Twelve planes:
    # 12.7 to 16.8 untrimmed; 1.9 to 5.5 with the trims of J2 (12 to 44 %); with those of all forces 4e-7 at the end and
    # 0.29 to 0.44 at most within. Eight planes: 50 to 54; 0.5 to 3.4 (1 to 7 %); 3e-9 and 0.04 to 0.06.
    spreads = spreads_of(which, epochs, first_nodes)
    before, by_j2, left, _, _, largest_left = np.moveaxis(spreads, -1, 0)
    assert (by_j2 > share[0] * before).all() and (by_j2 < share[1] * before).all()
    assert (left < 1e-5).all()
    assert (largest_left < within).all()
