"""Independent numerical truth for the small periodic terms: Cunningham's recursion, DOP853 at fixed steps."""

import csv
from importlib.resources import files
from math import factorial

import numpy as np
from scipy.integrate import DOP853, solve_ivp
from scipy.special import sph_harm_y

from shells import constants
from shells.compiled import allocating_kernel
from tests.truth import MU, RADIUS, ZONALS, zonal_acceleration

ROTATION = constants.EARTH_ROTATION_RATE.value


def unnormalised_field(degree=8, zonal_degree=15):
    """Return C and S, each (16, 16), of EGM96: orders 1 to 8 up to a degree, zonals up to another."""
    c, s = np.zeros((16, 16)), np.zeros((16, 16))
    c[0, 0] = 1.0
    with (files("shells.motion") / "gravity_egm96.csv").open() as lines:
        for row in csv.DictReader(line for line in lines if not line.startswith("#")):
            n, m = int(row["n"]), int(row["m"])
            if n <= (degree if m else zonal_degree):
                scale = np.sqrt((2 - (m == 0)) * (2 * n + 1) * factorial(n - m) / factorial(n + m))
                c[n, m], s[n, m] = scale * float(row["C"]), scale * float(row["S"])
    return c, s


@allocating_kernel
def field_acceleration(x, y, z, mu, radius, c, s, highest):
    """Return the body-fixed acceleration [km s-2]: L. E. Cunningham 1970, in the form of O. Montenbruck & E. Gill,
    Satellite Orbits, 2000, eqs. 3.29 to 3.33 (from memory)."""
    r2 = x * x + y * y + z * z
    x0, y0, z0, rho = x * radius / r2, y * radius / r2, z * radius / r2, radius * radius / r2
    v, w = np.zeros((highest + 2, highest + 2)), np.zeros((highest + 2, highest + 2))
    v[0, 0] = radius / np.sqrt(r2)
    for m in range(highest + 2):
        if m > 0:
            v[m, m] = (2 * m - 1) * (x0 * v[m - 1, m - 1] - y0 * w[m - 1, m - 1])
            w[m, m] = (2 * m - 1) * (x0 * w[m - 1, m - 1] + y0 * v[m - 1, m - 1])
        for n in range(m + 1, highest + 2):
            v[n, m] = (2 * n - 1) * z0 * v[n - 1, m] / (n - m)
            w[n, m] = (2 * n - 1) * z0 * w[n - 1, m] / (n - m)
            if n > m + 1:
                v[n, m] -= (n + m - 1) * rho * v[n - 2, m] / (n - m)
                w[n, m] -= (n + m - 1) * rho * w[n - 2, m] / (n - m)
    ax = ay = az = 0.0
    for n in range(highest + 1):
        ax -= c[n, 0] * v[n + 1, 1]
        ay -= c[n, 0] * w[n + 1, 1]
        az -= (n + 1) * c[n, 0] * v[n + 1, 0]
        for m in range(1, min(n, 8) + 1):
            f = (n - m + 2) * (n - m + 1)
            ax += 0.5 * (-c[n, m] * v[n + 1, m + 1] - s[n, m] * w[n + 1, m + 1])
            ax += 0.5 * f * (c[n, m] * v[n + 1, m - 1] + s[n, m] * w[n + 1, m - 1])
            ay += 0.5 * (-c[n, m] * w[n + 1, m + 1] + s[n, m] * v[n + 1, m + 1])
            ay += 0.5 * f * (-c[n, m] * w[n + 1, m - 1] + s[n, m] * v[n + 1, m - 1])
            az += (n - m + 1) * (-c[n, m] * v[n + 1, m] - s[n, m] * w[n + 1, m])
    scale = mu / (radius * radius)
    return scale * ax, scale * ay, scale * az


@allocating_kernel
def rates(time, state, mu, radius, c, s, highest, greenwich, rotation):
    angle = greenwich + rotation * time
    cosine, sine = np.cos(angle), np.sin(angle)
    x, y = cosine * state[0] + sine * state[1], cosine * state[1] - sine * state[0]
    ax, ay, az = field_acceleration(x, y, state[2], mu, radius, c, s, highest)
    return np.array([state[3], state[4], state[5], cosine * ax - sine * ay, sine * ax + cosine * ay, az])


@allocating_kernel
def advance(states, times, steps, a, b, c, arguments):
    """Fill states (n, 6) from the first on, by an explicit Runge-Kutta method with equal steps between times."""
    stages = np.empty((b.size, 6))
    for k in range(1, times.size):
        h, y = (times[k] - times[k - 1]) / steps, states[k - 1].copy()
        for step in range(steps):
            time = times[k - 1] + step * h
            for stage in range(b.size):
                at = y.copy()
                for earlier in range(stage):
                    at += h * a[stage, earlier] * stages[earlier]
                stages[stage] = rates(time + c[stage] * h, at, *arguments)
            for stage in range(b.size):
                y += h * b[stage] * stages[stage]
        states[k] = y


def integrate_field(state, times, field, greenwich=0.0):
    """Return states (n, 6) at equally spaced times [s] from the first; ``field`` as of `unnormalised_field`."""
    states = np.empty((times.size, 6))
    states[0] = state
    steps = int(np.ceil((times[1] - times[0]) / 100.0))
    advance(states, times, steps, DOP853.A, DOP853.B, DOP853.C, arguments_of(field, greenwich))
    return states


def arguments_of(field, greenwich):
    c, s = field
    highest = int(np.nonzero(np.abs(c).sum(axis=1) + np.abs(s).sum(axis=1))[0].max())
    return MU, RADIUS, c, s, highest, greenwich, ROTATION


POSITION = np.array([-3100.0, 4700.0, 4400.0])


def test_zonals_agree_with_legendre_polynomials():
    # slow twin: numpy's Legendre series (tests.truth)
    found = field_acceleration(*POSITION, MU, RADIUS, *unnormalised_field(degree=0), 15)
    central = -MU * POSITION / np.linalg.norm(POSITION) ** 3
    np.testing.assert_allclose(np.array(found) - central, zonal_acceleration(POSITION), rtol=1e-11)
    assert -unnormalised_field()[0][2, 0] == ZONALS[2]


def test_tesserals_are_the_gradient_of_spherical_harmonics():
    # slow twin: scipy's spherical harmonics (with the Condon-Shortley phase), central differences of the potential
    c, s = unnormalised_field()

    def potential(position):
        r = np.linalg.norm(position)
        colatitude, longitude = np.arccos(position[2] / r), np.arctan2(position[1], position[0])
        total = 1.0
        for n in range(2, 16):
            for m in range(min(n, 8) + 1):
                scale = np.sqrt(4.0 * np.pi / (2 * n + 1) * factorial(n + m) / factorial(n - m))
                harmonic = (-1) ** m * scale * sph_harm_y(n, m, colatitude, longitude)
                total += (RADIUS / r) ** n * (c[n, m] * harmonic.real + s[n, m] * harmonic.imag)
        return MU / r * total

    step = 0.05
    expected = [(potential(POSITION + d) - potential(POSITION - d)) / (2.0 * step) for d in step * np.eye(3)]
    found = field_acceleration(*POSITION, MU, RADIUS, c, s, 15)
    np.testing.assert_allclose(found, expected, rtol=1e-8)


def test_fixed_steps_agree_with_scipy():
    # other method: scipy's DOP853 with its own step control, over a day
    state = np.array([6900.0, 300.0, -200.0, -0.3, 4.1, 6.3])
    times, field = np.arange(0.0, 86401.0, 400.0), unnormalised_field()
    settings = {"method": "DOP853", "rtol": 1e-13, "atol": 1e-10, "args": arguments_of(field, 1.1)}
    expected = solve_ivp(rates, (0.0, times[-1]), state, t_eval=times[[-1]], **settings).y[:, 0]
    np.testing.assert_allclose(integrate_field(state, times, field, 1.1)[-1], expected, rtol=0.0, atol=3e-7)
