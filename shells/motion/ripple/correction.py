"""The tesseral correction of trajectories: what the longitudes of the Earth add to positions and velocities."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from shells import constants
from shells.motion import kernels
from shells.motion.arrays import states_from_mean_elements
from shells.motion.ripple.tesserals import Ripple, evaluate, ripple_terms

Floats = NDArray[np.float64]

#: Grid of mean a [km] and i [rad] on which amplitudes are taken: half a cell changes them by a half per cent.
GRID = np.array([5.0, 1e-3])

#: The velocity is the central difference of the displacement over so many seconds each way.
STEP = 2.0


def tesseral_correction(
    values: Floats, rates: Floats, start: float, spacing: float, times: Floats, greenwich: float
) -> Floats:
    """Return what the tesserals add to the osculating states of one object.

    Parameters
    ----------
    values, rates : ndarray, shape (nodes, 6)
        Mean elements at nodes and their rates per second [km, rad, s].
    start, spacing : float
        First node and spacing of the nodes [s].
    times : ndarray, shape (n,)
        Between the nodes [s].
    greenwich : float
        Angle of Greenwich at time zero [rad].

    Returns
    -------
    ndarray, shape (n, 6)
        Displacement in position [km] and velocity [km s-1]; NaN after the end of the object.

    Raises
    ------
    InputError
        An orbit near a resonance of order 8 or less, or below the surface.

    Notes
    -----
    Linear theory of near-circular orbits, `shells.motion.ripple.tesserals`, with the amplitudes of the mean a and i
    at the time, to the next `GRID`.
    """
    last = start + spacing * (len(values) - 1)

    def displaced(instants: Floats) -> Floats:
        elements = np.empty((instants.size, 6))
        kernels.means(values, rates, start, spacing, np.clip(instants, start, last), elements)
        angles = greenwich + constants.EARTH_ROTATION_RATE.value * instants
        found = np.full((instants.size, 3), np.nan)
        known = np.isfinite(elements[:, 0])
        cells = np.full((instants.size, 2), np.nan)
        cells[known] = np.rint(elements[known][:, [0, 3]] / GRID)
        for cell in np.unique(cells[known], axis=0):
            there = (cells == cell).all(axis=1)
            found[there] = _displaced(_plan(*cell.tolist()), elements[there], angles[there])
        return found

    velocity = (displaced(times + STEP) - displaced(times - STEP)) / (2.0 * STEP)
    return np.concatenate([displaced(times), velocity], axis=1)


def ripple_near(semi_major_axis_km: float, inclination: float) -> Ripple:
    """Return the tesseral displacements of the next orbit on `GRID`, kept for the next time.

    Parameters
    ----------
    semi_major_axis_km : float
        Mean semi-major axis [km].
    inclination : float
        Mean inclination [rad].

    Returns
    -------
    Ripple
        Amplitudes of the displacements.

    Raises
    ------
    InputError
        As of `ripple_terms`.
    """
    return _plan(*np.rint(np.array([semi_major_axis_km, inclination]) / GRID).tolist())


def orbit_axes(states: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the axes of the moving frame of osculating states.

    Parameters
    ----------
    states : ndarray, shape (n, 6)
        Position [km] and velocity [km s-1].

    Returns
    -------
    outward, ahead, normal : ndarray, shape (n, 3)
        Unit vectors: radial, in-track (completing) and cross-track (orbit normal).
    """
    outward = states[:, :3] / np.linalg.norm(states[:, :3], axis=1)[:, None]
    normal = np.cross(states[:, :3], states[:, 3:])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return outward, np.cross(normal, outward), normal


@lru_cache(maxsize=4096)
def _plan(axis_cell: float, inclination_cell: float) -> Ripple:
    return ripple_terms(axis_cell * GRID[0], inclination_cell * GRID[1])


def _displaced(plan: Ripple, elements: Floats, greenwich: Floats) -> Floats:
    """Return displacements (n, 3) [km] at mean elements (n, 6)."""
    states = states_from_mean_elements(elements)
    inclination, node = elements[:, 3], elements[:, 4]
    x, y, z = states[:, :3].T
    across = (y * np.cos(node) - x * np.sin(node)) * np.cos(inclination) + z * np.sin(inclination)
    latitude = np.arctan2(across, x * np.cos(node) + y * np.sin(node))
    shift = evaluate(plan, node, latitude, greenwich)
    outward, ahead, normal = orbit_axes(states)
    found: Floats = shift.radial[:, None] * outward + shift.along[:, None] * ahead + shift.cross[:, None] * normal
    return found
