"""Tesserals: how the longitude-dependent gravity field displaces a near-circular orbit, daily and faster.

Kaula's linear theory about a circular orbit precessing under J2, orders 1 to 8 up to degree 8 of EGM96. Written in the
eccentricity vector, so that nothing is divided by the eccentricity: the terms q = -1, 0 and 1 of the eccentricity
function, at e = 0. Against numerical integration over ten days, 6,780 < a < 7,900 km and e < 0.02, it leaves 0.2 to
3.4 m RMS of 57 to 253 m in the radius, 1 to 41 m of 300 to 610 m along the track and 0.2 to 8 m of 81 to 146 m across;
most where e is largest.

Units: km, s, radians. Longitudes are those of the ascending node from Greenwich, right ascension of the node less the
Greenwich angle. The mean elements that belong to the displacements are free of them: averages over whole days.

Divisors. A term of order m and multiple j of the argument of latitude has the frequency j u' + m (node' - rotation).
Orders to 8 make it small only where 8 or fewer revolutions fill a day, above 3,900 km: such an orbit is refused. With
13 to 16 revolutions a day (1,250 km down to 270 km) the field resonates in orders 13 to 16, which are not of this
theory: near an exact repeat they change the semi-major axis slowly, and the place along the track with it; that is left
out.

Sources: W. M. Kaula, Theory of Satellite Geodesy, 1966, eqs. 3.70 to 3.76 and table 1; the single sum for the
inclination function is that of R. R. Allan, Planetary and Space Science 15, 53, 1967 (both from memory).
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from math import comb, factorial
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells import constants
from shells.errors import Faults
from shells.motion.mutual_nodes import mutual_node
from shells.motion.ripple import kernels

Floats = NDArray[np.float64]

HIGHEST_DEGREE = 8

#: Cross-track displacements carry one multiple of the argument of latitude more than the degree.
REACH = HIGHEST_DEGREE + 1

#: Of the field, from 1.
ORDERS = np.arange(1, HIGHEST_DEGREE + 1)

#: Least frequency of a term, in units of the mean motion: common practice, no source. The slowest term away from
#: resonance is the daily one, 1 / 17 in the lowest orbits.
LEAST_DIVISOR = 0.03

#: An inclination is kept this far [rad] from 0 and pi, where the terms are finite but are quotients of zeros.
_TILT = 1e-8


class Ripple(NamedTuple):
    """The tesseral displacements of one near-circular orbit, ready to be evaluated.

    Parameters
    ----------
    amplitudes : ndarray of complex, shape (3, 9, 19)
        Of the radial, along-track and cross-track displacement [km], by order m and by j + 9, j the multiple of the
        argument of latitude.
    inclination : float
        Of the orbit [rad].
    """

    amplitudes: NDArray[np.complex128]
    inclination: float


class Displacement(NamedTuple):
    """Where the tesserals put a satellite, less where its mean elements put it.

    Parameters
    ----------
    radial, along, cross : ndarray
        Displacement [km] outwards, forwards and along the angular momentum.
    """

    radial: Floats
    along: Floats
    cross: Floats


class RippleDifference(NamedTuple):
    """Difference of radial ripple of two satellites meeting at a mutual node.

    Parameters
    ----------
    rms, worst : ndarray
        Over the time of day and both nodes [km].
    """

    rms: Floats
    worst: Floats


def inclination_function(degree: int, order: int, index: int, inclination: float) -> tuple[float, float]:
    """Return Kaula's inclination function and its slope.

    Parameters
    ----------
    degree, order, index : int
        l, m and p, 0 <= m <= l, 0 <= p <= l.
    inclination : float
        [rad].

    Returns
    -------
    value, slope : float
        F_lmp(i) [1] and dF/di [rad-1], for unnormalised harmonics; Kaula 1966, eq. 3.62, as a single sum in the half
        angle.
    """
    cosine, sine = np.cos(0.5 * inclination), np.sin(0.5 * inclination)
    value = slope = 0.0
    for j in range(max(0, degree - order - 2 * index), min(degree - order, 2 * degree - 2 * index) + 1):
        factor = (-1) ** j * comb(2 * degree - 2 * index, j) * comb(2 * index, degree - order - j)
        rise = order - degree + 2 * index + 2 * j
        fall = 2 * degree - rise
        value += factor * cosine**fall * sine**rise
        if fall > 0:
            slope -= 0.5 * factor * fall * cosine ** (fall - 1) * sine ** (rise + 1)
        if rise > 0:
            slope += 0.5 * factor * rise * cosine ** (fall + 1) * sine ** (rise - 1)
    scale = factorial(degree + order) / (2**degree * factorial(index) * factorial(degree - index))
    scale *= (-1) ** ((degree - order + 1) // 2)
    return float(scale * value), float(scale * slope)


@cache
def tesseral_coefficients() -> NDArray[np.complex128]:
    """Return the unnormalised tesseral coefficients of EGM96, degrees 2 to 8, orders 1 to 8.

    Returns
    -------
    ndarray of complex, shape (9, 9)
        C_lm - i S_lm [1] at index (l, m); zero elsewhere.
    """
    coefficients = np.zeros((HIGHEST_DEGREE + 1, HIGHEST_DEGREE + 1), dtype=np.complex128)
    with (files("shells.motion") / "gravity_egm96.csv").open() as lines:
        for row in csv.DictReader(line for line in lines if not line.startswith("#")):
            n, m = int(row["n"]), int(row["m"])
            if m > 0 and n <= HIGHEST_DEGREE:
                scale = np.sqrt(2 * (2 * n + 1) * factorial(n - m) / factorial(n + m))
                coefficients[n, m] = scale * complex(float(row["C"]), -float(row["S"]))
    coefficients.setflags(write=False)
    return coefficients


class _Rates(NamedTuple):
    """Rates of a circular orbit under J2 [rad s-1]; longitude: node from Greenwich; oblateness: -node' / cos i."""

    mean_motion: float
    latitude: float
    anomaly: float
    longitude: float
    oblateness: float


def _secular_rates(a: float, inclination: float) -> _Rates:
    n = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / a**3)
    k = 1.5 * n * constants.zonal_coefficients()[2] * (constants.REFERENCE_RADIUS.value / a) ** 2
    z = np.sin(inclination) ** 2
    node = -k * np.cos(inclination)
    return _Rates(n, n + k * (3.0 - 4.0 * z), n + k * (1.0 - 1.5 * z), node - constants.EARTH_ROTATION_RATE.value, k)


def ripple_terms(semi_major_axis_km: float, inclination: float, degree: int = HIGHEST_DEGREE) -> Ripple:
    """Prepare the tesseral displacements of one near-circular orbit.

    Parameters
    ----------
    semi_major_axis_km : float
        Mean semi-major axis [km].
    inclination : float
        Mean inclination [rad].
    degree : int
        Highest degree of the field, 2 to 8.

    Returns
    -------
    Ripple
        Amplitudes of the displacements.

    Raises
    ------
    InputError
        A degree or inclination out of range, an orbit below the surface, or one near a resonance of order 8 or less.

    Notes
    -----
    The disturbing function is the real part of the sum over l, m, p of V exp(i (k u + m lambda)) (1 + g+ (ex - i ey)
    exp(i u) + g- (ex + i ey) exp(-i u)), with k = l - 2 p, V = (mu / a) (R / a)^l F_lmp(i) (C - i S) (-i)^(l - m mod 2)
    and g+- = G_lp(+-1) / e = (l + 1 +- 2 k) / 2. Lagrange's equations are integrated at the J2 rates, the secular rates
    of the node and of the argument of latitude changing with the displaced a and i.
    """
    _require_usable(semi_major_axis_km, inclination, degree)
    a, tilt = semi_major_axis_km, float(np.clip(inclination, _TILT, np.pi - _TILT))
    rates = _secular_rates(a, tilt)
    amplitudes = np.zeros((3, HIGHEST_DEGREE + 1, 2 * REACH + 1), dtype=np.complex128)
    for n in range(2, degree + 1):
        for m in range(1, n + 1):
            strength = a * rates.mean_motion * (constants.REFERENCE_RADIUS.value / a) ** n
            strength *= tesseral_coefficients()[n, m] * (-1j) ** ((n - m) % 2)
            for p in range(n + 1):
                function, slope = inclination_function(n, m, p, tilt)
                _add_term(a, tilt, rates, (n, m, n - 2 * p), strength * function, strength * slope, amplitudes[:, m])
    return Ripple(amplitudes, inclination)


def _add_term(
    a: float,
    tilt: float,
    rates: _Rates,
    numbers: tuple[int, int, int],
    force: complex,
    force_slope: complex,
    out: NDArray[np.complex128],
) -> None:
    """Add one term of the disturbing function to ``out``, shape (3, 19); ``force`` is V / (n a), [km s-1]."""
    n, m, k = numbers
    sine, cosine = np.sin(tilt), np.cos(tilt)
    frequency = k * rates.latitude + m * rates.longitude
    axis = 2.0 * k * force / frequency
    # amplitudes of exp(i (k + 1) u) and exp(i (k - 1) u) in a ex; those of a ey are -i and i times them
    above = 0.5 * (n + 1 + 2 * k) * force / (frequency + rates.anomaly)
    below = -0.5 * (n + 1 - 2 * k) * force / (frequency - rates.anomaly)
    # inclination times sin i, node times sin i, and argument of latitude plus cos i times node, all times a
    inclination = (k * cosine - m) * force / frequency
    node = force_slope + rates.oblateness * sine * (3.5 * cosine * axis + inclination)
    node /= 1j * frequency
    along = 2.0 * (n + 1) * force - (1.5 * rates.mean_motion + 3.5 * rates.oblateness * (3.0 - 4.0 * sine**2)) * axis
    along += rates.oblateness * cosine * (3.5 * cosine * axis - 7.0 * inclination)
    along /= 1j * frequency
    out[0, REACH + k] += axis - above - below
    out[1, REACH + k] += along + 2.0j * (above - below)
    out[2, REACH + k + 1] += -0.5j * inclination / sine - 0.5 * node
    out[2, REACH + k - 1] += 0.5j * inclination / sine - 0.5 * node


def _require_usable(semi_major_axis_km: float, inclination: float, degree: int) -> None:
    faults = Faults("ripple_terms")
    surface = constants.REFERENCE_RADIUS.value
    faults.require(2 <= degree <= HIGHEST_DEGREE, f"degree {degree} found; allowed: 2 to {HIGHEST_DEGREE}")
    faults.require(0.0 <= inclination <= np.pi, f"inclination {inclination} rad found; allowed: 0 to pi")
    faults.require(
        semi_major_axis_km > surface, f"semi-major axis {semi_major_axis_km} km found; allowed: above {surface}"
    )
    faults.raise_if_any()
    rates = _secular_rates(semi_major_axis_km, inclination)
    order, multiple = np.arange(1, HIGHEST_DEGREE + 1)[:, None], np.arange(-REACH, REACH + 1)
    divisor = np.abs(multiple * rates.latitude + order * rates.longitude).min() / rates.mean_motion
    faults.require(
        bool(divisor >= LEAST_DIVISOR),
        f"semi-major axis {semi_major_axis_km} km found, with a term at {divisor:.4f} of the mean motion: resonant "
        f"with the Earth's rotation; allowed: {LEAST_DIVISOR} or more, as everywhere below 3,900 km of altitude",
    )
    faults.raise_if_any()


def evaluate(
    plan: Ripple, raan: ArrayLike, argument_of_latitude: ArrayLike, greenwich_angle: ArrayLike
) -> Displacement:
    """Return the tesseral displacements of a satellite.

    Parameters
    ----------
    plan : Ripple
        From `ripple_terms`.
    raan : array_like
        Right ascension of the ascending node [rad].
    argument_of_latitude : array_like
        True argument of latitude [rad], of the mean elements; with the mean one the error grows up to threefold at
        e = 0.015.
    greenwich_angle : array_like
        Angle of Greenwich from the zero of right ascension [rad].

    Returns
    -------
    Displacement
        [km], of the shape of the broadcast arguments. The satellite passes a fixed argument of latitude earlier by
        along / (a u').
    """
    longitude = np.asarray(raan, dtype=np.float64) - np.asarray(greenwich_angle, dtype=np.float64)
    arguments, longitudes = np.broadcast_arrays(np.asarray(argument_of_latitude, dtype=np.float64), longitude)
    out = np.empty((arguments.size, 3))
    kernels.displacements(plan.amplitudes, arguments.ravel(), longitudes.ravel(), out)
    return Displacement(*(column.reshape(arguments.shape) for column in out.T))


def lift_difference(first: Ripple, second: Ripple, node_difference: ArrayLike, *, longitudes: int) -> Floats:
    """Return by how much the tesserals lift one satellite more than another at the mutual nodes of their orbits.

    Both are then at one place over the Earth, so that the difference depends on the longitude alone.

    Parameters
    ----------
    first, second : Ripple
        The two orbits, from `ripple_terms`.
    node_difference : array_like
        Right ascension of the second ascending node less that of the first [rad].
    longitudes : int
        At how many longitudes, evenly spaced: 17 or more follow every term.

    Returns
    -------
    ndarray, shape (..., 2, longitudes)
        Of the shape of ``node_difference``, by node and longitude: first less second [km].
    """
    return over_longitudes(lift_waves(first, second, node_difference), longitudes)


def lift_waves(first: Ripple, second: Ripple, node_difference: ArrayLike) -> Floats:
    """Return the same as waves of the longitude.

    Parameters
    ----------
    first, second : Ripple
        The two orbits, from `ripple_terms`.
    node_difference : array_like
        Right ascension of the second ascending node less that of the first [rad].

    Returns
    -------
    ndarray, shape (..., 2, 16)
        Of the shape of ``node_difference``, by node: amplitudes of the cosines of 1 to 8 times the longitude, then of
        the sines, first less second [km].
    """
    difference = np.asarray(node_difference, dtype=np.float64)
    node = mutual_node(first.inclination, second.inclination, difference)
    return _lift(first, node.first, np.zeros_like(difference)) - _lift(second, node.second, difference)


def over_longitudes(waves: Floats, longitudes: int) -> Floats:
    """Return waves at evenly spaced longitudes.

    Parameters
    ----------
    waves : ndarray, shape (..., 16)
        From `lift_waves` [km].
    longitudes : int
        How many.

    Returns
    -------
    ndarray, shape (..., longitudes)
        [km].
    """
    # einsum adds in one order however many orbits there are; a product of matrices would not
    values: Floats = np.einsum("...m,ml->...l", waves, _waves_at(longitudes))
    return values


@cache
def _waves_at(longitudes: int) -> Floats:
    """Return cosines, then sines, of the orders at evenly spaced longitudes, shape (16, longitudes)."""
    turns = np.outer(ORDERS, 2.0 * np.pi * np.arange(longitudes) / longitudes)
    values = np.concatenate([np.cos(turns), np.sin(turns)])
    values.setflags(write=False)
    return values


def _lift(plan: Ripple, latitude: Floats, node: Floats) -> Floats:
    """Return waves (..., 2, 16) of radial displacements [km] at arguments of latitude and half a turn on.

    The longitude of the ascending node is ``node`` (...) more than that of the waves.
    """
    multiples = np.arange(-REACH, REACH + 1)
    arguments = latitude[..., None] + np.pi * np.arange(2)
    # einsum: as above
    series = np.einsum("mj,...j->...m", plan.amplitudes[0, 1:], np.exp(1j * arguments[..., None] * multiples))
    series = series * np.exp(1j * node[..., None, None] * ORDERS)
    return np.concatenate([series.real, -series.imag], axis=-1)


def ripple_difference(first: Ripple, second: Ripple, node_difference: ArrayLike) -> RippleDifference:
    """Return how differently the tesserals lift two satellites that meet at a mutual node of their orbits.

    The longitudes of a day are taken as equally likely.

    Parameters
    ----------
    first, second : Ripple
        The two orbits, from `ripple_terms`.
    node_difference : array_like
        Right ascension of the second ascending node less that of the first [rad].

    Returns
    -------
    RippleDifference
        RMS and worst [km], of the shape of ``node_difference``.

    Raises
    ------
    InputError
        The two planes coincide.
    """
    difference = np.asarray(node_difference, dtype=np.float64)
    faults = Faults("ripple_difference")
    faults.require(
        bool((mutual_node(first.inclination, second.inclination, difference).sine > 1e-6).all()),
        "coinciding planes found; allowed: planes that cross; move a node or an inclination",
    )
    faults.raise_if_any()
    apart = lift_difference(first, second, difference, longitudes=240)
    return RippleDifference(np.sqrt(np.mean(apart**2, axis=(-2, -1))), np.abs(apart).max(axis=(-2, -1)))
