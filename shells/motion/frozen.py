"""Frozen orbits: their eccentricity, their surface and the gap between two of them.

On a frozen orbit the mean eccentricity vector stands still, perigee at 90 deg (or 270 deg where the value is negative):
the radius is then the same at every passage of a latitude, and the orbit of a whole plane is one surface.

**Linear theory**, in closed form for whole fleets: first order in the eccentricity vector and in the zonals. Against
the periodic orbit of the same field and mean inclination (300 to 2,000 km, zonals to 15) it is off by up to 2e-6 in
eccentricity and 20 m in radius outside 58 to 70 deg and the supplements, by 4e-6 and 55 m at 61.4 deg, and by 9e-6 and
65 m at 65.4 deg. That is 0.13 % of the eccentricity from 25 to 61.4 deg, but many per cent around 66 deg, where the
value itself passes through zero.

**The periodic orbit** (`frozen_orbit`) is exact in the zonals and needs no divisor, so it holds at the critical
inclinations too. There it shows one family, without a second solution, up to an eccentricity of 0.05. Mean
inclination [deg] at which the frozen orbit has a given eccentricity, perigee at 90 deg below the critical inclination
(positive) and at 270 deg above (negative):

========  ======  ======  ======  ======  ========  ======  ======  ======  ======
altitude   0.005    0.01    0.02    0.05  none       -0.05   -0.02   -0.01  -0.005
========  ======  ======  ======  ======  ========  ======  ======  ======  ======
550 km    62.593  63.057  63.252  63.358  0.14 deg  63.498  63.590  63.733  63.984
1,200 km  62.843  63.163  63.300  63.375  0.10 deg  63.478  63.543  63.648  63.834
========  ======  ======  ======  ======  ========  ======  ======  ======  ======

In between there is none below 0.05: from either side the eccentricity grows on, past 0.1, as the divisor passes
through zero at 63.43 deg. Above, the value falls to zero at 66.524 deg (550 km) and 65.957 deg (1,200 km), where the
perigee moves from 270 back to 90 deg. All of this belongs to zonals to 15. To degree 3 the forcing vanishes with the
divisor: the eccentricity stays below 0.003 up to 0.003 deg from the critical inclination; nearer to it a second, more
eccentric orbit appears, meets the first and vanishes with it, and from 63.437 to 63.438 deg there is none.

Sources: G. E. Cook 1966, Planetary and Space Science 14, 433-444 (linear motion of the eccentricity vector under any
odd zonals, short-period radius); G. Rosborough & C. Ocampo 1991, AAS 91-428 (to high degree); both from memory.
Constants: EGM96.
"""

from __future__ import annotations

from functools import cache
from math import comb
from typing import Literal

import numpy as np
from numpy.polynomial import Polynomial, legendre
from numpy.typing import ArrayLike, NDArray

from shells.constants import REFERENCE_RADIUS, zonal_coefficients
from shells.errors import Faults, InputError
from shells.motion.averaged import kernels
from shells.motion.forces import Forces
from shells.motion.periodic.orbits import LARGEST_ECCENTRICITY, FrozenOrbit, frozen_orbits
from shells.motion.shape import mean_radius, semi_major_axis

#: Zero of 4 - 5 sin^2 i; the other one is its supplement.
CRITICAL_INCLINATION_DEG = float(np.degrees(np.arcsin(np.sqrt(0.8))))

#: Nearer than this to a critical inclination the divisor of the linear solution is so small that terms of J2 squared,
#: which the linear theory leaves out, come to matter, and next to it decide.
CRITICAL_MARGIN_DEG = 2.0

#: Farther than this from the critical inclinations a frozen orbit of eccentricity below 0.05 exists above 300 km.
NONE_WITHIN_DEG = 0.1

HIGHEST_DEGREE = 15

# first step of the secant method, and an epoch for a force model whose forces know no time
_SECANT = 1e-5
_ANY_EPOCH = np.datetime64("2000-01-01", "ns")

#: Towards the equator the argument of latitude, in which the periodic orbit is found, loses its origin.
_LOWEST_INCLINATION_DEG = 1.0


def is_near_critical(inclination_deg: ArrayLike) -> NDArray[np.bool_]:
    """Return where the linear frozen solution does not hold.

    Parameters
    ----------
    inclination_deg : array_like
        Mean inclination [deg].

    Returns
    -------
    ndarray of bool
        True within `CRITICAL_MARGIN_DEG` of 63.4349 or 116.5651 deg.
    """
    folded = np.abs(np.asarray(inclination_deg, dtype=np.float64) - 90.0)
    return np.abs(folded - (90.0 - CRITICAL_INCLINATION_DEG)) < CRITICAL_MARGIN_DEG


def frozen_eccentricity(
    mean_radius_km: ArrayLike, inclination_deg: ArrayLike, degree: int = HIGHEST_DEGREE
) -> NDArray[np.float64]:
    """Return the mean eccentricity of the frozen orbit.

    Parameters
    ----------
    mean_radius_km : array_like
        Mean radius [km].
    inclination_deg : array_like
        Mean inclination [deg].
    degree : int
        Highest degree of the zonals, 3 to 15. The value depends on it strongly: J3 alone is 10 to 20 % off, and
        several-fold near 66 deg.

    Returns
    -------
    ndarray
        e sin(argument of perigee) [1], e cos(argument of perigee) being zero: perigee at 90 deg where positive, at
        270 deg where negative.

    Raises
    ------
    InputError
        An inclination within 2 deg of a critical one, or a degree out of range.

    Notes
    -----
    With P_n(s sin u) = c_0 + sum_k (b_k sin(k u) + c_k cos(k u)), s = sin i and u the argument of latitude,

    e_f = sum_odd J_n (R/r)^n b_1 (n - 1)/2
    / sum_even J_n (R/r)^n (-2 c_0 x_0 + (dc_0/di) cot i + 2 c_2 x_2),
    x_0 = n - 1/2 + (n - 1)(n - 2)/4, x_2 = (n - 1)(n - 2)/8.

    To degree 3 this is -(J3 / 2 J2) (R/r) sin i.
    """
    radius, inclination = np.broadcast_arrays(
        np.asarray(mean_radius_km, dtype=np.float64), np.asarray(inclination_deg, dtype=np.float64)
    )
    _require_usable(inclination, degree)
    return _linear_eccentricity(radius, inclination, degree)


def standing_eccentricity(mean_radius_km: ArrayLike, inclination_deg: ArrayLike) -> NDArray[np.float64]:
    """Return the mean eccentricity that stands still in the library's own motion, zonals to 15.

    Parameters
    ----------
    mean_radius_km : array_like
        Mean radius [km].
    inclination_deg : array_like
        Mean inclination [deg].

    Returns
    -------
    ndarray
        e sin(argument of perigee) [1], as `frozen_eccentricity`, which it corrects by up to 1e-5. The harmonic of the
        periodic orbit, averaged over the argument of latitude, differs by up to 1e-6.

    Raises
    ------
    InputError
        As `frozen_eccentricity`.

    Notes
    -----
    The root of the averaged rate of e cos(argument of perigee) by the secant method, from the linear theory on.
    """
    radius, inclination = np.broadcast_arrays(
        np.asarray(mean_radius_km, dtype=np.float64), np.asarray(inclination_deg, dtype=np.float64)
    )
    shape = radius.shape
    rows = np.zeros((radius.size, 6))
    rows[:, 0] = semi_major_axis(radius, inclination).ravel()
    rows[:, 3] = np.radians(inclination).ravel()
    distinct, which = np.unique(rows, axis=0, return_inverse=True)
    before = frozen_eccentricity(mean_radius(distinct[:, 0], np.degrees(distinct[:, 3])), np.degrees(distinct[:, 3]))
    now = before + _SECANT
    rate_before, rate = _vector_rate(distinct, before), _vector_rate(distinct, now)
    for _ in range(4):
        slope = (rate - rate_before) / np.where(now == before, 1.0, now - before)
        change = np.where(slope == 0.0, 0.0, -rate / np.where(slope == 0.0, 1.0, slope))
        before, rate_before = now, rate
        now = now + change
        rate = _vector_rate(distinct, now)
    found: NDArray[np.float64] = now[which.reshape(-1)].reshape(shape)
    return found


def _vector_rate(rows: NDArray[np.float64], eccentricity: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the rate of e cos(argument of perigee) [s-1] with perigee at 90 deg."""
    elements = rows.copy()
    elements[:, 2] = eccentricity
    zonals = Forces(drag=False, sun=False, moon=False, radiation=False)
    rates = np.empty_like(elements)
    nothing = np.zeros((len(rows), 2))
    kernels.mean_rates(elements, nothing, np.zeros(len(rows)), zonals.model(_ANY_EPOCH, 0.0), rates)
    return rates[:, 1]


def _linear_eccentricity(
    radius: NDArray[np.float64], inclination: NDArray[np.float64], degree: int
) -> NDArray[np.float64]:
    zonals = zonal_coefficients()
    sine, cosine = np.sin(np.radians(inclination)), np.cos(np.radians(inclination))
    forcing, stiffness = np.zeros(radius.shape), np.zeros(radius.shape)
    for n in range(2, degree + 1):
        strength = zonals[n] * (REFERENCE_RADIUS.value / radius) ** n
        if n % 2:
            forcing += strength * 0.5 * (n - 1) * _odd_polynomial(n)(sine)
        else:
            x2 = (n - 1) * (n - 2) / 8.0
            x0 = n - 0.5 + 2.0 * x2
            mean, slope, double = (polynomial(sine) for polynomial in _even_polynomials(n))
            stiffness += strength * (-2.0 * mean * x0 + slope * cosine**2 + 2.0 * double * x2)
    return forcing / stiffness


def _require_usable(inclination: NDArray[np.float64], degree: int) -> None:
    if not 3 <= degree <= HIGHEST_DEGREE:
        raise InputError(f"frozen_eccentricity: degree {degree} found; allowed: 3 to {HIGHEST_DEGREE}")
    near = is_near_critical(inclination)
    if near.any():
        found = ", ".join(f"{value:.4f}" for value in np.unique(inclination[near])[:5])
        raise InputError(
            f"frozen_eccentricity: inclination {found} deg found ({near.sum()} of {near.size} values); the linear "
            f"theory holds at least {CRITICAL_MARGIN_DEG} deg away from {CRITICAL_INCLINATION_DEG:.4f} and "
            f"{180.0 - CRITICAL_INCLINATION_DEG:.4f} deg; use frozen_orbit, or move the inclination"
        )


@cache
def _odd_polynomial(n: int) -> Polynomial:
    """Return b_1 of P_n(s sin u), odd n, as a polynomial in s."""
    # sin^m u has 2^(1-m) C(m, (m-1)/2) as its coefficient of sin u
    powers = enumerate(legendre.leg2poly([0.0] * n + [1.0]))
    return Polynomial([p * 2.0 ** (1 - m) * comb(m, (m - 1) // 2) if m % 2 else 0.0 for m, p in powers])


@cache
def _even_polynomials(n: int) -> tuple[Polynomial, Polynomial, Polynomial]:
    """Return c_0, (dc_0/di) cot i / cos^2 i and c_2 of P_n(s sin u), even n, as polynomials in s."""
    # sin^m u has the mean 2^-m C(m, m/2), and -2^(1-m) C(m, m/2 - 1) as its coefficient of cos 2u
    powers = legendre.leg2poly([0.0] * n + [1.0])
    mean = [0.0 if m % 2 else p * 0.5**m * comb(m, m // 2) for m, p in enumerate(powers)]
    double = [0.0 if m % 2 or m == 0 else -p * 2.0 ** (1 - m) * comb(m, m // 2 - 1) for m, p in enumerate(powers)]
    # dc_0/di cot i = (dc_0/ds) cos^2 i / s: no negative powers are left, so it holds on the equator too
    slope = [m * mean[m] for m in range(2, n + 1)]
    return Polynomial(mean), Polynomial(slope), Polynomial(double)


def frozen_orbit(
    mean_radius_km: float,
    inclination_deg: float,
    degree: int = HIGHEST_DEGREE,
    perigee: Literal[90, 270] | None = None,
) -> FrozenOrbit:
    """Return the frozen orbit as a periodic orbit of the full zonal field.

    Parameters
    ----------
    mean_radius_km : float
        Mean radius [km].
    inclination_deg : float
        Mean inclination [deg], 1 to 179; a critical one is allowed.
    degree : int
        Highest degree of the zonals, 3 to 15.
    perigee : 90 or 270, optional
        Argument of perigee [deg]; by default that of the least eccentric frozen orbit.

    Returns
    -------
    FrozenOrbit
        Exact to rounding in the zonal field.

    Raises
    ------
    InputError
        Arguments out of range, or no frozen orbit of eccentricity up to 0.05 with that perigee.

    See Also
    --------
    shells.motion.periodic.orbits.frozen_orbits : all of them, an empty list for none, and how they are found.
    """
    faults = Faults("frozen_orbit: arguments cannot be used")
    faults.require(
        mean_radius_km > REFERENCE_RADIUS.value,
        f"mean_radius_km: {mean_radius_km} found; allowed: more than {REFERENCE_RADIUS.value}",
    )
    faults.require(
        _LOWEST_INCLINATION_DEG <= inclination_deg <= 180.0 - _LOWEST_INCLINATION_DEG,
        f"inclination_deg: {inclination_deg} found; allowed: {_LOWEST_INCLINATION_DEG:g} to "
        f"{180.0 - _LOWEST_INCLINATION_DEG:g}; nearer to the equator use frozen_eccentricity",
    )
    faults.require(3 <= degree <= HIGHEST_DEGREE, f"degree: {degree} found; allowed: 3 to {HIGHEST_DEGREE}")
    faults.require(perigee in (None, 90, 270), f"perigee: {perigee} found; allowed: 90, 270 or none")
    faults.raise_if_any()
    found = frozen_orbits(mean_radius_km, inclination_deg, degree)
    wanted = [orbit for orbit in found if perigee is None or (orbit.eccentricity >= 0.0) == (perigee == 90)]
    if not wanted:
        demanded = float(_linear_eccentricity(np.asarray(mean_radius_km), np.asarray(inclination_deg), degree))
        raise InputError(_none_message(mean_radius_km, inclination_deg, degree, found, demanded))
    return wanted[0]


def _none_message(
    mean_radius_km: float, inclination_deg: float, degree: int, found: list[FrozenOrbit], demanded: float
) -> str:
    place = f"mean radius {mean_radius_km:.3f} km and inclination {inclination_deg:.4f} deg, zonals to {degree}"
    if found:
        there = found[0].eccentricity
        return (
            f"frozen_orbit: the frozen orbit at {place}, has its perigee at {90 if there >= 0.0 else 270} deg "
            f"(eccentricity {abs(there):.6f}); leave out perigee, or move the inclination"
        )
    return (
        f"frozen_orbit: no frozen orbit of eccentricity up to {LARGEST_ECCENTRICITY} found at {place}; linear theory "
        f"would demand {demanded:.3f}; move the inclination {NONE_WITHIN_DEG} deg or more away from "
        f"{CRITICAL_INCLINATION_DEG:.4f} and {180.0 - CRITICAL_INCLINATION_DEG:.4f} deg"
    )


def _oblateness(mean_radius_km: ArrayLike) -> NDArray[np.float64]:
    """Return K0 = J2 R^2 / (4 r) [km]."""
    return np.asarray(
        zonal_coefficients()[2] * REFERENCE_RADIUS.value**2 / 4.0 / np.asarray(mean_radius_km, dtype=np.float64)
    )


def frozen_radius(
    argument_of_latitude_deg: ArrayLike,
    mean_radius_km: ArrayLike,
    inclination_deg: ArrayLike,
    degree: int = HIGHEST_DEGREE,
) -> NDArray[np.float64]:
    """Return the radius of a frozen orbit against the argument of latitude.

    Parameters
    ----------
    argument_of_latitude_deg : array_like
        Argument of latitude u [deg].
    mean_radius_km : array_like
        Mean radius r [km].
    inclination_deg : array_like
        Mean inclination [deg].
    degree : int
        Highest degree of the zonals in the frozen eccentricity.

    Returns
    -------
    ndarray
        Osculating radius [km]: r - r e_f sin u + J2 R^2 sin^2 i / (4 r) cos 2u.

    Raises
    ------
    InputError
        As `frozen_eccentricity`.
    """
    u = np.radians(argument_of_latitude_deg)
    r = np.asarray(mean_radius_km, dtype=np.float64)
    swing = _oblateness(r) * np.sin(np.radians(inclination_deg)) ** 2
    eccentricity = frozen_eccentricity(r, inclination_deg, degree)
    return np.asarray(r - r * eccentricity * np.sin(u) + swing * np.cos(2.0 * u))


def frozen_gap(
    latitude_deg: ArrayLike,
    *,
    lower_radius_km: float,
    lower_inclination_deg: float,
    upper_radius_km: float,
    upper_inclination_deg: float,
    degree: int = HIGHEST_DEGREE,
) -> NDArray[np.float64]:
    """Return the radial gap between the surfaces of two frozen orbits against latitude.

    Parameters
    ----------
    latitude_deg : array_like
        Geocentric latitude [deg].
    lower_radius_km, upper_radius_km : float
        Mean radii of the two orbits [km].
    lower_inclination_deg, upper_inclination_deg : float
        Mean inclinations [deg].
    degree : int
        Highest degree of the zonals in the frozen eccentricities.

    Returns
    -------
    ndarray
        Radius of the upper surface less radius of the lower [km]; negative where they cross over; NaN at latitudes that
        one of the two orbits does not reach.

    Raises
    ------
    InputError
        A degree out of range, or no near-circular frozen orbit so near to a critical inclination.

    Notes
    -----
    Linear theory, which leaves up to 15 m; within 2 deg of a critical inclination the periodic orbit. The difference of
    two `FrozenOrbit.surface` is exact everywhere.
    """
    sine_latitude = np.sin(np.radians(latitude_deg))

    def surface(radius_km: float, inclination_deg: float) -> NDArray[np.float64]:
        if is_near_critical(inclination_deg):
            return frozen_orbit(radius_km, inclination_deg, degree).surface(latitude_deg)
        sine = np.sin(np.radians(inclination_deg))
        # on the equator itself the frozen eccentricity is zero with the sine
        tilt = radius_km * frozen_eccentricity(radius_km, inclination_deg, degree) / sine if sine else 0.0
        height = radius_km + _oblateness(radius_km) * (sine**2 - 2.0 * sine_latitude**2) - tilt * sine_latitude
        # the apex itself is reached: rounding of its sine must not make it NaN
        return np.where(np.abs(sine_latitude) <= sine * (1.0 + 1e-12), height, np.nan)

    return surface(upper_radius_km, upper_inclination_deg) - surface(lower_radius_km, lower_inclination_deg)
