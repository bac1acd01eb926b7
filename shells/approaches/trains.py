"""Trains: satellites of a plane that share one orbit and differ only in phase are searched as one.

The geometry of (plane, object) is then computed once, and the phase check finds the nearest of the spaced satellites
directly: cost grows with planes, not with satellites. Anything else is a train of one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.motion.propagation import element_array, rate_array

#: Largest difference of mean elements at any node [km, 1, 1, rad, rad] inside a train, and of phase drift [rad].
SAME_ELEMENTS = np.array([1e-9, 1e-12, 1e-12, 1e-12, 1e-12])
SAME_PHASE = 1e-9


@dataclass(frozen=True)
class Trains:
    """Objects grouped into trains, as the kernels take them.

    Parameters
    ----------
    values, rates : ndarray, shape (objects, nodes, 6)
        Mean elements and rates per second [km, rad, s].
    leaders : ndarray, shape (trains,)
        Row of the object that stands for the train.
    starts : ndarray, shape (trains + 1,)
        Where the members of each train start in `members` and `offsets`.
    members : ndarray, shape (objects,)
        Rows of the members, by phase.
    offsets : ndarray, shape (objects,)
        Phase ahead of the leader [rad], ascending within a train, in [0, 2 pi).
    """

    values: NDArray[np.float64]
    rates: NDArray[np.float64]
    leaders: NDArray[np.int64]
    starts: NDArray[np.int64]
    members: NDArray[np.int64]
    offsets: NDArray[np.float64]

    @property
    def sizes(self) -> NDArray[np.int64]:
        """Number of members of each train."""
        return np.diff(self.starts)

    def arrays(self) -> tuple[NDArray[np.float64] | NDArray[np.int64], ...]:
        """Return the tuple that the kernels take."""
        return self.values, self.rates, self.leaders, self.starts, self.members, self.offsets


def trains_of(orbits: xr.Dataset) -> Trains:
    """Group objects into trains.

    Parameters
    ----------
    orbits : Orbits (object, time)

    Returns
    -------
    Trains
        Members of one plane whose orbits agree at every node but for a constant phase form a train.
    """
    values, rates = element_array(orbits), rate_array(orbits)
    plane = orbits["plane"].values
    groups: list[NDArray[np.int64]] = [np.array([row]) for row in np.flatnonzero(plane < 0)]
    for number in np.unique(plane[plane >= 0]):
        rest = np.flatnonzero(plane == number)
        while rest.size:
            shared = _shares_orbit(values[rest], values[rest[0]])
            groups.append(rest[shared])
            rest = rest[~shared]
    groups.sort(key=lambda group: int(group[0]))

    members, offsets = [], []
    for group in groups:
        ahead = np.remainder(values[group, 0, 5] - values[group[0], 0, 5], 2.0 * np.pi)
        by_phase = np.argsort(ahead, kind="stable")
        members.append(group[by_phase])
        offsets.append(ahead[by_phase])
    return Trains(
        values,
        rates,
        np.array([group[0] for group in groups], dtype=np.int64),
        np.cumsum([0, *(group.size for group in groups)]).astype(np.int64),
        np.concatenate(members).astype(np.int64) if members else np.empty(0, np.int64),
        np.concatenate(offsets) if offsets else np.empty(0),
    )


def _shares_orbit(values: NDArray[np.float64], leader: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which of the objects (rows) follow the leader's orbit at every node."""
    apart = np.abs(values[..., :5] - leader[:, :5])
    alike = (apart <= SAME_ELEMENTS) | (np.isnan(values[..., :5]) & np.isnan(leader[:, :5]))
    ahead = values[..., 5] - leader[:, 5]
    drift = np.abs(ahead - ahead[:, :1])
    steady = (drift <= SAME_PHASE) | np.isnan(ahead)
    result = np.asarray(alike.all(axis=(1, 2)) & steady.all(axis=1))
    result[0] = True
    return result
