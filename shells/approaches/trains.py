"""Trains: satellites of a plane that share one orbit and differ only in phase are searched as one.

The geometry of (plane, object) is then computed once, and the phase check finds the nearest of the spaced satellites
directly: cost grows with planes, not with satellites. Anything else is a train of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.motion.propagation import element_array, node_clock, rate_array

#: Cells of the table that finds members by phase, for each member.
CELLS = 4


class Departure(NamedTuple):
    """How far the members of a train depart from the orbit of its leader.

    Parameters
    ----------
    radius : float
        Of the radius [km].
    phase : float
        Of the mean argument of latitude from a constant lead [rad].
    plane : float
        Of the orbital plane [rad].
    """

    radius: float
    phase: float
    plane: float


#: What rounding leaves of equal orbits.
SAME = Departure(1e-8, 1e-9, 1e-11)


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
    departures : ndarray, shape (trains, 3)
        Largest `Departure` of the members of each train.
    """

    values: NDArray[np.float64]
    rates: NDArray[np.float64]
    leaders: NDArray[np.int64]
    starts: NDArray[np.int64]
    members: NDArray[np.int64]
    offsets: NDArray[np.float64]
    departures: NDArray[np.float64]

    @property
    def sizes(self) -> NDArray[np.int64]:
        """Number of members of each train."""
        return np.diff(self.starts)

    def chord(self, train: int) -> float:
        """Return how far apart two members of a train stay at least, over twice the sine of half their phases [km].

        On one orbit they are nearest at apogee, where the distance is that of the phases times
        a sqrt((1 - e) / (1 + e)), or more: in an ellipse of half axes a and b points a mean anomaly h on either side of
        apogee are 2 b sin x apart, x + e sin x = h, so that sin h <= (1 + e) sin x. The longest ellipse that the orbit
        ever is counts, and 2 % are left for the short-period terms.
        """
        a, ex, ey = np.moveaxis(self.values[self.leaders[train], :, :3], -1, 0)
        e = np.hypot(ex, ey)
        nearest: float = np.min(a * np.sqrt((1.0 - e) / (1.0 + e)), where=np.isfinite(a), initial=np.inf)
        return 0.98 * nearest

    def arrays(self) -> tuple[NDArray[np.float64] | NDArray[np.int64], ...]:
        """Return the tuple that the kernels take."""
        return self.values, self.rates, self.leaders, self.starts, self.members, self.offsets

    def table(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return where the table of each train starts, shape (trains + 1,), and the tables one after the other.

        A turn is cut into `CELLS` cells for each member; a cell holds the number of members before it.
        """
        starts = CELLS * self.starts
        table = np.empty(starts[-1], dtype=np.int64)
        for train in range(self.leaders.size):
            cells = starts[train + 1] - starts[train]
            edges = np.arange(cells) / cells * 2.0 * np.pi
            # a hair early, so that rounding of the cell of an angle cannot skip a member
            offsets = self.offsets[self.starts[train] : self.starts[train + 1]]
            table[starts[train] : starts[train + 1]] = np.searchsorted(offsets, edges - 1e-9)
        return starts, table


def trains_of(orbits: xr.Dataset, allowed: Departure = SAME) -> Trains:
    """Group objects into trains.

    Parameters
    ----------
    orbits : Orbits (object, time)
    allowed : Departure
        How far a member may depart from the leader of its train at any time; by default not at all.

    Returns
    -------
    Trains
        Members of one plane whose orbits agree at all times but for a constant phase form a train; the member with the
        lowest identifier leads it.
    """
    values, rates = element_array(orbits), rate_array(orbits)
    spacing = node_clock(orbits)[1]
    plane = orbits["plane"].values
    identifiers = orbits["object"].values
    groups: list[NDArray[np.int64]] = [np.array([row]) for row in np.flatnonzero(plane < 0)]
    leads, departures = [np.zeros(1)] * len(groups), [np.zeros(3)] * len(groups)
    for number in np.unique(plane[plane >= 0]):
        rest = np.flatnonzero(plane == number)
        rest = rest[np.argsort(identifiers[rest], kind="stable")]
        while rest.size:
            lead, departing = _departures(values[rest], rates[rest], spacing)
            shared = np.asarray((departing <= allowed).all(axis=1))
            shared[0] = True
            groups.append(rest[shared])
            leads.append(lead[shared])
            departures.append(departing[shared].max(axis=0))
            rest = rest[~shared]
    order = np.argsort([group[0] for group in groups], kind="stable").tolist()

    members, offsets = [], []
    for number in order:
        ahead = np.remainder(leads[number], 2.0 * np.pi)
        by_phase = np.lexsort((identifiers[groups[number]], ahead))
        members.append(groups[number][by_phase])
        offsets.append(ahead[by_phase])
    return Trains(
        values,
        rates,
        np.array([groups[number][0] for number in order], dtype=np.int64),
        np.cumsum([0, *(groups[number].size for number in order)]).astype(np.int64),
        np.concatenate(members).astype(np.int64) if members else np.empty(0, np.int64),
        np.concatenate(offsets) if offsets else np.empty(0),
        np.array([departures[number] for number in order]).reshape(-1, 3),
    )


def _departures(
    values: NDArray[np.float64], rates: NDArray[np.float64], spacing: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the phase ahead of the first object (objects,) [rad] and departures from it (objects, 3).

    Between nodes in time cubic polynomials depart from the chord of their end values by x (1 - x) <= 1 / 4 of spacing
    and largest slope at most. The lead is in the middle of its range. Objects that do not end with the first depart
    without bound.
    """
    apart, drift = values - values[0], rates - rates[0]
    known = np.isfinite(apart[..., 0])
    ends_alike = (np.isnan(values[..., 0]) == np.isnan(values[0, :, 0])).all(axis=1)
    lead = 0.5 * (
        np.max(apart[..., 5], axis=1, where=known, initial=-np.inf)
        + np.min(apart[..., 5], axis=1, where=known, initial=np.inf)
    )
    apart[..., 5] -= lead[:, None]
    size = np.abs(apart) + 0.25 * spacing * np.abs(drift)
    a, e = values[0, :, 0], np.hypot(values[0, :, 1], values[0, :, 2])
    departures = np.stack(
        [
            size[..., 0] * (1.0 + e) + a / (1.0 - e) * np.hypot(size[..., 1], size[..., 2]),
            size[..., 5],
            size[..., 3] + size[..., 4] * np.sin(values[0, :, 3]),
        ],
        axis=-1,
    )
    largest = np.max(departures, axis=1, where=known[..., None], initial=0.0)
    largest[~ends_alike] = np.inf
    return lead, largest
