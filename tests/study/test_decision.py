"""The separation decision on real kernels: closed forms of the risk between two shells, and what is refused."""

import numpy as np
import pytest
import xarray as xr
from scipy.optimize import brentq
from scipy.special import factorial

import shells
from shells import constants
from shells.fleet.radius_difference import radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.ripple.tesserals import ripple_difference, ripple_terms
from shells.risk.separation.own_plane import collisions_in_own_planes
from shells.schema import RATES
from shells.study import block
from shells.study.cases import Layout, layouts_of, scenarios_of
from shells.study.configuration import load_study
from shells.study.decision import assemble, independent, planes_of
from shells.study.sensitivity import Assumptions, required_step, target_quantity
from shells.study.stacked import Stacked

TEXT = """
[study]
name = "decision"
start = 2031-04-01T00:00:00Z
years = 0.3
seed = 1
[fleet]
pattern = "{pattern}"
planes = {planes}
satellites_per_plane = 20
altitude_km = 1060.0
inclination_deg = {inclination}
mass_kg = 200.0
drag_area_m2 = 2.0
hard_body_radius_m = 5.0
frozen = {frozen}
[tolerances]
distribution = "normal"
mean_radius_m = 1000.0
eccentricity = 0.0
[faults]
per_satellite_year = {faults}
offset_km = 10.0
duration_days = 30.0
[sweep]
step_km = [2.0, 5.0, 8.0, 15.0]
[target]
quantity = "collisions"
value = 1.0e-4
years = 10.0
scope = "fleet"
"""


def study_of(tmp_path, *, pattern="star", planes=2, inclination=86.5, frozen="true", faults=0.02):
    path = tmp_path / "study.toml"
    path.write_text(TEXT.format(pattern=pattern, planes=planes, inclination=inclination, frozen=frozen, faults=faults))
    return load_study(path)


def test_two_shells_closed_form(tmp_path):
    # N1 N2 (2 n / pi a) / cos(beta / 2) times the integral of sqrt(R^2 - x^2) over the normal density of the gap (rate
    # of two shells, package notes; with R far below sigma, pi R^2 / 2 times the density)
    decided = shells.choose_separation(study_of(tmp_path))
    radius, body = 7438.137, 0.01
    terms = ripple_terms(radius, np.radians(86.5))
    # in these wide tolerances the ripple of planes a quarter turn apart is one more normal term
    sigma = np.hypot(np.sqrt(2.0), float(ripple_difference(terms, terms, np.radians(90.0)).rms))
    beta = np.arccos(np.cos(np.radians(86.5)) ** 2 + np.sin(np.radians(86.5)) ** 2 * np.cos(np.radians(90.0)))
    motion = np.sqrt(398600.4415 / radius**3) * 365.25 * 86400.0 / (2.0 * np.pi)  # revolutions a year
    spent = 0.02 * 30.0 / 365.25
    for j, step in enumerate((2.0, 5.0, 8.0, 15.0)):

        def per_year(spread, gap=step):
            density = np.exp(-0.5 * (gap / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi))
            return 400 * 2.0 * motion / (np.pi * radius) / np.cos(beta / 2.0) * np.pi * body**2 / 2.0 * density

        gap = decided["smallest_gap"].values[j]
        assert gap == pytest.approx(step, abs=2e-2)
        held, fault = per_year(sigma), per_year(np.hypot(sigma, 10.0))
        assert decided["collisions_control"].values[j] == pytest.approx(held * (1 - spent) ** 2, rel=0.06)
        assert decided["collisions_fault"].values[j] == pytest.approx(fault * 2 * spent * (1 - spent), rel=0.02)


def test_own_planes_stand_beside_the_decision(tmp_path):
    # Circles of one size meet nobody; with eccentricity vectors the number is that of the formula, whatever the step,
    # and the target does not see it.
    circles = shells.choose_separation(study_of(tmp_path))
    assert (circles["collisions_own_plane"] == 0.0).all()
    assert " Satellites in faults are not expected to meet others of their own plane." in circles.attrs["text"]
    study = changed(tmp_path, ("eccentricity = 0.0", "eccentricity = 2.0e-4\ncross_track_km = 0.3"))
    decided = shells.choose_separation(study)
    # rate of the node to first order in J2: -3/2 n J2 (R / a)^2 cos i
    motion = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / 7438.137**3) * constants.DAY.value
    first_order = 1.5 * motion * 1.08262668e-3 * (constants.REFERENCE_RADIUS.value / 7438.137) ** 2
    expected = collisions_in_own_planes(
        Tolerances("normal", 1000.0, 2e-4, cross_track_km=0.3),
        ControlFaults(0.02, 10.0, 30.0),
        planes=2,
        satellites=20,
        radius_km=7438.137,
        bodies_km=0.01,
        inclination_deg=86.5,
        node_rate_deg_per_day=np.degrees(-first_order * np.cos(np.radians(86.5))),
    )
    assert expected > 0.0
    np.testing.assert_allclose(decided["collisions_own_plane"], expected, rtol=2e-3)
    assert f"whatever the step, {expected:.1g} collisions a year" in decided.attrs["text"]
    between = decided["collisions_control"] + decided["collisions_fault"]
    np.testing.assert_allclose(decided["number"], 10.0 * between, rtol=1e-12)
    # doubling what tells nothing between planes leaves the step where it is
    drivers = block.compute_fleet_block(study, scenarios_of(study)[0])["sensitivity"]
    assert float(drivers["change"].sel(parameter="tolerances.cross_track_km")) == 0.0


def test_faults_that_cannot_be_doubled_are_no_drivers(tmp_path):
    # a satellite that spends 0.7 of its time outside: twice as often or as long is more than all of it
    study = changed(tmp_path, ("duration_days = 30.0", f"duration_days = {0.7 / 0.02 * 365.25}"))
    drivers = block.compute_fleet_block(study, scenarios_of(study)[0])["sensitivity"]["parameter"].values.tolist()
    assert "faults.offset_km" in drivers
    assert not {"faults.per_satellite_year", "faults.duration_days"} & set(drivers)


def test_target_beyond_the_study_is_said(tmp_path):
    text = shells.choose_separation(study_of(tmp_path)).attrs["text"]
    assert " The 10 years of the target are taken to be like the 0.3 studied" in text
    within = changed(tmp_path, ("years = 10.0", "years = 0.2"))
    assert "taken to be like" not in shells.choose_separation(within).attrs["text"]


def test_choice_is_the_smallest_step_that_meets_the_target(tmp_path):
    decided = shells.choose_separation(study_of(tmp_path))
    meets = decided["meets_target"].values
    assert not meets[0]
    assert meets[-1]
    assert decided["chosen"].values.argmax() == meets.argmax()
    assert decided["chosen"].values.sum() == 1
    quantity = 10.0 * (decided["collisions_control"] + decided["collisions_fault"])
    np.testing.assert_allclose(decided["target_quantity"], quantity, rtol=1e-12)


def test_opposed_planes_count_by_their_relative_motion(tmp_path):
    # nodes over 360 degrees at 89.95: planes 0 and 1 oppose each other within 0.1 degrees, where no node is to be had
    study = study_of(tmp_path, pattern="delta", inclination=89.95, frozen="false")
    decided = shells.choose_separation(study)
    layout, scenario = layouts_of(study)[1], scenarios_of(study)[0]
    leaders = block.move(study, scenario, block.leaders_of(block.fleet_of(study, layout, scenario)))
    tolerances, faults = study.tolerance_sets["stated"], study.fault_sets["stated"]
    inside = radius_difference(tolerances, tolerances, first_radius_km=7438.0, second_radius_km=7438.0)
    rates = shells.approach_rates(leaders, within_km=[0.01], difference=inside, satellites=20)
    expected = rates["rate"].sel(plane=0, other_plane=1).item() * (1.0 - faults.share_of_time) ** 2
    assert expected > 0.0
    assert decided["collisions_control"].values[1] == pytest.approx(expected, rel=1e-6)


# N1 N2 (2 n / pi a) / cos(beta / 2) pi R^2 / 2 times the normal density of the gap, mixed over the shares of faults
# (rate of two shells, package notes, R far below sigma), here solved for the step that just meets the target
def closed_form_step(*, radius_m=1e3, eccentricity=1e-4, share=0.02 * 30.0 / 365.25, offset_km=10.0, target=1e-4):
    radius, body = 7438.137, 0.01
    motion = np.sqrt(398600.4415 / radius**3) * 365.25 * 86400.0 / (2.0 * np.pi)
    beta = np.arccos(np.cos(np.radians(86.5)) ** 2)
    sigma2 = 2.0 * ((radius_m / 1000.0) ** 2 + (radius * eccentricity) ** 2)
    parts = [
        ((1.0 - share) ** 2, sigma2),
        (2.0 * share * (1.0 - share), sigma2 + offset_km**2),
        (share**2, sigma2 + 2.0 * offset_km**2),
    ]

    def excess(step):
        density = sum(w * np.exp(-0.5 * step**2 / s2) / np.sqrt(2.0 * np.pi * s2) for w, s2 in parts)
        return (
            10.0 * 400 * 2.0 * motion / (np.pi * radius) / np.cos(beta / 2.0) * np.pi * body**2 / 2.0 * density - target
        )

    return brentq(excess, 1e-6, 50.0)


@pytest.mark.parametrize(
    ("target", "doubled"),
    [
        # a target that tolerances alone decide, and one that faults decide
        (0.02, ("tolerances.mean_radius_m", {"radius_m": 2000.0})),
        (0.02, ("tolerances.eccentricity", {"eccentricity": 2e-4})),
        (2e-4, ("faults.per_satellite_year", {"share": 0.04 * 30.0 / 365.25})),
        (2e-4, ("faults.duration_days", {"share": 0.02 * 60.0 / 365.25})),
        (1e-5, ("faults.offset_km", {"offset_km": 20.0})),
    ],
)
def test_doubling_an_assumption_moves_the_step_as_the_closed_form_says(tmp_path, target, doubled):
    study_of(tmp_path)
    path = tmp_path / "study.toml"
    path.write_text(
        path.read_text()
        .replace("eccentricity = 0.0", "eccentricity = 1.0e-4")
        .replace("value = 1.0e-4", f"value = {target}")
    )
    study = load_study(path)
    drivers = block.compute_fleet_block(study, scenarios_of(study)[0])["sensitivity"]
    name, change = doubled
    stated = closed_form_step(target=target)
    assert float(drivers["stated_required_step"]) == pytest.approx(stated, rel=0.05)
    moved = closed_form_step(target=target, **change) - stated
    assert abs(moved) > 0.01
    assert float(drivers["change"].sel(parameter=name)) == pytest.approx(moved, rel=0.2)


def test_every_set_of_assumptions_has_its_smallest_step(tmp_path):
    study_of(tmp_path)
    path = tmp_path / "study.toml"
    wide = (
        '\n[[sweep.tolerances]]\nname = "stated"\n[[sweep.tolerances]]\nname = "wide"\nmean_radius_m = 3000.0\n[target]'
    )
    path.write_text(path.read_text().replace("\n[target]", wide).replace("faults = 0.02", "faults = 0.002"))
    decided = shells.choose_separation(load_study(path))
    stated, other = (decided["tolerances"].values == name for name in ("stated", "wide"))
    assert decided["smallest"].values[stated].sum() == 1
    assert (decided["chosen"].values == (decided["smallest"].values & stated)).all()
    # wider tolerances never meet the target earlier
    step = decided["step"].values
    later = decided["smallest"].values & other
    assert not later.any() or step[later][0] >= step[decided["chosen"].values][0]
    beyond = step[stated] > 4.0  # where shells overlap wider tolerances thin them out
    assert (decided["number"].values[other] >= decided["number"].values[stated])[beyond].all()


def test_more_faults_never_make_it_safer(tmp_path):
    # with a share s of time in faults a pair has weights (1 - s)^2, 2 s (1 - s) and s^2, which add up to one
    totals = []
    for share in (0.1, 0.5, 0.9, 1.0):
        decided = shells.choose_separation(study_of(tmp_path, faults=share * 365.25 / 30.0))
        totals.append((decided["collisions_control"] + decided["collisions_fault"]).values[-1])
    assert totals == sorted(totals)
    assert totals[0] > 0.0


def test_short_studies_say_that_phases_do_not_drift(tmp_path):
    path = tmp_path / "short.toml"
    study_of(tmp_path)
    path.write_text((tmp_path / "study.toml").read_text().replace("years = 0.3", "years = 0.01"))
    assert "averages over unknown phases" in shells.choose_separation(load_study(path)).attrs["text"]
    assert "averages over unknown phases" not in shells.choose_separation(study_of(tmp_path)).attrs["text"]


def changed(tmp_path, *changes, **kinds):
    study_of(tmp_path, **kinds)
    path = tmp_path / "study.toml"
    text = path.read_text()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text)
    return load_study(path)


def test_text_weighs_the_sets_of_all_scenarios(tmp_path):
    further = 'solar_activity = ["low", "high"]\n[[sweep.faults]]\nname = "few"\n[[sweep.faults]]\nname = "many"\n'
    study = changed(tmp_path, ("[target]", f"{further}per_satellite_year = 2.0\n[target]"))
    decided = shells.choose_separation(study)
    text = decided.attrs["text"]
    same = decided["layout"].values == decided["layout"].values[decided["chosen"].values]
    assert same.sum() == 4
    assert not decided["meets_target"].values[same & (decided["faults"].values == "many")].any()
    # solar activity moves neither mean radii nor faults of held satellites
    assert "fails under 2 of 4 sets of assumptions: faults many." in text
    assert "Control faults, which are assumed, make " in text


def test_two_planes_that_nowhere_cross_are_missing_gaps(tmp_path):
    decided = shells.choose_separation(study_of(tmp_path, pattern="delta", inclination=90.0, frozen="false"))
    for name in ("smallest_gap", "smallest_distance", "gap_term"):
        assert np.isnan(decided[name].values).all()
    assert (decided["collisions_control"].values > 0.0).all()


def stacked(study, step):
    scenario = scenarios_of(study)[0]
    leaders = block.leaders_of(block.fleet_of(study, Layout(0, step, "monotone"), scenario))
    return Stacked.of(block.move(study, scenario, leaders), satellites=20, within_km=study.search_km)


@pytest.mark.parametrize(
    ("kinds", "changes"),
    [
        # opposed planes, exactly and by 0.1 degrees, and planes that nearly coincide above the equator
        ({"pattern": "delta", "planes": 4, "inclination": 90.0}, []),
        ({"pattern": "delta", "planes": 4, "inclination": 89.95, "frozen": "false"}, []),
        (
            {"pattern": "star", "planes": 3, "inclination": 0.01, "frozen": "false\nmatch_node_rates = false"},
            [("hard_body_radius_m = 5.0", "hard_body_radius_m = 50.0")],
        ),
    ],
)
def test_planes_without_nodes_are_known_at_other_steps(tmp_path, kinds, changes):
    # Other method: the fleet built and moved at the other step.
    study = changed(tmp_path, *changes, **kinds)
    assumptions = study.stated_tolerances, study.stated_faults, [2e-3 * study.fleet.hard_body_radius_m]

    narrow = stacked(study, 2.0)
    flat = ~narrow.gaps.crossing
    assert flat.any()
    for step in (0.5, 3.0):
        moved, built = narrow.moved_apart(step - 2.0), stacked(study, step)
        np.testing.assert_allclose(moved.separation_km, built.separation_km, rtol=1e-6)
        # rates change by factors up to 150; trims and node drifts of the other step, which are left out, change the
        # angle between the planes by some parts in a thousand
        for found, expected in zip(moved.expected(*assumptions), built.expected(*assumptions), strict=True):
            assert (expected[flat] > 0.0).all()
            np.testing.assert_allclose(found[flat], expected[flat], rtol=1e-2)


def test_planes_without_nodes_have_a_step_that_just_meets_the_target(tmp_path):
    # Other method: a fleet built with the step that was found from another one, up to 40 km off.
    study = study_of(tmp_path, pattern="delta", inclination=90.0, frozen="false")
    for share in (0.0, 0.02):
        stated = Assumptions(study.stated_tolerances, ControlFaults(share, 10.0, 30.0), 5.0)
        found = required_step(study, stacked(study, 2.0), 2.0, stated)
        assert found > 4.0
        built = stacked(study, found)
        assert target_quantity(study, built, stated) == pytest.approx(study.target.value, rel=0.05)
        assert required_step(study, built, found, stated) == pytest.approx(found, rel=2e-3)


def test_phases_that_planes_without_nodes_keep_are_not_relied_on(tmp_path):
    # Property: on one shell opposed satellites meet at places of their own, which must not decide for all other steps.
    study = study_of(tmp_path, pattern="delta", inclination=90.0, frozen="false")
    pair = stacked(study, 2.0)
    (drifting,) = pair.from_km
    # n goes with a^-1.5: two of 20 slots a km apart drift by 1.5 n t / a
    turns = 0.3 * 365.25 * 86400.0 / (2.0 * np.pi) * np.sqrt(398600.4415 / 7438.137**3)
    assert drifting == pytest.approx(1.05 * 7438.137 / 20.0 / 1.5 / turns, rel=2e-3)
    stated = Assumptions(study.stated_tolerances, study.stated_faults, 5.0)
    numbers = [target_quantity(study, pair.moved_apart(step - 2.0), stated) for step in (0.5 * drifting, drifting, 1.0)]
    # 1,450 a year where phases drift; with those kept, all or nothing
    assert numbers[1] > numbers[2] > 1e3
    assert numbers[0] == 0.0 or numbers[0] > 10.0 * numbers[1]
    strict = study.model_copy(update={"target": study.target.model_copy(update={"value": 0.5 * numbers[1]})})
    assert required_step(strict, pair, 2.0, stated) > drifting


def test_bodies_larger_than_a_threshold(tmp_path):
    # collisions go with pi R^2 and the mean density over the half ellipse of the bodies, of variance R^2 / 4 (closed
    # form above, and its next term); R = 200 m is beyond the thresholds of 50 and 100 m
    large, small = (
        shells.choose_separation(
            changed(
                tmp_path,
                ("hard_body_radius_m = 5.0", f"hard_body_radius_m = {radius}"),
                ("[sweep]", "[approaches]\nwithin_km = [0.05, 1.0]\n[sweep]"),
            )
        )
        for radius in (100.0, 5.0)
    )
    step = np.array([2.0, 5.0])  # at normal departures of 1 km each
    more = 400.0 * (1.0 + 0.2**2 / 8.0 * (step**2 / 4.0 - 0.5))
    np.testing.assert_allclose((large["collisions_control"] / small["collisions_control"])[:2], more, rtol=5e-3)
    np.testing.assert_allclose(large["collisions_fault"], 400.0 * small["collisions_fault"], rtol=5e-3)


def test_events_of_few_faults_leave_a_chance_of_none():
    # with faults Poisson of mean m and each bringing Poisson events, none happens with exp(-m (1 - exp(-k))): by hand
    # the sum over the number of faults j of exp(-m) m^j / j! exp(-j k)
    m, number = 0.4, 6.0
    j = np.arange(40)
    none = float((np.exp(-m) * m**j / factorial(j) * np.exp(-j * number / m)).sum())
    assert np.exp(-independent(np.array(number), m)) == pytest.approx(none, rel=1e-12)
    assert independent(np.array([1e-9]), m) == pytest.approx(1e-9, rel=1e-6)
    assert independent(np.array([0.0]), 0.0) == 0.0


def test_faults_too_rare_for_an_even_chance_do_not_decide_the_closest_pair(tmp_path):
    # 40 satellites for 0.3 years with 0.02 faults a year each: 0.24 faults, too few for an even chance of anything
    few = changed(tmp_path, ("mean_radius_m = 1000.0", "mean_radius_m = 10.0"), ("value = 1.0e-4", "value = 1.0"))
    decided = shells.choose_separation(few)
    assert np.isnan(decided["closest_expected"].values[-1])
    many = changed(
        tmp_path,
        ("mean_radius_m = 1000.0", "mean_radius_m = 10.0"),
        ("value = 1.0e-4", "value = 1.0"),
        ("per_satellite_year = 0.02", "per_satellite_year = 2.0"),
    )
    assert shells.choose_separation(many)["closest_expected"].values[-1] < 5.0


def test_untrimmed_nodes_part_as_the_trims_would_undo(tmp_path):
    trimmed = shells.choose_separation(study_of(tmp_path))
    left = shells.choose_separation(changed(tmp_path, ("frozen = true", "frozen = true\nmatch_node_rates = false")))
    assert np.isnan(left["largest_trim"].values).all()
    np.testing.assert_allclose(left["untrimmed_node_spread"], trimmed["untrimmed_node_spread"], rtol=0.02)


@pytest.mark.parametrize("distribution", ["bounded", "normal"])
def test_band_of_a_shell_is_what_one_satellite_may_use(tmp_path, distribution):
    study = changed(
        tmp_path,
        ('distribution = "normal"\nmean_radius_m = 1000.0', f'distribution = "{distribution}"\nmean_radius_m = 300.0'),
        ("eccentricity = 0.0", "eccentricity = 5e-5\norbit_determination_m = 40.0\nmanoeuvre_m = 30.0"),
    )
    layout, scenario = layouts_of(study)[1], scenarios_of(study)[0]
    orbits = block.move(study, scenario, block.fleet_of(study, layout, scenario))
    planes = planes_of(study, orbits)
    half = 0.5 * (planes["radius_high"] - planes["radius_low"]).values
    swing = (planes["mean_radius_altitude"].values + 6378.137) * 5e-5
    # bounds add up; of normal errors, 40 and 30 m here, 5 standard deviations of their sum
    bounded, normal = 0.3 + swing + 5.0 * 0.05, 5.0 * np.sqrt(0.3**2 + swing**2 + 0.05**2)
    np.testing.assert_allclose(half, bounded if distribution == "bounded" else normal, rtol=1e-6)
    assert (planes["raan"].values < 360.0).all()


def test_debris_is_told_with_errors_object_by_object(tmp_path):
    study = changed(tmp_path, ("step_km = [2.0, 5.0, 8.0, 15.0]", "step_km = [2.0, 5.0]"))
    decided = shells.choose_separation(study)
    within, rng = list(study.approaches.within_km), np.random.default_rng(5)
    unstacked = rng.lognormal(size=(1, 40, 3))
    # each object is met a little more often in the first layout, by an amount of its own in the second
    more = np.stack([np.full((40, 3), 0.01), rng.normal(0.0, 0.01, (40, 3))])
    rate = np.concatenate([unstacked, unstacked + more])

    def part(objects):
        axes = {"layout": [-1, 0, 1], "object": objects}
        rates = {**axes, "within_km": within, "rate": rate[:, objects]}
        return 0, {
            "rates": RATES.build(rates, dims=("layout", "object", "within_km")),
            "collisions": RATES.build({**axes, "rate": 1e-6 * rate[:, objects, 0]}, dims=("layout", "object")),
        }

    whole = assemble(study, [{"decision": decided}], [part(np.arange(40))])
    halves = assemble(study, [{"decision": decided}], [part(np.arange(25)), part(np.arange(25, 40))])
    xr.testing.assert_identical(whole, halves)
    assert whole.attrs["text"] == decided.attrs["text"]
    # of a sum of n values drawn anew: sqrt(n) standard deviations (B. Efron 1979)
    error = whole["extra_debris_approaches_error"].values
    np.testing.assert_allclose(whole["extra_debris_approaches"].values, more.sum(axis=1), rtol=1e-9)
    np.testing.assert_allclose(error[0], 0.0, atol=1e-12)
    np.testing.assert_allclose(error[1], np.sqrt(40.0) * more[1].std(axis=0), rtol=1e-9)
    struck = 1e-6 * rate[1:, :, 0]
    np.testing.assert_allclose(whole["collisions_debris"], struck.sum(axis=1), rtol=1e-12)
    np.testing.assert_allclose(whole["collisions_debris_error"], np.sqrt(40.0) * struck.std(axis=1), rtol=1e-9)
