"""Array functions of motion: no Datasets, radians, km and seconds; the thin layer above the kernels.

Elements in the last axis are ``[a, ex, ey, i, raan, u]`` with u the mean argument of latitude.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from shells import constants
from shells.motion import kernels
from shells.motion.averaged.kernels import mean_rates
from shells.motion.averages import HIGHEST_DEGREE
from shells.motion.forces import Forces
from shells.motion.integration.kernels import integrate_all

Floats = NDArray[np.float64]

#: Gravitational parameter [km3 s-2], reference radius [km] and J_n [1], as the kernels take them.
Field = tuple[float, float, Floats]


@cache
def field(zonal_degree: int = HIGHEST_DEGREE) -> Field:
    """Return what the short-period terms need of the field.

    Parameters
    ----------
    zonal_degree : int
        Highest zonal, that of the forces.

    Returns
    -------
    tuple
        Gravitational parameter [km3 s-2], reference radius [km] and J_n [1].
    """
    zonals = constants.zonal_coefficients().copy()
    zonals[zonal_degree + 1 :] = 0.0
    return constants.GRAVITATIONAL_PARAMETER.value, constants.REFERENCE_RADIUS.value, zonals


def mean_elements_from_states(position: Floats, velocity: Floats, *, zonal_degree: int = HIGHEST_DEGREE) -> Floats:
    """Return mean elements of osculating states: the short-period terms of the zonals removed.

    Parameters
    ----------
    position, velocity : ndarray, shape (n, 3)
        [km], [km s-1].
    zonal_degree : int
        Highest zonal of the field.

    Returns
    -------
    ndarray, shape (n, 6)
        Mean elements [km, 1, 1, rad, rad, rad]; NaN where the orbit is not an ellipse.
    """
    osculating = np.ascontiguousarray(np.concatenate([position, velocity], axis=1), dtype=np.float64)
    out = np.empty_like(osculating)
    kernels.means_from_states(osculating, *field(zonal_degree), out)
    return out


def states_from_mean_elements(elements: Floats, *, zonal_degree: int = HIGHEST_DEGREE) -> Floats:
    """Return osculating states of mean elements.

    Parameters
    ----------
    elements : ndarray, shape (n, 6)
        Mean elements [km, 1, 1, rad, rad, rad].
    zonal_degree : int
        Highest zonal of the field.

    Returns
    -------
    ndarray, shape (n, 6)
        Position [km] and velocity [km s-1].
    """
    elements = np.ascontiguousarray(elements, dtype=np.float64)
    out = np.empty_like(elements)
    for row, result in zip(elements, out, strict=True):
        kernels.state(row, *field(zonal_degree), result)
    return out


def integrate(
    elements: Floats,
    properties: Floats,
    times_s: Floats,
    *,
    epoch: np.datetime64,
    forces: Forces,
    held_from_s: Floats | None = None,
    held_until_s: Floats | None = None,
    releases: Floats | None = None,
    plane_held: bool = False,
    end_height_km: float = constants.REENTRY_ALTITUDE.value,
) -> tuple[Floats, Floats, Floats]:
    """Integrate mean elements over nodes in time.

    Parameters
    ----------
    elements : ndarray, shape (n, 6)
        Mean elements at ``times_s[0]`` [km, 1, 1, rad, rad, rad].
    properties : ndarray, shape (n, 2)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1].
    times_s : ndarray, shape (m,)
        Ascending nodes [s] after the epoch.
    epoch : datetime64
        UTC.
    forces : Forces
        What acts.
    held_from_s, held_until_s : ndarray, shape (n,), optional
        Station-kept between these times [s]; NaN or left out for never.
    releases : ndarray, shape (n, 4), optional
        What an object let go departs from its held orbit by, in ``[a, ex, ey, u]`` [km, 1, 1, rad].
    plane_held : bool
        Whether the planes of held satellites are held against Sun and Moon, or drift.
    end_height_km : float
        Height of the mean perigee [km] at which an object ends.

    Returns
    -------
    values, rates : ndarray, shape (n, m, 6)
        Mean elements, raan and u continuous, and their rates per second; NaN after the end.
    ends : ndarray, shape (n,)
        Time of the end [s], NaN where the object stays up.
    """
    never = np.full(elements.shape[0], np.nan)
    held_from = never if held_from_s is None else held_from_s
    held_until = never if held_until_s is None else held_until_s
    # averaged forces do not depend on the phase: objects that share an orbit are integrated once, from phase zero
    held_from, held_until = (np.where(np.isnan(times), -np.inf, times) for times in (held_from, held_until))
    departing = np.zeros((elements.shape[0], 4)) if releases is None else releases
    orbit = np.column_stack([elements[:, :5], properties, held_from, held_until, departing])
    distinct, which = np.unique(orbit, axis=0, return_inverse=True)
    shared = len(distinct) < len(orbit)
    rows = distinct if shared else orbit
    values = np.empty((len(rows), times_s.size, 6))
    rates = np.empty_like(values)
    ends = np.empty(len(rows))
    integrate_all(
        np.ascontiguousarray(np.column_stack([rows[:, :5], np.zeros(len(rows))])),
        np.ascontiguousarray(rows[:, 5:7]),
        np.ascontiguousarray(rows[:, 7]),
        np.ascontiguousarray(rows[:, 8]),
        np.ascontiguousarray(rows[:, 9:]),
        plane_held,
        np.ascontiguousarray(times_s, dtype=np.float64),
        end_height_km,
        forces.model(epoch, float(times_s[-1])),
        values,
        rates,
        ends,
    )
    if shared:
        which = which.reshape(-1)
        values, rates, ends = values[which], rates[which], ends[which]
    values[..., 5] += elements[:, None, 5]
    return values, rates, ends


def drag_drift(
    elements: Floats, properties: Floats, times_s: Floats, *, epoch: np.datetime64, forces: Forces
) -> Floats:
    """Return how fast the semi-major axis of unchanging orbits would fall at times.

    Parameters
    ----------
    elements : ndarray, shape (n, 6)
        Mean elements [km, 1, 1, rad, rad, rad].
    properties : ndarray, shape (n, 2)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1].
    times_s : ndarray, shape (m,)
        [s] after the epoch.
    epoch : datetime64
        UTC.
    forces : Forces
        What acts.

    Returns
    -------
    ndarray, shape (n, m)
        Rate of the mean semi-major axis [km s-1].
    """
    orbit = np.column_stack([elements[:, :4], properties])
    distinct, which = np.unique(orbit, axis=0, return_inverse=True)
    count = times_s.size
    rows = np.zeros((len(distinct) * count, 6))
    rows[:, :4] = np.repeat(distinct[:, :4], count, axis=0)
    rates = np.empty_like(rows)
    mean_rates(
        rows,
        np.repeat(distinct[:, 4:], count, axis=0),
        np.tile(times_s, len(distinct)),
        replace(forces, sun=False, moon=False, radiation=False).model(epoch, float(times_s[-1])),
        rates,
    )
    return rates[:, 0].reshape(len(distinct), count)[which.reshape(-1)]
