"""Station-keeping: limit cycle, wander of the eccentricity vector, cost of holding."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.special import eval_genlaguerre

from shells.errors import InputError
from shells.motion.control import Control, departures, holding_cost

MU = 398600.4415  # km3 s-2, EGM96
DAY, YEAR = 86400.0, 365.25 * 86400.0
AXIS = 6931.7
MOTION = np.sqrt(MU / AXIS**3)
TIMES = np.arange(0.0, 60.0 * DAY, 700.0) + 12345.6


def one(control, drift, times=TIMES, identifier=4711, axis=AXIS):
    """Return departures and rates, shape (nodes, 4), of one satellite."""
    values, rates = departures(
        np.array([identifier]), times, np.array([axis]), np.broadcast_to(drift, (1, times.size)), control
    )
    return values[0], rates[0]


def many(control, count, times):
    """Return departures, shape (count, nodes, 4), of satellites 1 to count."""
    return departures(
        np.arange(1, count + 1), times, np.full(count, AXIS), np.full((count, times.size), -4e-8), control
    )[0]


# --- limit cycle ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("decay", "dead_band", "slot_box"),
    [(3e-7, 0.06, 9.0), (3e-7, 0.5, 9.0), (2.5e-6, 0.11, 4.0)],
    ids=["dead-band", "slot box", "dead-band, strong drag"],
)
def test_cycle_is_a_parabola_in_the_box(decay, dead_band, slot_box):
    # closed form: x falls from A to -A at the rate of drag, so T = 2 A / d; the phase is a parabola of depth
    # (3/4) n A^2 / d in km, which is the whole box where the box decides
    room = np.sqrt(2.0 * decay * 2.0 * slot_box / (1.5 * MOTION))
    amplitude = min(dead_band, room)
    control = Control(dead_band_km=dead_band, slot_box_km=slot_box)
    values, rates = one(control, -decay)
    x, along = values[:, 0], values[:, 3] * AXIS

    corrected = np.flatnonzero(np.diff(x) > 0.0)
    instants = TIMES[corrected] + (x[corrected] + amplitude) / decay
    np.testing.assert_allclose(np.diff(instants), 2.0 * amplitude / decay, rtol=1e-9)
    assert corrected.size > 3
    np.testing.assert_array_equal(rates[:, 0], -decay)
    np.testing.assert_allclose(rates[:, 3], -1.5 * MOTION / AXIS * x, rtol=1e-14)

    assert np.abs(x).max() <= amplitude * (1.0 + 1e-12)
    assert along.max() <= slot_box * (1.0 + 1e-12)
    depth = 0.75 * MOTION * amplitude**2 / decay
    np.testing.assert_allclose([along.max(), along.min()], [slot_box, slot_box - depth], atol=depth * 1e-3)
    assert along.min() >= -slot_box * (1.0 + 1e-12)
    if room <= dead_band:
        np.testing.assert_allclose(depth, 2.0 * slot_box, rtol=1e-12)

    # the phase is the integral of -(3/2) (n / a) x: trapezia are exact on straight lines, which a correction divides
    step = np.diff(TIMES)
    area = 0.5 * (x[1:] + x[:-1]) * step
    before = (x[corrected] + amplitude) / decay
    after = step[corrected] - before
    area[corrected] = 0.5 * (x[corrected] - amplitude) * before + 0.5 * (amplitude + x[corrected + 1]) * after
    np.testing.assert_allclose(np.diff(values[:, 3]), -1.5 * MOTION / AXIS * area, rtol=0.0, atol=1e-15)


def test_cycles_follow_a_changing_drift():
    # other method: corrections one by one, each cycle with the drift at its start; drag grows tenfold, so that the box
    # decides first and the dead-band afterwards
    control = Control(dead_band_km=0.13, slot_box_km=6.0)
    times = np.arange(0.0, 250.0 * DAY, 3600.0)
    drift = -1.5e-7 * np.exp(times / times[-1] * np.log(10.0)) * (1.0 + 0.2 * np.sin(times / (9.0 * DAY)))
    found = one(control, drift, times)[0]

    def amplitude(decay):
        return min(0.13, np.sqrt(4.0 * 6.0 * decay / (1.5 * MOTION)))

    decay = -drift[0]
    height = amplitude(decay)
    start = -(height - found[0, 0]) / decay
    amplitudes = []
    expected = np.empty((times.size, 2))
    while start < times[-1]:
        inside = (times >= start) & (times < start + 2.0 * height / decay)
        lapse = times[inside] - start
        expected[inside, 0] = height - decay * lapse
        expected[inside, 1] = 6.0 / AXIS - 1.5 * MOTION / AXIS * lapse * (height - 0.5 * decay * lapse)
        amplitudes.append(height)
        start += 2.0 * height / decay
        decay = -np.interp(start, times, drift)
        height = amplitude(decay)
    assert min(amplitudes) < 0.09
    assert max(amplitudes) == 0.13
    np.testing.assert_allclose(found[:, [0, 3]], expected, rtol=0.0, atol=1e-11)


def test_without_drag_it_bounces_between_the_ends_of_the_box():
    # closed form: x = +s and -s in turn, a crossing of the box of length 2 l takes 2 l / (1.5 n s)
    control = Control(slot_box_km=7.0, correction_accuracy_km=0.008)
    values, rates = one(control, 0.0)
    x, along = values[:, 0], values[:, 3] * AXIS
    np.testing.assert_array_equal(np.abs(x), 0.008)
    np.testing.assert_array_equal(rates[:, 0], 0.0)
    crossing = 2.0 * 7.0 / (1.5 * MOTION * 0.008)
    turns = np.flatnonzero(np.diff(x))
    assert turns.size == pytest.approx((TIMES[-1] - TIMES[0]) / crossing, abs=1.0)
    wave = (along[0] - np.sign(x[0]) * 1.5 * MOTION * 0.008 * (TIMES - TIMES[0]) + 7.0) / 14.0
    np.testing.assert_allclose(along, 14.0 * np.abs(wave - 2.0 * np.round(0.5 * wave)) - 7.0, rtol=0.0, atol=1e-9)


def test_little_drag():
    # closed form: in half a cycle x falls from s to r = sqrt(s^2 - A_box^2) while the box is crossed at the speed
    # 1.5 n x, in the other half from -r to -s while it is crossed back
    decay, box, least = 3e-10, 5.0, 0.006
    values, _ = one(
        Control(slot_box_km=box, correction_accuracy_km=least), -decay, TIMES[0] + 25.0 * (TIMES - TIMES[0])
    )
    x, along = values[:, 0], values[:, 3] * AXIS
    left = np.sqrt(least**2 - 4.0 * box * decay / (1.5 * MOTION))
    assert 0.3 * least < left < 0.95 * least
    np.testing.assert_allclose([x.max(), x[x > 0.0].min()], [least, left], rtol=3e-3)
    np.testing.assert_allclose([x.min(), x[x < 0.0].max()], [-least, -left], rtol=3e-3)
    np.testing.assert_allclose([along.max(), along.min()], [box, -box], rtol=3e-3)
    assert np.all(np.abs(along) <= box * (1.0 + 1e-12))
    # from the front of the box on, either way, the slide is (3/4) (n / d) times the loss of x squared
    np.testing.assert_allclose(along, box - 0.75 * MOTION / decay * (least**2 - x**2), rtol=0.0, atol=1e-9)


@pytest.mark.parametrize("binding", ["accuracy", "dead-band"])
def test_regimes_join(binding):
    # the motion is continuous in the drag where the box gives way to the accuracy of corrections or to the dead-band
    size = {"accuracy": 0.02, "dead-band": 0.15}[binding]
    control = Control(dead_band_km=0.15, correction_accuracy_km=0.02)
    border = 1.5 * MOTION * size**2 / (4.0 * control.slot_box_km)
    below, above = (one(control, -border * (1.0 + sign * 1e-10), TIMES[:800])[0] for sign in (-1.0, 1.0))
    np.testing.assert_allclose(below[:, 3], above[:, 3], rtol=0.0, atol=1e-4 * control.slot_box_km / AXIS)


def test_start_is_anywhere_in_the_cycle():
    # a falls evenly, so it is uniform between -A and +A at a random instant
    first = many(Control(), 3000, np.array([0.0, DAY]))[:, 0, 0]
    amplitude = np.sqrt(4.0 * 10.0 * 4e-8 / (1.5 * MOTION))
    assert stats.kstest(first / amplitude, stats.uniform(-1.0, 2.0).cdf).pvalue > 0.01


@given(
    drift=st.lists(st.floats(-3e-6, 0.0), min_size=2, max_size=12),
    dead_band=st.floats(0.05, 1.0),
    slot_box=st.floats(2.0, 60.0),
    accuracy=st.floats(0.01, 0.3),
    axis=st.floats(6600.0, 8000.0),
    identifier=st.integers(0, 2**63 - 1),
)
def test_neither_band_nor_box_is_ever_left(drift, dead_band, slot_box, accuracy, axis, identifier):
    control = Control(dead_band_km=dead_band, slot_box_km=slot_box, correction_accuracy_km=accuracy * dead_band)
    times = 3.3 * DAY * np.arange(len(drift))
    values, rates = one(control, np.array(drift), times, identifier, axis)
    assert np.all(np.abs(values[:, 0]) <= dead_band * (1.0 + 1e-12))
    assert np.all(np.abs(values[:, 3]) * axis <= slot_box * (1.0 + 1e-9))
    assert np.all(np.isfinite(rates))


# --- eccentricity vector ----------------------------------------------------------------------------------------------


def test_wander_fills_its_disc_evenly():
    # uniform on a disc: the square of the radius is uniform and the direction is; over satellites at one time
    radius = 7e-5
    ex, ey = many(Control(eccentricity_radius=radius), 4000, np.array([0.0, 33.7 * DAY]))[:, 1, 1:3].T
    square = (ex**2 + ey**2) / radius**2
    assert square.max() < 1.0
    assert stats.kstest(square, "uniform").pvalue > 0.01
    assert stats.kstest(np.arctan2(ey, ex) / (2.0 * np.pi) + 0.5, "uniform").pvalue > 0.01


def test_one_satellite_comes_round_its_disc():
    # the same over time: at every third correlation time values are independent
    times = 6.0 * DAY * np.arange(3000)
    values, _ = one(Control(eccentricity_radius=4e-5, eccentricity_correlation_days=2.0), -4e-8, times)
    square = (values[:, 1] ** 2 + values[:, 2] ** 2) / 4e-5**2
    assert stats.kstest(square, "uniform").pvalue > 0.01
    assert stats.kstest(np.arctan2(values[:, 2], values[:, 1]) / (2.0 * np.pi) + 0.5, "uniform").pvalue > 0.01


def test_autocorrelation_of_the_wander():
    # That of the Gaussian functions is the self-convolution of a raised cosine of width L = 3 tau,
    # rho = (1 - y) (2 + cos(2 pi y)) / 3 + sin(2 pi y) / (2 pi) with y = lag / L, of integral tau. On the disc, with
    # sqrt(1 - exp(-y)) the radius as a function of y = S / 2, it is the sum of c_k^2 rho^(2 k + 1), c_k the
    # coefficients in generalised Laguerre polynomials (Mehler's formula in polar coordinates).
    lags = np.array([0.0, 5.3, 11.0, 17.9, 26.0, 41.0, 62.9, 80.0])
    y = np.minimum(lags / 63.0, 1.0)
    gaussian = (1.0 - y) * (2.0 + np.cos(2.0 * np.pi * y)) / 3.0 + np.sin(2.0 * np.pi * y) / (2.0 * np.pi)
    powers = [
        quad(lambda z, k=k: np.sqrt(z * -np.expm1(-z)) * eval_genlaguerre(k, 1, z) * np.exp(-z), 0.0, 60.0)[0] ** 2
        / (k + 1)
        for k in range(6)
    ]
    assert sum(powers) == pytest.approx(0.5, abs=1e-4)  # mean square on a disc of radius one
    expected = 2.0 * sum(power * gaussian ** (2 * k + 1) for k, power in enumerate(powers))

    vector = many(Control(), 6000, (lags + 17.0) * DAY)[:, :, 1:3] / 5e-5
    found = 2.0 * np.mean(np.sum(vector * vector[:, :1], axis=-1), axis=0)
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=0.03)  # three standard errors
    assert expected[3] == pytest.approx(gaussian[3], abs=0.03)


def test_rates_of_the_wander():
    # central differences; windows have a continuous slope but a bent one at their ends, hence first order there
    times = np.arange(0.0, 200.0 * DAY, 600.0)
    values, rates = one(Control(eccentricity_correlation_days=8.0), -4e-8, times)
    slopes = np.gradient(values[:, 1:3], times, axis=0)[1:-1]
    np.testing.assert_allclose(rates[1:-1, 1:3], slopes, rtol=0.0, atol=1e-3 * np.abs(rates[:, 1:3]).max())
    assert np.all(np.abs(np.diff(rates[:, 1:3], axis=0)) < 0.02 * np.abs(rates[:, 1:3]).max())


def test_no_disc_no_wander():
    values, rates = one(Control(eccentricity_radius=0.0), -4e-8)
    np.testing.assert_array_equal(values[:, 1:3], 0.0)
    np.testing.assert_array_equal(rates[:, 1:3], 0.0)


# --- chance -----------------------------------------------------------------------------------------------------------


def test_company_order_and_span_change_nothing():
    identifiers = np.array([12, 900001, 3, 55])
    axes = np.array([6901.0, 7105.0, 6950.0, 7580.0])
    drift = -np.array([[3e-7], [2e-8], [1e-7], [1e-10]]) * (1.0 + 0.4 * np.sin(TIMES / 5e5))
    control = Control(seed=20)
    values, rates = departures(identifiers, TIMES, axes, drift, control)
    chosen, nodes = [3, 0, 1], 4321
    again = departures(identifiers[chosen], TIMES[:nodes], axes[chosen], drift[chosen, :nodes], control)
    np.testing.assert_array_equal(again[0], values[chosen, :nodes])
    np.testing.assert_array_equal(again[1], rates[chosen, :nodes])


def test_nobody():
    values, rates = departures(np.empty(0, np.int64), TIMES, np.empty(0), np.empty((0, TIMES.size)), Control())
    assert values.shape == rates.shape == (0, TIMES.size, 4)


def test_seeds_and_satellites_differ():
    found = np.array(
        [one(Control(seed=seed), -4e-8, identifier=j)[0] for seed, j in [(0, 1), (1, 0), (1, 1), (2**64 - 1, 1)]]
    )
    for component in range(4):
        assert np.unique(found[:, 100, component]).size == 4
    np.testing.assert_array_equal(found[0], one(Control(seed=0), -4e-8, identifier=1)[0])


# --- cost -------------------------------------------------------------------------------------------------------------


def cost(drift=-1e-7, control=None, **rates):
    return holding_cost(np.array([AXIS]), np.array([[drift]]), control or Control(), **rates)


def test_drag_costs_its_own_deceleration():
    # a thruster that cancels drag gives what drag takes, (1/2) rho (cD A / m) v^2; a circular orbit loses
    # rho (cD A / m) sqrt(mu a) [King-Hele, Theory of Satellite Orbits in an Atmosphere, 1964, from memory]
    density, ballistic = 3.1e-13, 2.2 * 0.012  # kg m-3, m2 kg-1
    deceleration = 0.5 * density * ballistic * (1000.0 * np.sqrt(MU / AXIS)) ** 2
    drift = -density * ballistic * np.sqrt(MU * 1e9 * AXIS * 1e3) / 1000.0
    np.testing.assert_allclose(cost(drift).semi_major_axis, deceleration * YEAR, rtol=1e-12)


def test_impulses_against_the_energy_integral():
    # vis-viva: an impulse along the track raises a; halves of one, forwards and backwards half a revolution apart,
    # leave an orbit whose eccentricity vector has moved. Corrections so accurate that the box decides
    impulse, speed = 1e-6, np.sqrt(MU / AXIS)  # km s-1
    axis = 1.0 / (2.0 / AXIS - (speed + impulse) ** 2 / MU)
    per_year = cost(-(axis - AXIS) / YEAR, Control(correction_accuracy_km=1e-5)).semi_major_axis
    np.testing.assert_allclose(per_year, 1000.0 * impulse, rtol=1e-6)

    between = 1.0 / (2.0 / AXIS - (speed + 0.5 * impulse) ** 2 / MU)
    far = 2.0 * between - AXIS
    final = np.sqrt(MU * (2.0 / far - 1.0 / between)) - 0.5 * impulse
    eccentricity = abs(far * final**2 / MU - 1.0)
    rate = eccentricity / YEAR * np.array([[[0.6, -0.8]]])
    np.testing.assert_allclose(cost(eccentricity_rate=rate).eccentricity, 1000.0 * impulse, rtol=1e-6)


def test_plane_against_the_angle_between_normals():
    # spherical cosine theorem, two planes 1e-4 rad or so apart; an impulse turns the velocity: 2 v sin(angle / 2)
    i, i_change, node_change = np.radians(87.3), 1.3e-4, -0.8e-4
    cosine = np.cos(i) * np.cos(i + i_change) + np.sin(i) * np.sin(i + i_change) * np.cos(node_change)
    expected = 2000.0 * np.sqrt(MU / AXIS) * np.sqrt(0.5 * (1.0 - cosine))
    rate = np.array([[[i_change, node_change * np.sin(i)]]]) / YEAR
    np.testing.assert_allclose(cost(control=Control(plane_held=True), plane_rate=rate).plane, expected, rtol=1e-4)
    assert cost(plane_rate=rate).plane == 0.0


def test_published_geostationary_inclination():
    # E. M. Soop, Handbook of Geostationary Orbits, 1994 (from memory): Sun and Moon tilt the plane by 0.75 to 0.95 deg
    # a year, which takes 41 to 51 m/s
    rate = np.radians(np.array([[[0.75, 0.0]], [[0.95, 0.0]]])) / YEAR
    axes = np.full(2, 42164.2)
    found = holding_cost(axes, np.full((2, 1), -1e-12), Control(plane_held=True), plane_rate=rate).plane
    np.testing.assert_allclose(found[:, 0], [41.0, 51.0], atol=1.0)


@pytest.mark.parametrize("decay", [3e-7, 2e-9, 1e-10], ids=["box", "box, less drag", "accuracy"])
def test_cost_is_that_of_the_corrections_made(decay):
    # other method: every rise and fall of x at a correction takes (n / 2) of it
    times = np.arange(0.0, 3000.0 * DAY, 5000.0)
    x = one(Control(), -decay, times)[0][:, 0]
    jumps = np.abs(np.diff(x) + decay * np.diff(times))
    found = 1000.0 * 0.5 * MOTION * jumps.sum() * YEAR / times[-1]
    np.testing.assert_allclose(cost(-decay).semi_major_axis, found, rtol=0.03)


def test_total_shares_impulses_in_the_plane():
    rates = {"eccentricity_rate": np.array([[[3e-12, -4e-12]]]), "plane_rate": np.array([[[2e-12, 5e-12]]])}
    held = Control(plane_held=True)
    for drift in (-1e-9, -1e-6):
        found = cost(drift, held, **rates)
        assert found.total == max(found.semi_major_axis, found.eccentricity) + found.plane
    assert cost(-1e-9, held, **rates).eccentricity > cost(-1e-9, held, **rates).semi_major_axis


# --- errors -----------------------------------------------------------------------------------------------------------


def test_control_tells_all_faults():
    with pytest.raises(InputError) as error:
        Control(
            dead_band_km=-0.1,
            slot_box_km=np.inf,
            correction_accuracy_km=0.2,
            eccentricity_radius=0.1,
            eccentricity_correlation_days=0.01,
            seed=-1,
        )
    assert str(error.value) == (
        "Control:\n"
        "  - dead_band_km -0.1; expected more than 0, at most 10\n"
        "  - slot_box_km inf; expected more than 0, finite\n"
        "  - correction_accuracy_km 0.2; expected more than 0, at most the dead_band_km of -0.1\n"
        "  - eccentricity_radius 0.1; expected 0 to 0.005\n"
        "  - eccentricity_correlation_days 0.01; expected at least 1, finite\n"
        "  - seed -1; expected 0 to 2^64 - 1"
    )
    with pytest.raises(InputError, match="dead_band_km nan"):
        Control(dead_band_km=np.nan)


def test_departures_tell_all_faults():
    drift = np.array([[-1e-7, 1e-9, -1e-8], [np.nan, -1e-9, 0.0]])
    with pytest.raises(InputError) as error:
        departures(np.array([3, -4]), np.array([0.0, 9.0, 5.0]), np.array([7000.0, -1.0]), drift, Control())
    assert str(error.value) == (
        "departures:\n"
        "  - identifiers: 1 of 2 negative; expected zero or more\n"
        "  - times_s before zero, not ascending or none; expected ascending nodes after the epoch\n"
        "  - semi_major_axis: 1 of 2 not positive; expected those of an orbit [km]\n"
        "  - drift: 2 of 6 missing or positive; expected rates by drag, zero or negative [km s-1]"
    )
    with pytest.raises(InputError, match=r"shapes \(\(1,\), \(3,\), \(2,\), \(2, 3\)\); expected \(n,\), \(m,\)"):
        departures(np.array([3]), np.array([0.0, 5.0, 9.0]), np.array([7000.0, 7100.0]), drift, Control())


@pytest.mark.parametrize(
    ("drift", "control", "seconds"),
    # 2 A / d; and twice 2 l / (1.5 n s), all but free of drag
    [
        (-9e-6, Control(dead_band_km=0.02), 0.04 / 9e-6),
        (-1e-12, Control(slot_box_km=0.01), 0.04 / (1.5 * MOTION * 0.005)),
    ],
)
def test_cycles_shorter_than_a_revolution_are_refused(drift, control, seconds):
    with pytest.raises(InputError) as error:
        one(control, drift)
    assert str(error.value) == (
        "departures:\n"
        f"  - cycles of 1 of 1 satellites down to {seconds:.4g} s; expected no more than one a revolution; widen "
        "dead_band_km or slot_box_km"
    )


def test_holding_cost_tells_all_faults():
    with pytest.raises(InputError) as error:
        holding_cost(np.array([7000.0]), np.array([[3e-9, -1e-9]]), Control(plane_held=True))
    assert str(error.value) == (
        "holding_cost:\n"
        "  - drift: 1 of 2 missing or positive; expected rates by drag, zero or negative [km s-1]\n"
        "  - plane_rate not given; expected the rates by Sun and Moon, since the control holds the plane"
    )
