"""Phase-averaged rates."""

from itertools import pairwise

import dask.array as da
import numpy as np
import pytest
import xarray as xr
from scipy.integrate import quad
from scipy.special import ndtr

from shells.approaches.averages import against, kernels
from shells.approaches.averages.between import crossings_of
from shells.approaches.averages.spread import tabulate, with_uncertainty
from shells.approaches.kernels import FIELDS, V_PERP, C, X, node_geometry
from shells.approaches.kinetic import kinetic_rates
from shells.approaches.rates import approach_rates, total_rate
from shells.approaches.search import find_approaches
from shells.approaches.trains import trains_of
from shells.constants import YEAR
from shells.errors import InputError
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.arrays import field
from shells.motion.propagation import node_clock, positions, propagate
from tests.populations import objects_of, random_elements, small_fleet

POINT = RadiusDifference(0.0, (0.0, 0.0), (0.0, 0.0))
NORMAL = RadiusDifference(0.11, (0.0, 0.0), (0.0, 0.0))
BOUNDED = RadiusDifference(0.0, (0.05, 0.05), (0.74, 0.74))
BOTH = RadiusDifference(1.3, (0.05, 0.05), (0.74, 0.74))
MU, RADIUS, _ = field()
NO_ZONALS = (MU, RADIUS, np.zeros(16))


def chord_by_quadrature(difference, gap, c, distance):
    """Slow twin: scipy's adaptive quadrature, panels split where the density has its support."""
    reach = min(difference.support_km, 12.0 * difference.scale_km)
    edges = np.clip([-distance / c, gap - reach, gap, gap + reach, distance / c], -distance / c, distance / c)
    return sum(
        quad(
            lambda x: 2.0 * np.sqrt(max(distance**2 - (c * x) ** 2, 0.0)) * difference.density(x - gap), a, b, limit=500
        )[0]
        for a, b in pairwise(np.unique(edges))
    )


# --- the chord over the radius difference -----------------------------------------------------------------------------


@pytest.mark.parametrize("difference", [NORMAL, BOUNDED, BOTH])
@pytest.mark.parametrize(("gap", "c", "distance"), [(0.3, 0.97, 0.004), (1.2, 0.6, 0.5), (-2.1, 0.9, 5.0)])
def test_chord_against_quadrature(difference, gap, c, distance):
    expected = chord_by_quadrature(difference, gap, c, distance)
    found = kernels.expected_chord(distance, c, gap, gap, tabulate(difference))
    assert found == pytest.approx(expected, rel=1e-3, abs=1e-12)


@pytest.mark.parametrize(
    ("difference", "gaps", "distance"),
    [(NORMAL, (0.5, 0.9), 0.004), (NORMAL, (-3.0, 2.0), 0.3), (BOUNDED, (0.2, 7.0), 5.0), (BOTH, (0.2, 7.0), 0.3)],
)
def test_chord_of_a_drifting_gap_against_quadrature(difference, gaps, distance):
    nodes, weights = np.polynomial.legendre.leggauss(48)
    drift = 0.5 * (gaps[0] + gaps[1]) + 0.5 * (gaps[1] - gaps[0]) * nodes
    # slow twin: x = d sin t / c in 400 steps
    t = ((np.arange(400) + 0.5) / 400 - 0.5) * np.pi
    density = difference.density(distance / 0.93 * np.sin(t) - drift[:, None])
    chords = (2.0 * distance**2 / 0.93 * np.cos(t) ** 2 * density).sum(axis=1) * np.pi / 400
    expected = 0.5 * weights @ chords
    assert kernels.expected_chord(distance, 0.93, *gaps, tabulate(difference)) == pytest.approx(expected, rel=1e-3)


def test_far_normal_tail_is_exact():
    # closed form: with the chord far shorter than sigma, pi d^2 / c times the density
    difference = RadiusDifference(0.1, (0.0, 0.0), (0.0, 0.0))
    expected = np.pi * 1e-10 / 0.9 * np.exp(-0.5 * 30.0**2) / (0.1 * np.sqrt(2.0 * np.pi))
    assert kernels.expected_chord(1e-5, 0.9, 3.0, 3.0, tabulate(difference)) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("drift", [1e-3, 0.01, 0.1, 0.5])
def test_gap_that_drifts_far_out_in_a_normal_tail(drift):
    # closed form: the mean density of a normal difference is the difference of its tails over the drift
    sigma, gap = 0.2, 4.1
    tails = ndtr(-np.array([gap, gap + drift]) / sigma)
    expected = np.pi * 1e-10 / 0.9 * (tails[0] - tails[1]) / drift
    found = kernels.expected_chord(1e-5, 0.9, gap, gap + drift, tabulate(RadiusDifference(sigma, (), ())))
    assert found == pytest.approx(expected, rel=1e-3)


def test_gap_that_drifts_outside_a_bounded_part():
    # the tail falls from the end of the bounded part on, faster than far out in a normal one of the same deviation
    difference = RadiusDifference(0.1, (0.05, 0.05), (0.74, 0.74))
    nodes, weights = np.polynomial.legendre.leggauss(48)
    densities = difference.density(3.0 + 0.1 * (0.5 + 0.5 * nodes))
    expected = np.pi * 1e-10 / 0.9 * 0.5 * weights @ densities
    assert kernels.expected_chord(1e-5, 0.9, 3.0, 3.1, tabulate(difference)) == pytest.approx(expected, rel=1e-3)


def test_bounded_support_gives_exactly_zero():
    assert kernels.expected_chord(0.004, 1.0, 1.6, 1.7, tabulate(BOUNDED)) == 0.0


def test_mean_chord_closed_form():
    x = np.linspace(-0.3, 2.0, 200_001)
    numeric = np.trapezoid(2.0 * np.sqrt(np.maximum(1.0 - (0.8 * x) ** 2, 0.0)), x) / 2.3
    assert kernels.mean_chord(1.0, 0.8, -0.3, 2.0) == pytest.approx(numeric, rel=1e-6)
    assert kernels.mean_chord(1.0, 0.8, 0.5, 0.5) == pytest.approx(2.0 * np.sqrt(1.0 - 0.16), rel=1e-12)
    assert kernels.mean_chord(1.0, 0.8, 1.3, 2.0) == 0.0


def test_correlated_uncertainties_closed_form():
    # variance of a difference: s1^2 + s2^2 - 2 rho s1 s2
    added = with_uncertainty(NORMAL, first_m=200.0, second_m=350.0, correlation=0.6)
    assert added.normal_km**2 == pytest.approx(0.11**2 + 0.2**2 + 0.35**2 - 2.0 * 0.6 * 0.2 * 0.35)
    with pytest.raises(
        InputError, match=r"(?s)second_m -1.0; expected zero or more.*correlation 2.0; expected -1 to 1"
    ):
        with_uncertainty(NORMAL, first_m=1.0, second_m=-1.0, correlation=2.0)


# --- relative motion --------------------------------------------------------------------------------------------------


def orbit(a, ex, ey, inclination, raan):
    return np.array([a, ex, ey, np.radians(inclination), np.radians(raan), 0.3])


def pace(orbit):
    return np.sqrt(MU / orbit[0] ** 3)


def tube(first, second, distances, difference=POINT, gravity=NO_ZONALS):
    out = np.empty(len(distances))
    paces = pace(first), pace(second)
    kernels.tube_entries(first, second, paces, np.array(distances), tabulate(difference), gravity, out)
    return out


def at_nodes(first, second, distances, gravity=NO_ZONALS):
    geometry = np.empty((2, FIELDS))
    node_geometry(first, second, distances[-1], *gravity, geometry)
    per_node = [kernels.mean_chord(d, row[C], row[X], row[X]) / row[V_PERP] for d in distances for row in geometry]
    return np.reshape(per_node, (-1, 2)).sum(axis=1) * pace(first) * pace(second) / (2.0 * np.pi) ** 2


def test_circles_in_one_plane_meet_once_a_synodic_period():
    # closed form: f_A - f_B for one sense, f_A + f_B for opposite senses
    inner, outer = orbit(7000.0, 0.0, 0.0, 53.0, 10.0), orbit(7003.0, 0.0, 0.0, 53.0, 10.0)
    synodic = (pace(inner) - pace(outer)) / (2.0 * np.pi)
    np.testing.assert_allclose(tube(inner, outer, [2.9, 3.1, 40.0]), [0.0, synodic, synodic], rtol=1e-6)
    opposed = orbit(7003.0, 0.0, 0.0, 127.0, 190.0)
    both = (pace(inner) + pace(outer)) / (2.0 * np.pi)
    np.testing.assert_allclose(tube(inner, opposed, [2.9, 3.1, 40.0]), [0.0, both, both], rtol=1e-6)


def test_circles_in_one_plane_with_departures():
    # closed form: the synodic rate times the chance that the radii are within the distance
    inner, outer = orbit(7000.0, 0.0, 0.0, 53.0, 10.0), orbit(7003.0, 0.0, 0.0, 53.0, 10.0)
    synodic = (pace(inner) - pace(outer)) / (2.0 * np.pi)
    difference = RadiusDifference(1.5, (0.0, 0.0), (0.0, 0.0))
    expected = [quad(lambda x: difference.density(x + 3.0), -d, d)[0] for d in (0.01, 2.0, 7.0)]
    np.testing.assert_allclose(
        tube(inner, outer, [0.01, 2.0, 7.0], difference), synodic * np.array(expected), rtol=0.02
    )


def test_ellipses_that_cross_in_one_plane():
    # closed form: each crossing is passed at f_A f_B / |vA x vB| a square, by a disc 2 d wide at |vA - vB|
    first, second = orbit(7400.0, 0.05, 0.02, 70.0, 30.0), orbit(7500.0, -0.04, 0.06, 70.0, 30.0)

    def at(elements, theta):
        a, ex, ey = elements[:3]
        p, kappa = a * (1.0 - ex**2 - ey**2), ex * np.cos(theta) + ey * np.sin(theta)
        speed = np.sqrt(MU / p)
        return p / (1.0 + kappa), speed * np.array([ex * np.sin(theta) - ey * np.cos(theta), 1.0 + kappa])

    angles = np.linspace(0.0, 2.0 * np.pi, 1_000_001)
    gaps = at(first, angles)[0] - at(second, angles)[0]
    expected = 0.0
    for k in np.flatnonzero(gaps[1:] * gaps[:-1] < 0.0):
        v_1, v_2 = at(first, angles[k])[1], at(second, angles[k])[1]
        expected += np.linalg.norm(v_1 - v_2) / abs(v_1[0] * v_2[1] - v_1[1] * v_2[0])
    expected *= pace(first) * pace(second) / (2.0 * np.pi) ** 2 * 2.0
    np.testing.assert_allclose(tube(first, second, [0.01, 0.5, 3.0]), np.array([0.01, 0.5, 3.0]) * expected, rtol=5e-3)


@pytest.mark.parametrize("turn", [0.8, 1.6, 4.0, 176.5, 178.5, 179.2])
@pytest.mark.parametrize("gravity", [NO_ZONALS, field()])
def test_both_pictures_agree_at_the_switch(turn, gravity):
    """Planes that cross at a small angle or nearly opposed, where one picture gives way to the other."""
    first, second = orbit(7400.0, 1e-3, 2e-3, 70.0, 30.0), orbit(7402.0, -6e-4, 4e-4, 70.0 + turn, 31.0)
    switch = kernels.REACH * 7400.0 * np.sin(np.radians(turn))
    distances = [0.5 * switch, 0.99 * switch, 1.01 * switch]
    np.testing.assert_allclose(
        tube(first, second, distances, gravity=gravity), at_nodes(first, second, distances, gravity), rtol=0.01
    )


# --- between planes ---------------------------------------------------------------------------------------------------


def test_enumeration_agrees_between_planes():
    """The exact search counts what the phase average expects.

    Neighbouring shells slip past each other by some forty slots a year, so counts are true to about one part in forty
    of a pair, and ten pairs stand here.
    """
    fleet = propagate(small_fleet(planes=5, satellites=40, step=1.1), years=1.0)
    rates = approach_rates(fleet, within_km=[2.0, 5.0])
    approaches = find_approaches(fleet, within_km=5.0)
    assert not rates["phase_locked"].values[np.triu_indices(5, 1)].any()
    for within in (2.0, 5.0):
        expected = rates["rate"].sel(within_km=within).sum().item()
        counted = int((approaches["miss_distance"] < within).sum())
        assert counted == pytest.approx(expected, rel=0.02)


def test_one_satellite_stands_for_its_plane():
    fleet = propagate(small_fleet(planes=3, satellites=20, step=1.1), years=0.2)
    leaders = fleet.isel(object=np.arange(0, 60, 20))
    whole = approach_rates(fleet, within_km=[2.0, 5.0])
    xr.testing.assert_allclose(approach_rates(leaders, within_km=[2.0, 5.0], satellites=20), whole, rtol=1e-12)


def test_phases_that_stay_are_used_as_they_are():
    """Planes of one altitude are a fixed geometry, which the exact search counts."""
    fleet = propagate(small_fleet(planes=3, satellites=200, step=0.0), years=0.01)
    approaches = find_approaches(fleet, within_km=60.0)
    distances = approaches["miss_distance"].values
    # half way between thresholds that no distance is near
    gaps = np.sort(distances)
    within = [float(0.5 * (gaps[k] + gaps[k + 1])) for k in np.argsort(np.diff(gaps))[-2:]]
    rates = approach_rates(fleet, within_km=within)
    assert rates["phase_locked"].values[np.triu_indices(len(rates["plane"]))].all()
    for threshold in within:
        counted = (distances < threshold).sum() / 0.01
        assert rates["rate"].sel(within_km=threshold).sum().item() == pytest.approx(counted, rel=0.05)


def test_neighbours_in_one_plane_that_are_near():
    """Satellites of one plane 780 km apart: minima of their distance in a few revolutions, by looking."""
    fleet = propagate(small_fleet(planes=1, satellites=60), years=0.02)
    days = np.arange(0.0, 5.0, 0.002)
    states = positions(fleet.isel(object=[0, 1]), fleet["time"].values[0] + (days * 86400e9).astype("timedelta64[ns]"))
    apart = np.linalg.norm(states["position"][1] - states["position"][0], axis=-1)
    minima = np.sort(apart[1:-1][(apart[1:-1] < apart[:-2]) & (apart[1:-1] <= apart[2:])])
    rates = approach_rates(fleet, within_km=[minima[0] - 1.0, minima[-1] + 1.0])
    assert rates["rate"].values[0, 0, 0] == 0.0
    assert rates["phase_locked"].values[np.triu_indices(len(rates["plane"]))].all()
    assert rates["rate"].values[0, 0, 1] == pytest.approx(60.0 * minima.size / 5.0 * 365.25, rel=0.02)


def test_planes_nearly_one_are_not_lost():
    """The same planes turned against each other a little less or more than where relative motion stands in."""
    found = []
    for turn in (1.8, 2.2):
        rows = [[7438.0, 1e-5, 1.16e-3, 86.5, 30.0, 10.0], [7440.0, 1e-5, 1.16e-3, 86.5, 30.0 + turn, 80.0]]
        orbits = propagate(objects_of(rows, plane=[0, 1], held=True), years=0.05)
        found.append(approach_rates(orbits, within_km=[5.0], satellites=30)["rate"].sum().item())
    assert found[0] == pytest.approx(found[1], rel=5e-3)


def test_bands_and_years_add_up():
    fleet = propagate(small_fleet(planes=4, satellites=10, step=1.1), years=1.2)
    total = approach_rates(fleet, within_km=[5.0], by=())
    parts = approach_rates(
        fleet, within_km=[5.0], by=("latitude_band", "altitude_band", "year", "plane"), altitude_step_km=5.0
    )
    assert parts["rate"].dims == ("plane", "year", "altitude_band", "latitude_band", "within_km")
    np.testing.assert_allclose(parts["duration"], [1.0, 0.2], atol=0.05)
    added = total_rate(parts, over=("plane", "year", "altitude_band", "latitude_band"))
    np.testing.assert_allclose(added["rate"], total["rate"], rtol=1e-12)
    # star planes of 86.5 deg cross near the poles and all shells lie from 1,050 to 1,070 km
    near_pole = parts["rate"].sel(latitude_band=[-90.0, 80.0])
    assert near_pole.sum().item() == pytest.approx(parts["rate"].sum().item())


# --- against others ---------------------------------------------------------------------------------------------------


def some_debris(count=60, years=0.25, **options):
    rng = np.random.default_rng(23)
    rows = random_elements(rng, count, perigee=(950.0, 1060.0), inclination=(10.0, 170.0))
    return propagate(objects_of(rows, first=10_001, **options), years=years)


def test_enumeration_agrees_against_debris():
    fleet = propagate(small_fleet(planes=5, satellites=20, step=1.1), years=0.25)
    moved = some_debris(150)
    total = total_rate(approach_rates(fleet, moved, within_km=[10.0, 3.0]), over=("plane", "kind", "year"))
    approaches = find_approaches(fleet, moved, within_km=10.0)
    for j, within in enumerate((3.0, 10.0)):
        expected = 0.25 * total["rate"].values[j]
        counted = int((approaches["miss_distance"] < within).sum())
        # repeated passages of one object are clustered: more than a square root of the count
        assert counted == pytest.approx(expected, abs=4.0 * np.sqrt(expected) + 0.01 * expected)
    assert (total["standard_error"] > 0).all()


def test_resampled_error_closed_form():
    fleet = propagate(small_fleet(planes=2, satellites=10), years=0.05)
    debris = some_debris(80, years=0.05)
    by_object = total_rate(approach_rates(fleet, debris, within_km=[5.0], by=("object", "plane")), over=("plane",))
    values = by_object["rate"].values[:, 0]
    draws = np.random.default_rng(1).choice(values, (20_000, values.size)).sum(axis=1)
    in_the_limit = total_rate(by_object)
    assert in_the_limit["standard_error"].item() == pytest.approx(draws.std(), rel=0.03)
    # 128 draws tell a standard deviation to 1 / sqrt(256); three of those
    drawn = total_rate(approach_rates(fleet, debris, within_km=[5.0]), over=("plane", "kind", "year"))
    assert drawn["rate"].item() == pytest.approx(values.sum(), rel=1e-12)
    assert drawn["standard_error"].item() == pytest.approx(draws.std(), rel=3.0 / 16.0)


def test_blocks_order_and_chunks_do_not_change_a_bit(monkeypatch):
    fleet, debris = propagate(small_fleet(planes=2, satellites=10), years=0.05), some_debris(40, years=0.05).compute()
    options = {"within_km": [0.01, 5.0], "by": ("plane", "kind", "year", "latitude_band")}
    whole = approach_rates(fleet, debris, **options)
    shuffled = debris.isel(object=np.random.default_rng(4).permutation(40))
    backwards = fleet.isel(object=np.arange(20)[::-1])
    cut = debris.chunk(object=7)
    assert isinstance(cut["raan"].data, da.Array)
    monkeypatch.setattr(against, "_LEAST_BLOCK", 3)
    monkeypatch.setattr(against, "_BLOCK_BYTES", 1)
    for others in (shuffled, cut):
        xr.testing.assert_identical(approach_rates(backwards, others, **options), whole)


def test_kinds_are_kept_apart():
    fleet = propagate(small_fleet(planes=2, satellites=10), years=0.05)
    debris = some_debris(40, years=0.05).compute()
    kinds = np.where(np.arange(40) % 3 == 0, "payload", "debris")
    named = debris.assign(kind=("object", kinds, debris["kind"].attrs))
    rates = approach_rates(fleet, named, within_km=[5.0], by=("kind",))
    alone = approach_rates(fleet, debris.isel(object=kinds == "payload"), within_km=[5.0], by=())
    assert rates["kind"].values.tolist() == ["debris", "payload"]
    assert rates["rate"].sel(kind="payload").item() == pytest.approx(alone["rate"].item(), rel=1e-12)


def test_departures_against_others_widen_what_meets():
    # shells 3 km apart whose node turns: a normal departure of 1 km lets them come within 1 km, as a chord tells
    rows = [[7438.0, 1e-5, 1.16e-3, 86.5, 30.0, 10.0], [7441.0, 1e-5, 1.16e-3, 86.5, 90.0, 80.0]]
    orbits = propagate(objects_of(rows, plane=[0, 1], held=True), years=0.05).compute()
    first, second = orbits.isel(object=[0]), orbits.isel(object=[1])
    departure = {"within_km": [0.01, 1.0], "difference": RadiusDifference(1.0, (0.0, 0.0), (0.0, 0.0)), "by": ()}
    among = approach_rates(orbits, satellites=30, **departure)["rate"] / 30.0
    across = approach_rates(first, second, satellites=30, **departure)["rate"]
    np.testing.assert_allclose(across, among, rtol=3e-3)
    assert (approach_rates(first, second, within_km=[1.0], by=())["rate"] == 0.0).all()


def test_what_reenters_counts_until_then():
    fleet = small_fleet(planes=2, satellites=10, altitude=160.0)
    falling = objects_of([[6378.137 + 200.0, 1e-4, 1e-3, 50.5, 30.0, 10.0]], area_to_mass=0.05, first=500)
    orbits, others = propagate(fleet, years=0.03), propagate(falling, years=0.03)
    reentry = others["reentry"].values[0]
    assert reentry < others["time"].values[-1]
    rates = approach_rates(orbits, others, within_km=[100.0], by=())
    approaches = find_approaches(orbits, others, within_km=100.0)
    # the search covers all but the window of the re-entry
    assert rates["rate"].item() * 0.03 > approaches.sizes["approach"]


def test_planes_count_until_one_reenters():
    """The third to re-enter is up for half of the span; what comes after a re-entry changes nothing before."""
    rows = [[6700.1, 1e-4, 1e-3, 53.0, 30.0, 10.0], [6713.4, 1e-4, 1e-3, 53.4, 75.0, 80.0]]
    rows += [[6702.9, 1e-4, 1e-3, 54.0, 160.0, 150.0]]
    orbits = propagate(objects_of(rows, plane=[0, 1, 2], area_to_mass=0.003), years=0.8)
    up = orbits["alive"].values.sum(axis=1).min()
    assert 100 < up < 150
    whole, until = (
        approach_rates(part, within_km=[5.0], satellites=10)["rate"].sel(plane=0, other_plane=2).item() * (nodes - 1)
        for part, nodes in ((orbits, orbits.sizes["time"]), (orbits.isel(time=slice(0, up)), up))
    )
    assert until > 0.0
    # windows of a month are cut elsewhere
    assert whole == pytest.approx(until, rel=0.01)


@pytest.mark.parametrize("difference", [POINT, RadiusDifference(0.0, (0.4,), (0.3,))])
def test_planes_whose_life_is_short(difference):
    """Gaps that drift by tens of kilometres before a re-entry, beside the windows in which others are followed."""
    rows = [[6655.1, 1e-4, 1e-3, 53.0, 30.0, 10.0], [6662.4, 1e-4, 1e-3, 53.4, 75.0, 80.0]]
    orbits = propagate(objects_of(rows, plane=[0, 1], area_to_mass=[0.008, 0.014]), years=0.08).compute()
    assert 8 < orbits["alive"].values.sum(axis=1).min() < 25
    within = {"within_km": [0.01, 1.0, 5.0], "difference": difference, "by": ()}
    among = approach_rates(orbits, satellites=30, **within)["rate"] / 30.0
    across = approach_rates(orbits.isel(object=[0]), orbits.isel(object=[1]), satellites=30, **within)["rate"]
    assert (across > 0.0).all()
    # others are followed in windows in which gaps drift evenly to 0.5 km only
    np.testing.assert_allclose(among, across, rtol=0.06)
    if difference.is_point:
        np.testing.assert_allclose(among, _until_the_last_node(orbits, within["within_km"]), rtol=4e-3)


def _until_the_last_node(orbits, distances):
    """Slow twin: node by node on 20,000 instants, of 30 satellites with one; little comes near after the last node."""
    _, spacing, count = node_clock(orbits)
    up = int(orbits["alive"].values.sum(axis=1).min()) - 1
    instants = np.linspace(0.0, up * spacing * (1.0 - 1e-12), 20_001)
    at = crossings_of(orbits, trains_of(orbits), within_km=5.0, instants=instants)
    gap, c, v_perp = (values[0, :, :, None] for values in (at.gap, at.c, at.v_perp))
    chords = 2.0 * np.sqrt(np.maximum(np.array(distances) ** 2 - (c * gap) ** 2, 0.0)) / v_perp
    return 30 * at.passages[0] * chords.mean(axis=0).sum(axis=0) * up / (count - 1) * YEAR.value


def test_neighbours_in_one_plane_count_until_they_reenter():
    rows = [[6655.1, 1e-4, 1e-3, 53.0, 30.0, 6.0 * k] for k in range(60)]
    orbits = propagate(objects_of(rows, plane=np.zeros(60), area_to_mass=0.012), years=0.2).compute()
    up = int(orbits["alive"].values.sum(axis=1).min())
    assert 8 < up < 30
    before, until, whole = (
        approach_rates(part, within_km=[720.0])["rate"].item() * (part.sizes["time"] - 1)
        for part in (orbits.isel(time=slice(0, up - 1)), orbits.isel(time=slice(0, up)), orbits)
    )
    # after its last node it goes on as in the interval before, until it re-enters
    times = orbits["time"].values
    rest = (orbits["reentry"].values[0] - times[up - 1]) / (times[1] - times[0])
    assert 0.2 < rest < 0.8
    assert whole - until == pytest.approx(rest * (until - before), rel=0.01)


def test_pairs_stand_by_the_numbers_of_their_planes():
    fleet = propagate(small_fleet(planes=3, satellites=8, step=1.1), years=0.1).compute()
    names = np.array([7, 2, 5])
    named = fleet.assign(plane=("object", names[fleet["plane"].values], fleet["plane"].attrs))
    rates, expected = (approach_rates(orbits, within_km=[5.0]) for orbits in (named, fleet))
    assert rates["plane"].values.tolist() == rates["other_plane"].values.tolist() == [2, 5, 7]
    lower = np.tril_indices(3, -1)
    assert (rates["rate"].values[lower] == 0.0).all()
    assert not rates["phase_locked"].values[lower].any()
    for first, second in ((0, 1), (0, 2), (1, 2)):
        low, high = sorted(names[[first, second]])
        for name in ("rate", "phase_locked"):
            np.testing.assert_array_equal(
                rates[name].sel(plane=low, other_plane=high), expected[name].sel(plane=first, other_plane=second)
            )
    assert (expected["rate"].values[np.triu_indices(3, 1)] > 0.0).all()


def test_derelict_in_its_own_plane_is_not_lost():
    plane = small_fleet(planes=1, satellites=30)
    derelict = objects_of([[7438.9, 6e-5, 1.2e-3, 86.5, 0.0, 47.0]], first=99)
    orbits, others = propagate(plane, years=0.02), propagate(derelict, years=0.02)
    pace = [side["mean_argument_of_latitude_rate"].values[0, 0] / 360.0 for side in (orbits, others)]
    # it drifts past all satellites once a synodic period
    expected = 30.0 * abs(pace[0] - pace[1]) * 365.25
    assert approach_rates(orbits, others, within_km=[3.0], by=())["rate"].item() == pytest.approx(expected, rel=0.01)


def test_the_equator_is_no_exception():
    """Orbits at the equator, whose node runs about, meet a polar plane as often as those half a degree from it."""
    fleet = propagate(small_fleet(planes=2, satellites=10), years=0.1)
    rows = [[7438.0, 0.0, 0.0, inclination, 0.0, 5.0] for inclination in (0.0, 0.5, 179.5, 180.0)]
    rates = approach_rates(fleet, propagate(objects_of(rows, first=101), years=0.1), within_km=[50.0], by=("object",))[
        "rate"
    ]
    np.testing.assert_allclose(rates[[0, 3], 0], rates[[1, 2], 0], rtol=0.01)


def test_no_others_no_rate():
    fleet = propagate(small_fleet(planes=2, satellites=10), years=0.05)
    nobody = some_debris(2, years=0.05).isel(object=slice(0, 0))
    assert (approach_rates(fleet, nobody, within_km=[5.0], by=("plane", "year"))["rate"] == 0.0).all()


def test_kinetic_theory_agrees_where_nodes_are_at_random():
    # e = 0.03 on twelve nodes: those and perigees turn many times in ten years, though not quite independently
    fleet = propagate(small_fleet(planes=1, satellites=10, inclination=53.0), years=10.0)
    rows = [[7600.0, 0.02 * np.cos(k), 0.03 * np.sin(k), 98.0, 30.0 * k, 5.0] for k in range(12)]
    debris = propagate(objects_of(rows, area_to_mass=1e-4, first=101), years=10.0)
    kinetic = kinetic_rates(fleet, debris, within_km=[10.0])
    assert kinetic["nodes_at_random"].all()
    average = approach_rates(fleet, debris, within_km=[10.0], by=("object", "plane"))
    assert kinetic["rate"].sum().item() == pytest.approx(average["rate"].sum().item(), rel=0.05)


def test_kinetic_theory_at_the_equator():
    """An orbit at the equator is met as often as one next to it."""
    fleet = propagate(small_fleet(planes=1, satellites=10, inclination=53.0), years=0.1)
    rows = [[7440.0, 2e-5, 3e-5, inclination, 40.0, 5.0] for inclination in (0.0, 0.01, 179.99, 180.0)]
    rate = kinetic_rates(fleet, propagate(objects_of(rows, first=101), years=0.1), within_km=[10.0])["rate"].values
    assert (rate > 0.0).all()
    np.testing.assert_allclose(rate[[0, 3]], rate[[1, 2]], rtol=1e-3)


def test_kinetic_theory_names_faults():
    loose = propagate(objects_of([[7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]]), years=0.01)
    with pytest.raises(InputError, match=r"(?s)within_km 'far'; expected thresholds > 0.*expected whole planes"):
        kinetic_rates(loose, loose, within_km="far")
    flat = propagate(objects_of([[7438.0, 1e-4, 1e-3, 0.0, 30.0, 10.0]], plane=[3], held=True), years=0.01)
    flat["inclination"][:] = 0.0
    with pytest.raises(InputError, match=r"planes \[3\] and objects \[1\] at the equator; expected one side inclined"):
        kinetic_rates(flat, flat, within_km=[1.0])


def test_faults_are_named():
    loose = propagate(objects_of([[7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]]), years=0.01)
    with pytest.raises(
        InputError,
        match=r"(?s)within_km \[0.0\]; expected thresholds > 0, and finite.*expected whole planes.*"
        r"by \('kind',\); expected each of plane, other_plane.*satellites 0, with.*"
        r"latitude_step_deg -1.0; expected more than zero",
    ):
        approach_rates(loose, within_km=[0.0], by=("kind",), satellites=0, latitude_step_deg=-1.0)
    fleet = propagate(small_fleet(planes=2, satellites=3), years=0.01)
    for within in ("5", ["5"], 5.0, []):
        with pytest.raises(InputError, match=r"(?s)within_km .*expected thresholds > 0, and finite"):
            approach_rates(fleet, loose, within_km=within)
    with pytest.raises(InputError, match="expected object or kind, as objects have one kind"):
        approach_rates(fleet, loose, within_km=[1.0], by=("kind", "object"))
    mixed = xr.concat([loose, fleet.isel(object=[4])], "object")
    with pytest.raises(InputError, match=r"on both sides: 5; expected different objects"):
        approach_rates(fleet, mixed, within_km=[1.0])
    with pytest.raises(InputError, match="no satellites in the orbits; expected at least one plane"):
        approach_rates(fleet.isel(object=slice(0, 0)), within_km=[1.0])
    with pytest.raises(InputError, match=r"over \('year',\); expected dimensions of the rates"):
        total_rate(approach_rates(fleet, within_km=[1.0]), over=("year",))
