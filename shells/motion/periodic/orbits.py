"""Frozen orbits as periodic orbits of the full zonal field.

Seen in the meridian plane that turns with its node, a frozen orbit closes after one revolution, to all orders in the
zonals. It is symmetric about its northern and its southern apex, where the radial velocity vanishes; so radius and
inclination are cosine series in the angle from the northern apex, which are Chebyshev series in the sine of the
argument of latitude, and ascending and descending passes share one surface.

Shooting: of the orbits that leave the northern apex level, with a given mean radius, mean inclination and eccentricity,
the frozen one arrives level at the southern apex. The radial velocity there is so smooth a function of the eccentricity
that a short Chebyshev series finds all its zeros; each is then corrected until the orbit closes. Method: symmetric
periodic orbits of a reversible system, M. Henon 1965, Annales d'Astrophysique 28, 499-511 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.polynomial import Chebyshev, chebyshev
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dct

from shells.constants import GRAVITATIONAL_PARAMETER, REFERENCE_RADIUS, zonal_coefficients
from shells.motion.periodic.kernels import follow

_MU, _RADIUS = GRAVITATIONAL_PARAMETER.value, REFERENCE_RADIUS.value

#: Orbits more eccentric than this are no shells: the radius would swing by a tenth.
LARGEST_ECCENTRICITY = 0.05

#: Steps from apex to apex, and so the highest harmonic: the zonals reach 15, their products twice that.
_STEPS = 32

#: Series of the closing error in the eccentricity: what it leaves out is below 1e-10 in the eccentricity.
_SERIES_DEGREE = 6

#: Turns of the two fixed points; each gains three digits or more, and a few suffice.
_TURNS = 12

#: Relative size below which the corrections of the shooting are rounding.
_ROUNDING = 1e-13

#: Closing error of an orbit closed to rounding. Not the eccentricity is asked to settle: near a critical inclination
#: the closing error hardly depends on it.
_CLOSED = 1e-14

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class FrozenOrbit:
    """A periodic orbit of the zonal field.

    Parameters
    ----------
    mean_radius_km, inclination_deg : float
        Radius [km] and osculating inclination [deg], averaged over the argument of latitude.
    degree : int
        Highest degree of the zonals.
    eccentricity : float
        e sin(argument of perigee) [1]: the coefficient of sin u in the radius, over minus the mean radius. Positive
        with perigee at 90 deg, negative at 270 deg. It differs from the eccentricity of a Keplerian ellipse of the same
        radii by the fraction e^2 / 4.
    nodal_period_s : float
        Time from ascending node to ascending node [s].
    radius_harmonics_km, inclination_harmonics_deg : ndarray, shape (33,)
        Radius [km] and inclination [deg] are the sums of c_k cos k (u - 90 deg): c_1 is the coefficient of sin u, c_2
        that of -cos 2u, c_3 of -sin 3u, c_4 of cos 4u, and so on.
    apex_momentum : float
        Angular momentum at the northern apex [km2 s-1].
    """

    mean_radius_km: float
    inclination_deg: float
    degree: int
    eccentricity: float
    nodal_period_s: float
    radius_harmonics_km: _Floats
    inclination_harmonics_deg: _Floats
    apex_momentum: float

    def radius(self, argument_of_latitude_deg: ArrayLike) -> _Floats:
        """Return the radius against the argument of latitude.

        Parameters
        ----------
        argument_of_latitude_deg : array_like
            Argument of latitude [deg].

        Returns
        -------
        ndarray
            Osculating radius [km].
        """
        return self._radius_at_sine(np.sin(np.radians(argument_of_latitude_deg)))

    def surface(self, latitude_deg: ArrayLike) -> _Floats:
        """Return the radius against latitude, on ascending and descending passes alike.

        Parameters
        ----------
        latitude_deg : array_like
            Geocentric latitude [deg].

        Returns
        -------
        ndarray
            Osculating radius [km]; NaN at latitudes that the orbit does not reach: its apexes are at the osculating
            inclination there, up to 0.03 deg nearer to the equator than the mean one.
        """
        sine_latitude = np.sin(np.radians(latitude_deg))
        sine = sine_latitude
        for _ in range(_TURNS):  # the inclination depends on the sine by J2 only: three digits a turn
            sine = sine_latitude / np.sin(np.radians(chebyshev.chebval(sine, self.inclination_harmonics_deg)))
        # the apex itself is reached: rounding of its sine must not make it NaN
        reached = np.abs(sine) <= 1.0 + 1e-12
        return np.where(reached, self._radius_at_sine(np.clip(sine, -1.0, 1.0)), np.nan)

    def occupied_radius(
        self, argument_of_latitude_deg: ArrayLike, eccentricity_departure: ArrayLike
    ) -> tuple[_Floats, _Floats]:
        """Return the lowest and highest radius of an orbit whose eccentricity vector is off the frozen one.

        Parameters
        ----------
        argument_of_latitude_deg : array_like
            Argument of latitude [deg].
        eccentricity_departure : array_like
            Length of the departure of the mean eccentricity vector [1].

        Returns
        -------
        lowest, highest : ndarray
            Radius [km]: that of the frozen orbit less and plus r_m times the departure. The departure turns through all
            directions in one apsidal period (119 d at 550 km and 53 deg, decades next to the critical inclinations),
            and keeps its length: to 0.2 % in general, 1 % at 0.2 deg and 3 % at 0.1 deg from a critical inclination.

        Notes
        -----
        C. Bombardelli, G. Falco, D. Amato & A. Rosengren 2021, arXiv:2012.09240: space occupancy, 2 a e_p in all.
        """
        radius = self.radius(argument_of_latitude_deg)
        swing = self.mean_radius_km * np.asarray(eccentricity_departure, dtype=np.float64)
        return radius - swing, radius + swing

    def state(self, argument_of_latitude_deg: float) -> tuple[_Floats, _Floats]:
        """Return the osculating state at an argument of latitude, the node then being on the first axis.

        Parameters
        ----------
        argument_of_latitude_deg : float
            Argument of latitude [deg], within half a turn of the northern apex: -90 to 270.

        Returns
        -------
        position, velocity : ndarray, shape (3,)
            [km], [km s-1], in the frame of the equator with the ascending node on the first axis.
        """
        u = np.radians(argument_of_latitude_deg)
        inclination = np.radians(self.inclination_harmonics_deg.sum())
        polar_momentum = self.apex_momentum * np.cos(inclination)
        states = np.zeros((_STEPS + 1, 4))
        states[0, [0, 2]] = self.radius_harmonics_km.sum(), self.apex_momentum
        follow(0.5 * pi, (u - 0.5 * pi) / _STEPS, polar_momentum, _MU, _RADIUS, _zonals(self.degree), states)
        r, radial, momentum, _ = states[-1]
        cos_i = polar_momentum / momentum
        sin_i = np.sqrt(1.0 - cos_i**2)
        outward = np.array([np.cos(u), np.sin(u) * cos_i, np.sin(u) * sin_i])
        along = np.array([-np.sin(u), np.cos(u) * cos_i, np.cos(u) * sin_i])
        return r * outward, radial * outward + momentum / r * along

    def _radius_at_sine(self, sine: _Floats) -> _Floats:
        return np.asarray(chebyshev.chebval(sine, self.radius_harmonics_km), dtype=np.float64)


def frozen_orbits(mean_radius_km: float, inclination_deg: float, degree: int) -> list[FrozenOrbit]:
    """Return all near-circular frozen orbits with perigee at 90 or 270 deg, found as periodic orbits.

    Parameters
    ----------
    mean_radius_km : float
        Mean radius [km], above the ground.
    inclination_deg : float
        Mean inclination [deg], from 1 to 179.
    degree : int
        Highest degree of the zonals, 3 to 15.

    Returns
    -------
    list of FrozenOrbit
        Those of eccentricity up to 0.05, the smallest first; empty where there are none.
    """

    def closing_error(eccentricity: float) -> tuple[float, FrozenOrbit]:
        return _shoot(mean_radius_km, np.radians(inclination_deg), eccentricity, degree)

    nodes = LARGEST_ECCENTRICITY * chebyshev.chebpts1(_SERIES_DEGREE + 1)
    errors = [closing_error(float(eccentricity))[0] for eccentricity in nodes]
    limits = [-LARGEST_ECCENTRICITY, LARGEST_ECCENTRICITY]
    series = Chebyshev.fit(nodes, errors, _SERIES_DEGREE, domain=limits)
    slope = series.deriv()
    found = []
    for root in series.roots():
        if np.isreal(root) and abs(root.real) <= LARGEST_ECCENTRICITY:
            eccentricity = float(root.real)
            for _ in range(_TURNS):
                error, orbit = closing_error(eccentricity)
                if abs(error) < _CLOSED:
                    found.append(orbit)
                    break
                eccentricity -= float(error / slope(eccentricity))
    return sorted(found, key=lambda orbit: abs(orbit.eccentricity))


def _zonals(degree: int) -> _Floats:
    return zonal_coefficients()[: degree + 1].copy()


def _shoot(mean_radius: float, inclination: float, eccentricity: float, degree: int) -> tuple[float, FrozenOrbit]:
    """Return the closing error and the orbit that leaves the northern apex level and has the wanted means.

    The means are those of the half revolution to the southern apex; the error is the radial velocity there, over the
    speed on the circle.
    """
    zonals = _zonals(degree)
    wanted = np.array([mean_radius, mean_radius * eccentricity, inclination])
    aim = wanted.copy()
    states = np.zeros((_STEPS + 1, 4))
    for _ in range(_TURNS):
        # Of a Keplerian ellipse with perigee at 90 deg, b = e / (1 + sqrt(1 - e^2)): the radius has the mean
        # p / sqrt(1 - e^2) and the coefficient -2 b of sin u relative to it.
        b = 0.5 * aim[1] / aim[0]
        parameter = aim[0] * (1.0 - b**2) / (1.0 + b**2)
        momentum = np.sqrt(_MU * parameter)
        states[0, [0, 2]] = parameter / (1.0 + 2.0 * b / (1.0 + b**2)), momentum
        polar_momentum = momentum * np.cos(aim[2])
        follow(0.5 * pi, pi / _STEPS, polar_momentum, _MU, _RADIUS, zonals, states)
        radius = _harmonics(states[:, 0])
        tilt = _harmonics(np.arccos(polar_momentum / states[:, 2]))
        missed = wanted - [radius[0], -radius[1], tilt[0]]
        if np.all(np.abs(missed) < _ROUNDING * np.array([mean_radius, mean_radius, 1.0])):
            break
        aim += missed
    orbit = FrozenOrbit(
        mean_radius_km=mean_radius,
        inclination_deg=float(np.degrees(inclination)),
        degree=degree,
        eccentricity=eccentricity,
        nodal_period_s=2.0 * float(states[-1, 3]),
        radius_harmonics_km=radius,
        inclination_harmonics_deg=np.degrees(tilt),
        apex_momentum=float(momentum),
    )
    return float(states[-1, 1] / np.sqrt(_MU / mean_radius)), orbit


def _harmonics(samples: _Floats) -> _Floats:
    """Return the coefficients of cos k x of an even function from samples at equal steps of x, 0 to pi."""
    coefficients: _Floats = dct(samples, type=1) / _STEPS
    coefficients[[0, -1]] *= 0.5
    return coefficients
