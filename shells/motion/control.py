"""Station-keeping: how a held satellite moves about the reference orbit of its plane, and what holding it costs.

The tolerances form one motion, added to the mean elements of the reference orbit. Units: km, s, radians.

*Semi-major axis and phase.* Drag takes the mean semi-major axis down at the rate d; a correction lifts it. Its
departure x from the reference moves the phase at the rate -(3/2) (n / a) x, so that the satellite slides along its
track at -(3/2) n x, and x = A - d t takes it backwards by (3/2) n (A t - d t^2 / 2) [1]. A cycle begins at the front of
the slot box with x = +A, turns back after A / d, having slid (3/4) n A^2 / d, and is over after 2 A / d, at the front
again with x = -A. A box of half length l has room for A_box = sqrt(4 l d / (1.5 n)); A is this or the dead-band,
whichever is smaller. Each cycle keeps the drift of its start; the phase is continuous over every correction.

*Little drag.* No A is set finer than the accuracy s of corrections. Where A_box < s, a cycle that begins with x = +s
reaches the rear of the box after half the cycle with x = +r left, r = sqrt(s^2 - A_box^2); there a correction takes x
to -r, from where it falls to -s while the satellite returns to the front. Without any drag it bounces so with +s and
-s, each for 2 l / (1.5 n s). Both kinds of cycle are the same at A_box = s.

*Eccentricity vector.* It wanders through a disc about the reference. Two independent stationary Gaussian functions of
time, X and Y, of zero mean and unit variance, are sums over evenly spaced knots of independent normal numbers times
windows (sqrt(2) / 3) (1 + cos(2 pi t / (3 tau))), |t| < 1.5 tau, with tau the spacing. Squares of the windows sum to
one, and so do the variances; tau is the correlation time, the integral of the autocorrelation over positive lags. With
S = X^2 + Y^2 the departure is radius (X, Y) sqrt((1 - exp(-S / 2)) / S): since 1 - exp(-S / 2) is uniform, it fills the
disc uniformly at any time, and never leaves it. Its rate is continuous. The law is our choice, no source.

*Chance.* Start of the first cycle and wander of a satellite come from a counter-based generator keyed by seed and
identifier [2]: they do not depend on which other satellites are asked for, nor on their order.

*Left out.* Errors of navigation and of single corrections; what the zonals change in the rate of the phase with a,
0.3 % near the poles, 1 % at the equator; the turn of the node by a departure of a, which averages out over a cycle. A
cycle not much longer than the spacing of the nodes is sampled by them, not resolved; cubic polynomials between daily
nodes round off the corners of the phase at corrections, and leave a box of 10 km by up to 1.5 km (dead-band 0.15 km,
d to 1e-6 km/s, at 550 km of height).

References
----------
.. [1] C.-C. Chao, Applied Orbit Perturbation and Maintenance, 2005: drag and ground-track maintenance (from memory).
.. [2] J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, Parallel random numbers: as easy as 1, 2, 3, Proc. SC 2011
   (Philox).
.. [3] R. H. Battin, An Introduction to the Mathematics and Methods of Astrodynamics, 1999, section 10.4: Gauss's
   equations (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells import constants
from shells.errors import Faults
from shells.motion.controlled import kernels

Floats = NDArray[np.float64]

#: Half width [km] beyond which the rate of the phase is no longer linear in a to 0.2 %.
LARGEST_DEAD_BAND = 10.0

#: Radius [1] above which the disc is no tolerance: 35 km of radius in low orbit.
LARGEST_ECCENTRICITY = 0.005

#: Correlation time [day] below which the wander would be too fast for mean elements.
SHORTEST_CORRELATION = 1.0

_MU = constants.GRAVITATIONAL_PARAMETER.value
_DAY = constants.DAY.value
_TO_METRES_PER_YEAR = 1000.0 * constants.YEAR.value


@dataclass(frozen=True)
class Control:
    """How closely a satellite is held to the reference orbit of its plane. The defaults are assumed.

    Parameters
    ----------
    dead_band_km : float
        Half width of the mean semi-major axis [km]. For scale: an altimetry orbit at 1,336 km was held within 5 m
        (Journal of Spacecraft and Rockets, 1996, abstract), a radar imager at 693 km in a tube of 50 m rms.
    slot_box_km : float
        Half length of the box along the track [km].
    correction_accuracy_km : float
        Smallest amplitude to which corrections set the mean semi-major axis [km]: the 5 m of the altimetry orbit.
    eccentricity_radius : float
        Radius of the disc of the eccentricity vector [1]; zero for none.
    eccentricity_correlation_days : float
        Correlation time of its wander [day].
    plane_held : bool
        Whether propellant holds node and inclination against Sun and Moon, or they drift with the plane.
    seed : int
        Of all that is drawn, 0 to 2^64 - 1.

    Raises
    ------
    InputError
        Tolerances that are not positive, too wide or contradictory, or a seed out of range: all together.
    """

    dead_band_km: float = 0.15
    slot_box_km: float = 10.0
    correction_accuracy_km: float = 0.005
    eccentricity_radius: float = 5e-5
    eccentricity_correlation_days: float = 21.0
    plane_held: bool = False
    seed: int = 0

    def __post_init__(self) -> None:
        faults = Faults("Control")
        faults.require(
            0.0 < self.dead_band_km <= LARGEST_DEAD_BAND,
            f"dead_band_km {self.dead_band_km}; expected more than 0, at most {LARGEST_DEAD_BAND:g}",
        )
        faults.require(0.0 < self.slot_box_km < np.inf, f"slot_box_km {self.slot_box_km}; expected more than 0, finite")
        faults.require(
            0.0 < self.correction_accuracy_km <= self.dead_band_km,
            f"correction_accuracy_km {self.correction_accuracy_km}; expected more than 0, at most the dead_band_km of "
            f"{self.dead_band_km}",
        )
        faults.require(
            0.0 <= self.eccentricity_radius <= LARGEST_ECCENTRICITY,
            f"eccentricity_radius {self.eccentricity_radius}; expected 0 to {LARGEST_ECCENTRICITY}",
        )
        faults.require(
            SHORTEST_CORRELATION <= self.eccentricity_correlation_days < np.inf,
            f"eccentricity_correlation_days {self.eccentricity_correlation_days}; expected at least "
            f"{SHORTEST_CORRELATION:g}, finite",
        )
        faults.require(0 <= self.seed < 2**64, f"seed {self.seed}; expected 0 to 2^64 - 1")
        faults.raise_if_any()


class HoldingCost(NamedTuple):
    """Velocity change that holding a satellite takes, each an array [m s-1 per Julian year].

    Parameters
    ----------
    semi_major_axis : ndarray
        Of the limit cycle: to make up for drag.
    eccentricity : ndarray
        To hold the eccentricity vector.
    plane : ndarray
        To hold node and inclination; zero where they drift.
    """

    semi_major_axis: Floats
    eccentricity: Floats
    plane: Floats

    @property
    def total(self) -> Floats:
        """In-plane impulses serve semi-major axis and eccentricity at once; those of the plane come on top."""
        return np.maximum(self.semi_major_axis, self.eccentricity) + self.plane


def departures(
    identifiers: NDArray[np.int64], times_s: Floats, semi_major_axis: Floats, drift: Floats, control: Control
) -> tuple[Floats, Floats]:
    """Return how far held satellites are from the reference orbit of their plane.

    Parameters
    ----------
    identifiers : ndarray, shape (n,)
        Of the objects, zero or more; each gives its satellite the same motion in any company.
    times_s : ndarray, shape (m,)
        Ascending nodes [s] after the epoch, zero or later. The limit cycle is followed from the first of them.
    semi_major_axis : ndarray, shape (n,)
        Mean semi-major axis of the reference orbit [km].
    drift : ndarray, shape (n, m)
        Rate of the semi-major axis by drag at the nodes [km s-1], zero or negative; on straight lines between them.
        Where an object is not held, any such number, zero for instance.
    control : Control
        Tolerances and seed.

    Returns
    -------
    values, rates : ndarray, shape (n, m, 4)
        Departures of ``[a, ex, ey, u]`` [km, 1, 1, rad] and their rates per second, at a correction those after it.

    Raises
    ------
    InputError
        Shapes that do not match; negative identifiers, times before zero or not ascending, an axis that is not
        positive, a drift that is missing or positive: all together; then cycles shorter than a revolution.
    """
    _check_departures(identifiers, times_s, semi_major_axis, drift, control)
    spacing = control.eccentricity_correlation_days * _DAY
    count = int(times_s[-1] / spacing) + 1 + kernels.OVERLAP
    fractions, knots = np.empty((identifiers.size, 2)), np.empty((identifiers.size, count, 2))
    for j, identifier in enumerate(identifiers):
        random = np.random.Generator(np.random.Philox(key=np.array([control.seed, identifier], dtype=np.uint64)))
        random.random(out=fractions[j])
        random.standard_normal(out=knots[j])
    values = np.empty((identifiers.size, times_s.size, 4))
    rates = np.empty_like(values)
    kernels.departures(
        np.ascontiguousarray(times_s, dtype=np.float64),
        np.ascontiguousarray(semi_major_axis, dtype=np.float64),
        np.sqrt(_MU / semi_major_axis**3),
        np.ascontiguousarray(drift, dtype=np.float64),
        fractions,
        knots,
        control.dead_band_km,
        control.slot_box_km,
        control.correction_accuracy_km,
        spacing,
        control.eccentricity_radius,
        values,
        rates,
    )
    return values, rates


def _check_departures(
    identifiers: NDArray[np.int64], times_s: Floats, semi_major_axis: Floats, drift: Floats, control: Control
) -> None:
    faults = Faults("departures")
    found = (identifiers.shape, times_s.shape, semi_major_axis.shape, drift.shape)
    faults.require(
        drift.ndim == 2 and found[:3] == (drift.shape[:1], drift.shape[1:], drift.shape[:1]),
        f"identifiers, times_s, semi_major_axis, drift of shapes {found}; expected (n,), (m,), (n,), (n, m)",
    )
    faults.raise_if_any()
    faults.require(
        not np.any(identifiers < 0),
        f"identifiers: {np.sum(identifiers < 0)} of {identifiers.size} negative; expected zero or more",
    )
    faults.require(
        times_s.size > 0 and bool(times_s[0] >= 0.0 and np.all(np.diff(times_s) > 0.0)),
        "times_s before zero, not ascending or none; expected ascending nodes after the epoch",
    )
    _check_axes_and_drift(faults, semi_major_axis, drift)
    faults.raise_if_any()
    # cycles are shortest at the strongest drift, or at the weakest where the accuracy of corrections decides
    _, _, half = _limit_cycle(np.stack([drift.min(axis=1), drift.max(axis=1)], axis=1), semi_major_axis, control)
    revolution = 2.0 * np.pi / np.sqrt(_MU / semi_major_axis**3)
    shortest = 2.0 * half.min(axis=1)
    short = shortest < revolution
    faults.require(
        not short.any(),
        f"cycles of {short.sum()} of {short.size} satellites down to {shortest.min(initial=np.inf):.4g} s; expected no "
        "more than one a revolution; widen dead_band_km or slot_box_km",
    )
    faults.raise_if_any()


def _limit_cycle(drift: Floats, semi_major_axis: Floats, control: Control) -> tuple[Floats, Floats, Floats]:
    """Return largest and smallest departure of half a cycle [km] and its duration [s], of the shape (n, m) of drift."""
    cycle: tuple[Floats, Floats, Floats] = kernels.limit_cycle(
        -drift,
        np.sqrt(_MU / semi_major_axis**3)[:, None],
        control.dead_band_km,
        control.slot_box_km,
        control.correction_accuracy_km,
    )
    return cycle


def _check_axes_and_drift(faults: Faults, semi_major_axis: Floats, drift: Floats) -> None:
    lost = ~(np.isfinite(semi_major_axis) & (semi_major_axis > 0.0))
    faults.require(
        not lost.any(), f"semi_major_axis: {lost.sum()} of {lost.size} not positive; expected those of an orbit [km]"
    )
    bad = ~(np.isfinite(drift) & (drift <= 0.0))
    faults.require(
        not bad.any(),
        f"drift: {bad.sum()} of {bad.size} missing or positive; expected rates by drag, zero or negative [km s-1]",
    )


def holding_cost(
    semi_major_axis: Floats,
    drift: Floats,
    control: Control,
    *,
    eccentricity_rate: Floats | None = None,
    plane_rate: Floats | None = None,
) -> HoldingCost:
    """Return the velocity change per year that holding a satellite takes while forces act as given.

    Parameters
    ----------
    semi_major_axis : ndarray, shape (n,)
        Mean semi-major axis of the reference orbit [km].
    drift : ndarray, shape (n, m)
        Rate of the semi-major axis by drag [km s-1], zero or negative.
    control : Control
        Tolerances; whether the plane is held.
    eccentricity_rate : ndarray, shape (n, m, 2), optional
        Rates of ``[ex, ey]`` [s-1] that are to be made up for; none by default.
    plane_rate : ndarray, shape (n, m, 2), optional
        Rates, by Sun and Moon, of the inclination and of the node times sin i [rad s-1]; needed where the plane is
        held.

    Returns
    -------
    HoldingCost
        Arrays of shape (n, m) [m s-1 per Julian year]; a mission takes their average over its times, times its years.

    Raises
    ------
    InputError
        A drift that is missing or positive, a plane that is to be held against unknown rates: all together.

    Notes
    -----
    Gauss's equations at e = 0 [3], with v = n a. Impulses dv along the track change a by 2 dv / n: drag takes n d / 2,
    and a cycle at the accuracy of corrections n (s + r) / 2 for each half of it. Two of them half a revolution apart
    change the eccentricity vector, along the line between them, by 2 (dv_1 - dv_2) / v: alone that takes v |e'| / 2,
    and shared with a, |dv_1| + |dv_2| is the larger of the two. An impulse across the plane, about the right axis,
    turns it by dv / v: v sqrt(i'^2 + (sin i raan')^2). Swings that a tolerance could let pass are paid for unless they
    are averaged out of the rates.
    """
    faults = Faults("holding_cost")
    _check_axes_and_drift(faults, semi_major_axis, drift)
    if control.plane_held and plane_rate is None:
        faults.add("plane_rate not given; expected the rates by Sun and Moon, since the control holds the plane")
    faults.raise_if_any()
    mean_motion = np.sqrt(_MU / semi_major_axis**3)[:, None]
    speed = mean_motion * semi_major_axis[:, None] * _TO_METRES_PER_YEAR
    largest, smallest, half = _limit_cycle(drift, semi_major_axis, control)
    none = np.zeros_like(drift)
    return HoldingCost(
        semi_major_axis=0.5 * mean_motion * (largest + smallest) / half * _TO_METRES_PER_YEAR,
        eccentricity=none if eccentricity_rate is None else 0.5 * speed * np.linalg.norm(eccentricity_rate, axis=-1),
        plane=speed * np.linalg.norm(plane_rate, axis=-1) if control.plane_held and plane_rate is not None else none,
    )
