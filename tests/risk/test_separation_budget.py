"""The separation budget of a fleet."""

import numpy as np
import pytest
import xarray as xr
from scipy import stats

import shells
from shells.approaches.rates import approach_rates
from shells.approaches.trains import trains_of
from shells.errors import InputError
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.ripple.tesserals import over_longitudes, ripple_terms
from shells.motion.shape import semi_major_axis
from shells.risk.separation.budget import BUDGET, budget_of_planes, separation_budget
from shells.risk.separation.phase_averaged import node_gaps
from shells.risk.separation.states import contact, states_of
from shells.risk.separation.terms import TERMS
from tests.populations import objects_of

NO_FAULTS = ControlFaults(0.0)
STEP = 20
TOLERANCES = Tolerances("bounded", 60.0, 8e-5, 9.0, 6.0, 1.5)


def stacked(*, planes=4, satellites=5, altitude=1200.0, inclination=87.9, step=3.0, order="monotone", pattern="star"):
    fleet = shells.walker(
        total=planes * satellites,
        planes=planes,
        phasing=1,
        pattern=pattern,
        altitude_km=altitude,
        inclination_deg=inclination,
        raan_deg=7.0,
        hard_body_radius_m=4.0,
    )
    return shells.freeze(shells.stack(fleet, step_km=step, order=order))


@pytest.fixture(scope="module")
def budget():
    return separation_budget(stacked(), TOLERANCES, years=0.5)


@pytest.fixture(scope="module")
def leaders():
    fleet = stacked()
    return shells.propagate(fleet.isel(object=fleet["slot"].values == 0), years=0.5).compute()


def term(budget, name, variable="scale", **at):
    return budget[variable].sel(term=name, **at).values


def test_gap_is_that_of_the_frozen_surfaces(budget):
    # Closed form: gap of two frozen surfaces against latitude, which leaves up to 15 m; of one inclination less.
    np.testing.assert_allclose(budget["gap"], budget["gap_frozen"], rtol=0, atol=2e-3)
    np.testing.assert_allclose(budget["separation_present"], [3.0, 6.0, 9.0, 3.0, 6.0, 3.0], rtol=1e-9)
    np.testing.assert_array_equal(
        np.stack([budget["lower_plane"], budget["upper_plane"]]).T[:4], [[0, 1], [0, 2], [0, 3], [1, 2]]
    )


@pytest.mark.parametrize(
    ("upper", "taken", "smallest", "largest"), [(53.2, 0.059, 9.941, 10.072), (43.0, 2.292, 7.708, 11.742)]
)
def test_published_gaps(upper, taken, smallest, largest):
    # Published table of gaps between frozen shells 10 km apart, 550 km and 53 deg below: nodes of any two planes lie
    # between the smallest and the largest gap, and reach within 15 m of what the closed form has at their latitude.
    rows = []
    for k, (height, inclination) in enumerate(((550.0, 53.0), (560.0, upper))):
        radius = 6378.1363 + height
        e = shells.frozen_orbit(radius, inclination).eccentricity
        rows += [
            [semi_major_axis(radius, inclination), 0.0, e, inclination, node + 41.0 * k, 10.0] for node in (0.0, 120.0)
        ]
    fleet = objects_of(rows, plane=[0, 1, 2, 3], held=True, radius=4.0)
    found = separation_budget(fleet, TOLERANCES, years=0.1)
    across = found.isel(pair=np.flatnonzero(found["separation_present"].values > 1.0))
    np.testing.assert_allclose(across["gap"], across["gap_frozen"], rtol=0, atol=0.015)
    assert across["gap"].min() > smallest - 0.015 and across["gap"].max() < largest + 0.015
    assert term(across, "frozen surfaces", "reach", tail="bounded").max() <= taken + 0.015


def test_terms(budget):
    # Closed forms, of two satellites that depart independently: 2 a e at most, half of it a standard deviation of each
    # component; 2 b of a dead-band and b / sqrt(3); an excursion by way over 3 pi; 5 sigma of normal errors.
    a = 7578.137
    at = {"pair": 0, "node": 0}
    swing, excursion = a * 8e-5, 1.5 / (3.0 * np.pi)
    found = {name: (float(term(budget, name, **at)), *term(budget, name, "reach", **at)) for name in TERMS}
    root = np.sqrt(2.0)
    np.testing.assert_allclose(found["eccentricity vectors"], (swing / root, 5 * swing / root, 2 * swing), rtol=1e-3)
    both = 0.06 * np.sqrt(2.0 / 3.0)
    np.testing.assert_allclose(found["semi-major axis limit cycles"], (both, 5 * both, 0.12), rtol=1e-12)
    both = excursion * np.sqrt(2.0 / 3.0)
    np.testing.assert_allclose(found["excursions"], (both, 5 * both, 2.0 * excursion), rtol=1e-12)
    np.testing.assert_allclose(found["orbit determination"], np.array([1, 5, 5]) * 0.009 * root, rtol=1e-12)
    np.testing.assert_allclose(found["manoeuvres"], np.array([1, 5, 5]) * 0.006 * root, rtol=1e-12)
    np.testing.assert_allclose(found["hard bodies"], (0.0, 0.008, 0.008), rtol=1e-12)
    still = [found[name][1:] for name in ("frozen surfaces", "motion of the planes", "hard bodies")]
    scatter = [found[name][0] for name in TERMS]
    normal = np.sum(still, axis=0)[0] + 5.0 * np.sqrt(
        np.sum(np.square(scatter)) - found["motion of the planes"][0] ** 2
    )
    np.testing.assert_allclose(budget["worst_case"].sel(tail="normal", **at), normal, rtol=1e-9)
    bounded = sum(values[2] for name, values in found.items() if name not in ("orbit determination", "manoeuvres"))
    bounded += 5.0 * root * np.hypot(0.009, 0.006)
    np.testing.assert_allclose(budget["worst_case"].sel(tail="bounded", **at), bounded, rtol=1e-9)
    ranks = budget["driver_rank"].sel(tail="bounded", pair=0)
    assert sorted(ranks.values) == list(range(1, len(TERMS) + 1))
    assert ranks.sel(term="eccentricity vectors") == 1 and ranks.sel(term="excursions") == 2


def test_ripple_of_published_size():
    # Published sizes: near-circular orbits of 550 km and 53 deg, 800 km and 98.6 deg, 1,200 km and 87.9 deg have 31 to
    # 55 m RMS of ripple difference at 15 deg of node difference, 87 to 177 m at 90 deg.
    for altitude, inclination in ((550.0, 53.0), (800.0, 98.6), (1200.0, 87.9)):
        fleet = stacked(planes=12, satellites=1, altitude=altitude, inclination=inclination)
        found = separation_budget(fleet.isel(object=[0, 1, 6]), TOLERANCES, years=0.05)
        rms = np.sqrt((term(found, "tesseral ripple") ** 2).mean(axis=-1)) * 1000.0
        assert 30.5 < rms[0] < 55.5
        assert 86.5 < rms[1] < 177.5


def test_ripple_along_trajectories():
    # Other method: positions with and without tesserals through a day; at each passage of a mutual node the radius is
    # lifted by so much, over such a longitude. Pairs stand both ways round in altitude.
    objects = stacked(planes=3, satellites=1, order=[1, 0, 2])
    orbits = shells.propagate(objects, years=4.0 / 365.25).compute()
    gaps = node_gaps(orbits, trains_of(orbits), satellites=1, within_km=0.008)
    times = orbits["time"].values[0] + np.arange(0, 4 * 86400, STEP) * np.timedelta64(1, "s")
    plain, lifted = (shells.positions(orbits, times, tesserals=on) for on in (False, True))
    radial = np.linalg.norm(lifted["position"], axis=-1) - np.linalg.norm(plain["position"], axis=-1)
    for k, rows in enumerate(gaps.pairs):
        normals = []
        for row in rows:
            i, node = np.radians(objects["inclination"].values[row]), np.radians(objects["raan"].values[row])
            normals.append(np.array([np.sin(i) * np.sin(node), -np.sin(i) * np.cos(node), np.cos(i)]))
        first, second = np.argsort(rows)
        line = np.cross(normals[first], normals[second])
        for node, direction in enumerate((line, -line)):
            lifts = []
            for side, row in enumerate(rows):
                place = plain["position"].values[row]
                across = place @ normals[1 - side]
                at = np.flatnonzero((np.sign(across[1:]) != np.sign(across[:-1])) & (place[1:] @ direction > 0.0))
                part = across[at] / (across[at] - across[at + 1])
                lift = radial[row, at] + part * (radial[row, at + 1] - radial[row, at])
                # the Earth turns under the node, which stands nearly still
                longitude = -7.2921158553e-5 * STEP * (at + part)
                # passages are hours apart but fall everywhere in days: harmonics to 8 of longitude
                fitted = np.linalg.lstsq(harmonics(longitude), lift, rcond=None)[0]
                lifts.append(harmonics(2.0 * np.pi * np.arange(240) / 240) @ fitted)
            apart, found = lifts[1] - lifts[0], over_longitudes(gaps.ripple_km[k, 0, node], 240)
            assert apart.std() == pytest.approx(found.std(), rel=0.02)
            assert apart.min() == pytest.approx(found.min(), rel=0.02)
            assert apart.max() == pytest.approx(found.max(), rel=0.02)


def test_ripple_follows_the_nodes():
    # Other method: as above, a month on: planes of 53 and 74 deg turn against each other by 2 deg a day, and the places
    # where they cross are others. Normals and longitudes are those of the trajectories.
    rows = []
    for height, inclination, node in ((1000.0, 53.0, 7.0), (1004.0, 74.0, 41.0)):
        radius = 6378.137 + height
        e = shells.frozen_orbit(radius, inclination).eccentricity
        rows.append([semi_major_axis(radius, inclination), 0.0, e, inclination, node, 10.0])
    objects = objects_of(rows, plane=[0, 1], held=True, radius=4.0)
    orbits = shells.propagate(objects, years=60.0 / 365.25).compute()
    gaps = node_gaps(orbits, trains_of(orbits), satellites=1, within_km=0.008)
    assert gaps.gap_km.shape[1] == 3
    half = (orbits["time"].values[-1] - orbits["time"].values[0]) / 2
    # passages of two days, over which the ripple changes by some per cent either way
    seconds = np.arange(-86400, 86400, STEP)
    times = orbits["time"].values[0] + half + seconds * np.timedelta64(1, "s")
    plain, lifted = (shells.positions(orbits, times, tesserals=on) for on in (False, True))
    radial = np.linalg.norm(lifted["position"], axis=-1) - np.linalg.norm(plain["position"], axis=-1)
    place = plain["position"].values
    normals = np.cross(place[:, :-1], place[:, 1:])
    normals /= np.linalg.norm(normals, axis=-1)[..., None]
    line = np.cross(normals[0], normals[1])
    for node, direction in enumerate((line, -line)):
        lifts = []
        for side in (0, 1):
            across = (place[side, :-1] * normals[1 - side]).sum(axis=-1)
            ahead = (place[side, :-1] * direction).sum(axis=-1) > 0.0
            at = np.flatnonzero((np.sign(across[1:]) != np.sign(across[:-1])) & ahead[1:])
            part = across[at] / (across[at] - across[at + 1])
            lift = radial[side, at] + part * (radial[side, at + 1] - radial[side, at])
            ascension = np.arctan2(direction[at, 1], direction[at, 0])
            longitude = ascension - 7.2921158553e-5 * (seconds[at] + STEP * part)
            fitted = np.linalg.lstsq(harmonics(longitude), lift, rcond=None)[0]
            lifts.append(harmonics(2.0 * np.pi * np.arange(240) / 240) @ fitted)
        apart, found = lifts[1] - lifts[0], over_longitudes(gaps.ripple_km[0, 1, node], 240)
        assert apart.std() == pytest.approx(found.std(), rel=0.03)
        assert apart.min() == pytest.approx(found.min(), rel=0.03)
        # at the start it was another
        assert found.std() != pytest.approx(over_longitudes(gaps.ripple_km[0, 0, node], 240).std(), rel=0.1)


def harmonics(longitude):
    orders = np.arange(1, 9) * longitude[:, None]
    return np.concatenate([np.ones((longitude.size, 1)), np.cos(orders), np.sin(orders)], axis=1)


def test_collisions_are_those_of_the_rates(leaders):
    # Other method: phase-averaged approaches within the bodies, times the satellites of both planes; without ripple.
    tolerances, faults = Tolerances("normal", 300.0, 1e-4), ControlFaults(2.0, 6.0, 30.0)
    gaps = node_gaps(leaders, trains_of(leaders), satellites=5, within_km=0.008)
    still = gaps.without_ripple()
    for state in states_of(tolerances, faults, 7578.137):
        rates = approach_rates(leaders, within_km=[0.008], difference=state.difference)["rate"].sel(within_km=0.008)
        expected = 25.0 * state.share * rates.values[gaps.pairs[:, 0], gaps.pairs[:, 1]]
        found = still.approaches(gaps.separation_km, [state], 0.008)
        # the table of the tail is linear between cells: some 1e-5 of the square of the distance in sigmas
        np.testing.assert_allclose(found, expected, rtol=3e-3)
        np.testing.assert_allclose(found[expected > 1e-9], expected[expected > 1e-9], rtol=2e-4)


def test_collisions_without_departures(leaders):
    # Brute force: 20,000 longitudes, between which the ripple changes by decimetres; bodies of 8 m meet it seldom.
    gaps = node_gaps(leaders, trains_of(leaders), satellites=5, within_km=0.008)
    state = states_of(Tolerances("bounded", 0.0, 0.0), NO_FAULTS, 7578.137)
    touch = contact(state[0].difference, 0.008)
    for separation in (0.02, 0.05, 0.08):
        found = gaps.approaches(np.full(6, separation), state, 0.008)
        moved = gaps.gap_km + (separation - gaps.separation_km)[:, None, None]
        density = [
            touch.density(gap[..., None] + over_longitudes(waves, 20_000)).mean(axis=-1)
            for gap, waves in zip(moved, gaps.ripple_km, strict=True)
        ]
        per_second = gaps.passages * np.array(density)
        mean = 0.5 * (per_second[:, 1:] + per_second[:, :-1]).mean(axis=1).sum(axis=-1)
        expected = 25.0 * np.pi * 0.008**2 * 365.25 * 86400.0 * mean
        # the straight step in place of the ripple is off by 2e-3 of the highest order, some decimetres of 8 m
        np.testing.assert_allclose(found, expected, rtol=2e-2)
        assert (expected > 0.0).any()


def test_overlap_chance(leaders):
    # Closed form: a normal tail, with the ripple as it is averaged over the longitudes.
    tolerances = Tolerances("normal", 500.0, 0.0)
    found = budget_of_planes(leaders, tolerances, satellites=5, faults=NO_FAULTS)
    gaps = node_gaps(leaders, trains_of(leaders), satellites=5, within_km=0.008)
    gap = gaps.gap_km[..., None] + over_longitudes(gaps.ripple_km, 240)
    expected = stats.norm.sf(gap / np.hypot(0.5 * np.sqrt(2.0), 0.004)).mean(axis=(1, 3))
    np.testing.assert_allclose(found["overlap_chance"].sel(tail="normal"), expected, rtol=1e-2)
    assert (found["overlap_chance"].sel(tail="bounded") == 0.0).all()


def test_target_is_met_at_the_separation_and_step(leaders):
    # Property: the fleet stacked anew with the step has the collisions of the target; so has each pair its share.
    target = 1e-5
    for tolerances in (Tolerances("bounded", 50.0, 1e-4), Tolerances("normal", 50.0, 5e-5)):
        found = budget_of_planes(leaders, tolerances, satellites=5, faults=NO_FAULTS, target_per_year=target)
        step = float(found["step"].sel(tail=tolerances.distribution))
        again = separation_budget(
            stacked(step=step), tolerances, faults=NO_FAULTS, target_per_year=target, years=0.5
        ).sel(tail=tolerances.distribution)
        # a surface moves by 1e-4 of the change of step, and collisions by a tenth where it moves by a metre
        assert float(again["collisions_control"].sum()) == pytest.approx(target, rel=0.1)
        assert float(again["step"]) == pytest.approx(step, rel=1e-3)


def test_twice_the_tolerances_and_faults(leaders):
    # Closed form: disc, dead-band and fault rate twice as large move the full step as they move the closed one.
    once = Tolerances("bounded", 100.0, 5e-5), ControlFaults(0.0), 1e-6
    fault = Tolerances("bounded", 100.0, 5e-5), ControlFaults(0.05, 3.0, 7.0), 1e-7
    for before, after in (
        (once, (Tolerances("bounded", 100.0, 1e-4), *once[1:])),
        (once, (Tolerances("bounded", 200.0, 5e-5), *once[1:])),
        (fault, (fault[0], ControlFaults(0.1, 3.0, 7.0), fault[2])),
    ):
        moved = {"step": [], "step_closed_form": []}
        for tolerances, faults, target in (before, after):
            found = budget_of_planes(leaders, tolerances, satellites=5, faults=faults, target_per_year=target)
            for name, values in moved.items():
                values.append(found[name].values)
        full, closed = np.diff(moved["step"], axis=0), np.diff(moved["step_closed_form"], axis=0)
        assert (closed > 0.05).all()
        np.testing.assert_allclose(full, closed, rtol=0.1)


def test_shares_of_faults_are_shown(budget):
    assert (budget["fault_share"] > 0.0).all() and (budget["step_fault_share"] > 0.0).all()
    bounded = budget.sel(tail="bounded")
    # 3 km apart, twice the tolerances' reach: nobody meets but by a fault
    assert (bounded["collisions_control"] == 0.0).all() and (bounded["collisions_fault"] > 0.0).all()


def test_differences_add_up_and_are_told(budget):
    apart = budget["separation"] - budget["separation_closed_form"]
    np.testing.assert_allclose(budget["difference_by_orbits"] + budget["difference_by_ripple"], apart, atol=1e-12)
    assert "closed form" in budget.attrs["text"] and "control faults" in budget.attrs["text"]


def test_order_of_objects_and_planes_turned_over():
    # Property: the order of objects changes nothing, to the last bit; a stack turned over swaps lower and upper.
    fleet = stacked(planes=3)
    once = separation_budget(fleet, TOLERANCES, years=0.1)
    again = separation_budget(fleet.isel(object=np.random.default_rng(3).permutation(15)), TOLERANCES, years=0.1)
    xr.testing.assert_identical(once, again)
    turned = separation_budget(stacked(planes=3, order=[2, 1, 0]), TOLERANCES, years=0.1)
    pairs = {
        (int(low), int(high))
        for low, high in zip(turned["lower_plane"].values, turned["upper_plane"].values, strict=True)
    }
    assert pairs == {(1, 0), (2, 0), (2, 1)}
    assert (turned["gap"] > 2.9).all()
    BUDGET.check(turned, stage="test")


def test_ten_years():
    # Limits: the last of the instants lies at the last node in time, whose place rounding must not move beyond it.
    fleet = stacked(planes=2, satellites=1)
    orbits = shells.propagate(fleet, years=10.0).compute()
    gaps = node_gaps(orbits, trains_of(orbits), satellites=1, within_km=0.008)
    assert np.isfinite(gaps.gap_km).all()
    # held planes keep their gap to metres: Sun and Moon move inclinations and nodes alone
    assert 0.0 < np.abs(gaps.drift_km).max() < 0.01


def test_planes_on_one_shell():
    # Limits: no step helps planes that share a shell; their pair needs a separation all the same.
    found = separation_budget(stacked(planes=2, step=0.0), TOLERANCES, faults=NO_FAULTS, years=0.1)
    assert np.isnan(found["step"]).all() and np.isnan(found["step_fault_share"]).all()
    assert found["phase_locked"].all() and (found["separation"] > 0.2).all()
    assert found.attrs["text"].startswith(
        "All planes share one shell, which no step takes apart. The phases of 1 pair of"
    )


def test_planes_of_one_shell_that_keep_their_phases():
    # Other method: two planes on each of two shells, whose phases pass each other at 400 km or more: exact relative
    # motion has none of them within 5 m. The step is that of the pairs across, as if each were a fleet of its own.
    low, high = (
        shells.walker(
            total=10,
            planes=2,
            pattern="star",
            phasing=1,
            altitude_km=height,
            inclination_deg=87.6,
            raan_deg=node,
            hard_body_radius_m=4.0,
        )
        for height, node in ((1000.0, 3.0), (1004.0, 44.0))
    )
    high = high.assign_coords(object=high["object"].copy(data=high["object"].values + 100))
    high["plane"] = high["plane"].copy(data=high["plane"].values + 2)
    fleet = shells.freeze(xr.concat([low, high], "object", data_vars="minimal", combine_attrs="override"))
    rates = approach_rates(shells.propagate(fleet, years=0.5).compute(), within_km=[0.008, 5.0])["rate"]
    assert (rates.sel(within_km=0.008) == 0.0).all()
    tolerances = Tolerances("bounded", 60.0, 2e-5)
    found = separation_budget(fleet, tolerances, faults=NO_FAULTS, target_per_year=1e-6, years=0.5)
    np.testing.assert_array_equal(found["phase_locked"], [True, False, False, False, False, True])
    bounded = found.sel(tail="bounded")
    # averages over random phases, which these are not
    assert (bounded["collisions_control"].values[[0, 5]] > 1e-4).all()
    across = fleet.isel(object=np.flatnonzero(np.isin(fleet["plane"], [0, 2])))
    alone = separation_budget(across, tolerances, faults=NO_FAULTS, target_per_year=1e-6, years=0.5)
    assert float(bounded["step"]) == pytest.approx(float(alone["step"].sel(tail="bounded")), abs=0.05)
    assert float(bounded["step_closed_form"]) == pytest.approx(float(bounded["step"]), rel=0.1)
    text = found.attrs["text"]
    assert "Planes 0 and 1 have" not in text and "2 of them, on one shell, left out of the step." in text


def test_where_no_separation_is_enough(leaders):
    # Limits: dead-bands of 300 km, normal, against one collision in a billion years: all is missing, and not said.
    found = budget_of_planes(leaders, Tolerances("normal", 300e3, 0.0), satellites=5, target_per_year=1e-9)
    for name in ("separation", "fault_share", "step", "step_fault_share"):
        assert np.isnan(found[name].sel(tail="normal")).all()
    text = found.attrs["text"]
    assert text.startswith("No step up to 1,000 km meets") and "nan" not in text and "differs" not in text


def test_a_target_that_is_met_at_any_step(leaders):
    # Limits: planes of one altitude, whose shells all cross, have some 0.1 collisions a year.
    found = budget_of_planes(leaders, TOLERANCES, satellites=5, faults=NO_FAULTS, target_per_year=10.0)
    assert (found["step"] == 0.0).all() and (found["step_closed_form"] == 0.0).all()
    assert (found["step_fault_share"] == 0.0).all()


def test_errors():
    fleet = stacked(planes=2)
    with pytest.raises(InputError) as error:
        separation_budget(fleet.isel(object=slice(1, None)), TOLERANCES, years=0.0, target_per_year=-1.0)
    assert str(error.value).splitlines() == [
        "separation_budget: arguments cannot be used:",
        "  - years: 0 yr found; allowed: 0.01 to 100 yr",
        "  - target_per_year: -1 1/yr found; allowed: 1e-30 to 1e+06 1/yr",
        "  - plane: 4 to 5 satellites a plane found; allowed: planes of equal size",
    ]
    bodies = fleet.assign(hard_body_radius=fleet["hard_body_radius"] * np.arange(10))
    bodies["hard_body_radius"].attrs = fleet["hard_body_radius"].attrs
    with pytest.raises(InputError, match=r"hard_body_radius: 0 to 36 m found; allowed: one radius of all satellites"):
        separation_budget(bodies, TOLERANCES, years=0.05)
    orbits = shells.propagate(fleet, years=0.05).compute()
    with pytest.raises(InputError, match="2 planes of 10 orbits found; allowed: two or more, one orbit each"):
        budget_of_planes(orbits, TOLERANCES, satellites=5)
    with pytest.raises(InputError, match="1 planes of 1 orbits found"):
        budget_of_planes(orbits.isel(object=[0]), TOLERANCES, satellites=5)
    rows = [[7578.0, 1e-5, 1e-3, 87.9, 10.0, 5.0], [7581.0, 1e-5, 1e-3, 87.9, 10.0, 5.0]]
    with pytest.raises(InputError, match="planes 0 and 1 lie in nearly one or opposed planes"):
        separation_budget(objects_of(rows, plane=[0, 1], held=True), TOLERANCES, years=0.05)


def test_ripple_needs_an_orbit_out_of_resonance():
    with pytest.raises(InputError, match="resonant"):
        ripple_terms(20270.0, 1.0)
