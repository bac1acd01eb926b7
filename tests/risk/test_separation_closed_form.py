"""The separation of shells in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from shells import constants
from shells.errors import InputError
from shells.fleet.radius_difference import RadiusDifference
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.risk.separation.closed_form import Shells, collisions_for, separation_for
from shells.risk.separation.solving import least_separation, least_step
from shells.risk.separation.states import Contact, State, states_of

RADIUS = 6378.1363 + 550.0


def pair(**options):
    known = {"satellites": 48, "radius_km": 7578.0, "hard_body_radius_m": 4.0, "crossing_angle_deg": [37.0]}
    return Shells.of(**{**known, **options})


# Published table, section "Failed satellite, shell-to-shell collision rate" of the check values: two shells of 1,584
# satellites at 550 km, 53 and 53.2 deg, R = 5 m; sigma [m]: collisions a year at gaps of 0 to 6 sigma, gap / sigma for
# 1e-3 and 1e-4 a year, half a unit of the last digit.
TWO_SHELLS = {
    50: ((504, 306, 68.5, 5.66, 0.172, 1.94e-3, 8.0e-6), (5.12, 5.56), (0.5, 0.5, 0.05, 5e-3, 5e-4, 5e-6, 5e-8)),
    100: ((252, 153, 34.2, 2.81, 0.0850, 9.5e-4, 3.9e-6), (4.99, 5.43), (0.5, 0.5, 0.05, 5e-3, 5e-5, 5e-6, 5e-8)),
    300: ((84.1, 51.0, 11.4, 0.934, 0.0282, 3.1e-4, 1.3e-6), (4.76, 5.22), (0.05, 0.05, 0.05, 5e-4, 5e-5, 5e-6, 5e-8)),
    1000: (
        (25.2, 15.3, 3.41, 0.280, 8.5e-3, 9.4e-5, 3.8e-7),
        (4.50, 4.99),
        (0.05, 0.05, 5e-3, 5e-4, 5e-5, 5e-7, 5e-9),
    ),
}


def two_shells(count=720):
    """Node differences of the two shells are uniform; each stands for as many pairs of planes."""
    turns = (np.arange(count) + 0.5) / count * 2.0 * np.pi
    lower, upper = np.radians([53.0, 53.2])
    angle = np.arccos(np.cos(lower) * np.cos(upper) + np.sin(lower) * np.sin(upper) * np.cos(turns))
    return Shells.of(satellites=1584, radius_km=RADIUS, hard_body_radius_m=2.5, crossing_angle_deg=np.degrees(angle))


@pytest.mark.parametrize("sigma", TWO_SHELLS)
def test_published_collisions(sigma):
    shells = two_shells()
    rates, gaps, halves = TWO_SHELLS[sigma]
    state = State(1.0, False, RadiusDifference(sigma / 1000.0, (), ()))
    for k, (expected, half) in enumerate(zip(rates, halves, strict=True)):
        found = shells.collisions(np.full(720, k * sigma / 1000.0), [state]).mean()
        assert found == pytest.approx(expected, rel=5e-3, abs=half)
    # of each satellite half the variance
    tolerances = Tolerances("normal", sigma / np.sqrt(2.0), 0.0)
    for target, gap in zip((1e-3, 1e-4), gaps, strict=True):
        # 5.12 is printed beside 1.94e-3 at 5 sigma, from which 5.13 follows
        assert separation_for(720 * target, shells, tolerances) / (sigma / 1000.0) == pytest.approx(gap, rel=5e-3)


def test_closed_form_by_quadrature():
    # Other method: the integral over the bodies by adaptive quadrature, two nodes with their own gap and ripple, which
    # is small against the departures.
    shells = pair(
        taken_km=[[0.2, -0.1]], ripple_km=[[0.05, 0.12]], largest_ripple_km=[[0.5, 0.5]], hard_body_radius_m=40.0
    )
    tolerances = Tolerances("normal", 60.0, 3e-5)
    faults = ControlFaults(0.5, 2.0, 9.0)
    step, share = 1.3, faults.share_of_time
    sigma = np.sqrt(2.0) * np.hypot(0.06, 7578.0 * 3e-5)
    expected = {}
    for name, weights in (
        ("control", [((1.0 - share) ** 2, 0)]),
        ("fault", [(2.0 * share * (1 - share), 1), (share**2, 2)]),
    ):
        total = 0.0
        for weight, number in weights:
            for taken, ripple in ((0.2, 0.05), (-0.1, 0.12)):
                spread = np.sqrt(sigma**2 + ripple**2 + number * 2.0**2)
                density = stats.norm(step - taken, spread).pdf
                total += weight * integrate.quad(lambda x, p=density: np.sqrt(0.08**2 - x**2) * p(x), -0.08, 0.08)[0]
        motion = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / 7578.0**3)
        each = 48**2 * motion / (np.pi**2 * 7578.0) / np.cos(np.radians(18.5)) * 365.25 * 86400.0
        expected[name] = 0.5 * each * total
    found = collisions_for(step, shells, tolerances, faults)
    np.testing.assert_allclose(found[0], expected["control"], rtol=1e-5)
    # in the middle of the faults the sine of 0.5 km counts: less by a quarter of its square over that of 2 to 3 km
    np.testing.assert_allclose(found[1], expected["fault"], rtol=1.6e-2)


def test_large_ripple_is_a_sine():
    # Closed form: departures of metres about a sine of 200 m: the arcsine density of the sine, inside it.
    shells = pair(ripple_km=0.2 / np.sqrt(2.0), largest_ripple_km=0.2, hard_body_radius_m=10.0)
    for tolerances in (Tolerances("normal", 30.0, 0.0), Tolerances("bounded", 50.0, 0.0)):
        state = states_of(tolerances, ControlFaults(0.0), 7578.0)[0]
        motion = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / 7578.0**3)
        each = 48**2 * motion / (np.pi**2 * 7578.0) / np.cos(np.radians(18.5)) * 365.25 * 86400.0
        phases = (np.arange(2000) + 0.5) / 2000 * np.pi
        density = Contact(state.difference, 0.02).density(0.28 - 0.2 * np.cos(phases)).mean()
        found = shells.collisions(np.array([0.28]), [state])
        np.testing.assert_allclose(found, each * 0.5 * np.pi * 0.02**2 * density, rtol=2e-2)


def test_bounded_ends_with_the_support():
    # Closed form: nothing beyond the sum of supports, bodies, surfaces and largest ripple; something just within.
    tolerances = Tolerances("bounded", 50.0, 1e-4)
    shells = pair(taken_km=[[0.3, 0.1]], largest_ripple_km=[[0.1, 0.2]])
    support = 2.0 * (0.05 + 0.7578) + 0.008 + 0.4
    assert collisions_for(support, shells, tolerances) == (0.0, 0.0)
    assert collisions_for(support - 0.2, shells, tolerances)[0] > 0.0
    step = separation_for(1e-12, shells, tolerances)
    assert 0.9 * support < step < support


def test_twice_the_eccentricity():
    # Closed form: a disc and bodies twice as large are the same picture; R^2 times the density doubles the collisions.
    large = pair(hard_body_radius_m=8.0)
    for form in ("normal", "bounded"):
        once = separation_for(1e-4, pair(), Tolerances(form, 0.0, 2e-5))
        twice = separation_for(2e-4, large, Tolerances(form, 0.0, 4e-5))
        assert twice == pytest.approx(2.0 * once, rel=2e-3)


def test_twice_the_faults():
    # Closed form: where single faults make the collisions, K exp(-x^2 / 2 s^2) = target, so twice the rate adds
    # 2 ln 2 s^2 to the square of the separation.
    shells, tolerances = pair(), Tolerances("bounded", 50.0, 5e-5)
    once, twice = (separation_for(1e-7, shells, tolerances, ControlFaults(rate, 3.0, 1.0)) for rate in (0.1, 0.2))
    sigma2 = 9.0 + states_of(tolerances, ControlFaults(0.0), 7578.0)[0].difference.scale_km ** 2
    assert once > 5.0
    assert twice**2 - once**2 == pytest.approx(2.0 * np.log(2.0) * sigma2, rel=1e-2)


def test_faults_that_no_separation_outlasts():
    # Limits: a fault of 900 km reaches any shell.
    assert np.isnan(separation_for(1e-9, pair(), Tolerances("bounded", 50.0, 5e-5), ControlFaults(1.0, 900.0, 9.0)))


def test_stack_of_several_pairs():
    # Property: the pair two steps apart adds nothing under a bounded tail, so the step is that of the neighbours.
    tolerances = Tolerances("bounded", 50.0, 1e-4)
    two = pair(crossing_angle_deg=[30.0, 30.0], steps=[1.0, 1.0])
    three = pair(crossing_angle_deg=[30.0, 30.0, 60.0], steps=[1.0, 1.0, 2.0])
    assert separation_for(1e-6, three, tolerances) == separation_for(1e-6, two, tolerances)
    # pairs that stay on one shell have collisions at any step
    flat = replace(two, steps=np.array([1.0, 0.0]))
    assert np.isnan(separation_for(1e-6, flat, tolerances))


@pytest.mark.parametrize(
    "difference",
    [
        RadiusDifference(0.12, (), ()),
        RadiusDifference(0.0, (0.05, 0.05), (0.3, 0.3)),
        RadiusDifference(0.02, (0.05, 0.05), (0.1, 0.1)),
    ],
)
def test_overlap_is_the_integral_of_the_density(difference):
    # Other method: adaptive quadrature of the density of contact.
    contact = Contact(difference, 0.01)
    end = contact.reach_km
    for gap in (0.0, 0.07, 0.2):
        points = np.linspace(gap, min(end, 3.0), 40001)
        expected = np.trapezoid(contact.density(points), points)
        assert contact.overlap(gap) == pytest.approx(expected, rel=2e-3)
        assert contact.overlap(-gap) == pytest.approx(1.0 - expected, abs=1e-3)
    assert contact.overlap(end) == 0.0 and contact.density(end) == 0.0


def test_normal_overlap_far_out():
    # Closed form: normal tail at 5 to 8 standard deviations; the bodies, a hundredth of one wide, change it by 1e-3.
    contact = Contact(RadiusDifference(0.5, (), ()), 0.005)
    x = 0.5 * np.array([1.0, 5.0, 6.0, 8.0])
    np.testing.assert_allclose(contact.overlap(x), stats.norm.sf(x / 0.5), rtol=3e-3)


@pytest.mark.parametrize("normal", [0.0, 4e-4])
def test_narrow_contact_along_a_ripple(normal):
    # Closed form: a sine of amplitude A has the density 1 / (pi sqrt(A^2 - x^2)), which bodies of 3 m hardly smear; its
    # samples are up to 70 m apart and would see them nowhere or far too often.
    amplitude, longitudes = 2.7, 2.0 * np.pi * np.arange(240) / 240
    contact = Contact(RadiusDifference(normal, (), ()), 0.003)
    for gap in (0.0, 0.31, -1.13, 2.02, 2.56):
        found = contact.density_along(gap + amplitude * np.cos(longitudes)).mean()
        slope = np.sqrt(amplitude**2 - gap**2)
        # between longitudes the sine is taken for straight: its slope is off by half a step times its bend
        assert found == pytest.approx(1.0 / (np.pi * slope), rel=1e-3 + np.pi / 240 * abs(gap) / slope)
    assert contact.density_along(2.9 + amplitude * np.cos(longitudes)).mean() == 0.0
    # wide contact: the mean of its density
    wide = Contact(RadiusDifference(0.4, (), ()), 0.003)
    gaps = 3.3 + amplitude * np.cos(longitudes)
    assert wide.density_along(gaps).mean() == pytest.approx(wide.density(gaps).mean(), rel=1e-12)


@pytest.mark.parametrize("difference", [RadiusDifference(0.03, (), ()), RadiusDifference(0.0, (0.05,), (0.1,))])
def test_missing_gaps_stay_missing(difference):
    # Limits: what is not known is no safe place.
    contact = Contact(difference, 0.01)
    gaps = np.array([np.nan, 0.02, 5.0])
    for values in (contact.density(gaps), contact.overlap(gaps)):
        np.testing.assert_array_equal(np.isnan(values), [True, False, False])
        assert values[1] > 0.0 and values[2] == 0.0


def test_errors():
    with pytest.raises(InputError) as error:
        Shells.of(satellites=0, radius_km=np.inf, hard_body_radius_m=0.0, crossing_angle_deg=[0.0, 180.0])
    assert str(error.value).splitlines() == [
        "Shells.of:",
        "  - satellites 0; expected more than zero",
        "  - radius_km inf; expected more than zero",
        "  - hard_body_radius_m 0.0; expected more than zero",
        "  - crossing_angle_deg [0.0, 180.0]; expected more than 0 and less than 180",
    ]
    with pytest.raises(InputError) as error:
        separation_for(0.0, pair(steps=[0.0]), Tolerances("normal", 1.0, 0.0))
    assert str(error.value).splitlines() == [
        "separation_for:",
        "  - target_per_year 0.0; expected more than zero",
        "  - steps: none above zero; expected pairs that a step takes apart",
    ]


def test_a_missing_rate_meets_no_target():
    def rate(separation):
        return np.where(separation > 3.0, np.nan, np.exp(-separation) + 1e-9)

    assert np.isnan(least_separation(rate, 1e-12, np.array([0.5]))).all()
    assert np.isnan(least_separation(lambda x: np.full_like(x, np.nan), 1.0, np.array([0.5, 2.0]))).all()
    # exp(-s) falls to 0.1 at ln 10
    assert least_separation(rate, 0.1, np.array([0.5]))[0] == pytest.approx(np.log(10.0), abs=1e-4)


def test_step_is_the_one_from_which_on_the_target_is_met():
    # a number that rises to where the shells just touch, at 0.6 km, and falls beyond: met up to 0.2 and from 1.3 km
    def rising(step):
        return 1.0 + (step - 0.2 if step < 0.6 else 0.4 * (1.3 - step) / 0.7)

    touching = {"steps": np.array([1.0, 3.0, 0.0]), "from_km": np.array([0.6, 0.9, 0.8]), "width_km": 0.1}
    assert least_step(rising, 1.0, **touching) == pytest.approx(1.3, abs=2e-5)
    assert np.isnan(least_step(rising, 1.0, **touching, up_to_km=1.2))
    # met from 0.35 km on although it was met before 0.2 km too
    assert least_step(lambda step: 2.0 if 0.2 < step < 0.35 else 0.0, 1.0, **touching) == pytest.approx(0.35, abs=2e-6)
    assert least_step(lambda step: 1.0, 1.0, **touching) == 0.0
    assert np.isnan(least_step(lambda step: np.nan, 1.0, **touching))


@pytest.mark.parametrize("form", ["normal", "bounded"])
def test_step_below_where_shells_cross_is_that_of_a_scan(form):
    # Other method: every millimetre of step. The shells of the first pair touch at 2.3 km, those of the others, which
    # add up, about 1 km, in peaks some 30 m wide and less.
    shells = pair(crossing_angle_deg=[30.0, 31.0, 60.0], steps=[1.0, 2.0, 5.0], taken_km=[2.3, 2.0, 5.02])
    tolerances = Tolerances(form, 30.0, 0.0)
    states = states_of(tolerances, ControlFaults(0.0), 7578.0)
    scanned = np.arange(0.0, 3.0, 1e-3)
    total = np.array([shells.collisions(step * shells.steps, states).sum() for step in scanned])
    one = shells.collisions(2.3 * shells.steps, states).sum()
    for target in (0.5 * one, 1.2 * one, 1.6 * one, 10.0 * one):
        failing = np.flatnonzero(total > target)
        expected = scanned[failing[-1]] if failing.size else 0.0
        assert separation_for(target, shells, tolerances) == pytest.approx(expected, abs=2e-3)
