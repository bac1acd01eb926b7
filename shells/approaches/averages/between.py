"""Planes of one fleet against each other: geometry at their mutual nodes over the span, and rates from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.averages import kernels
from shells.approaches.averages.bands import Bands
from shells.approaches.averages.curves import Clock, Curves, curves_of, mean_chords
from shells.approaches.averages.spread import Spread, tabulate
from shells.approaches.kernels import FIELDS, REACH, V_PERP, C, X
from shells.approaches.trains import Trains
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.arrays import Field
from shells.motion.kernels import means
from shells.motion.propagation import field_of, node_clock, seconds_since

Floats = NDArray[np.float64]

#: Geometry of two planes of one fleet is sampled this often [day]; it drifts over months.
_SAMPLE_DAYS = 30.0

#: But at least each time that planes have fallen so far [km], or from one node to the next: with a scale height H of
#: 20 km or more a gap then departs from even drift by no more than FALL^2 / 8 H, 25 m.
_FALL = 2.0

#: Instants at nodes are so much earlier, in intervals between them: nothing is known behind the last one.
_HAIR = 1e-9


@dataclass(frozen=True)
class Crossings:
    """Geometry at the mutual nodes of all pairs of trains of one fleet, sampled in time.

    Parameters
    ----------
    pairs : ndarray, shape (pairs, 2)
        Numbers of the trains.
    instants : ndarray, shape (instants,)
        Times [s] after the first node.
    geometry : ndarray, shape (pairs, instants, 2, fields)
        At both nodes, as the kernels give it; missing where the planes coincide or one has re-entered.
    places : ndarray, shape (pairs, instants, 2, 2)
        Radius [km] and geocentric latitude [rad] of the first there.
    sines : ndarray, shape (pairs, instants)
        Sine of the crossing angle.
    paces : ndarray, shape (pairs, 2)
        Of the mean arguments of latitude of both, while both are up [rad s-1].
    passages : ndarray, shape (pairs,)
        Product of the passages per second of both trains [s-2].
    locked : ndarray, shape (pairs,)
        Whether the relative phase drifts by less than one slot over the span.
    crossing : ndarray, shape (pairs,)
        Whether the linear picture at the node holds at all instants.
    """

    pairs: NDArray[np.int64]
    instants: Floats
    geometry: Floats
    places: Floats
    sines: Floats
    paces: Floats
    passages: Floats
    locked: NDArray[np.bool_]
    crossing: NDArray[np.bool_]

    @property
    def gap(self) -> Floats:
        """Gap of the reference orbits, shape (pairs, instants, 2) [km]."""
        return self.geometry[..., X]

    @property
    def c(self) -> Floats:
        """The c factor, shape (pairs, instants, 2) [1]."""
        return self.geometry[..., C]

    @property
    def v_perp(self) -> Floats:
        """v_perp, shape (pairs, instants, 2) [km/s]."""
        return self.geometry[..., V_PERP]


def crossings_of(
    orbits: xr.Dataset, trains: Trains, *, within_km: float, slots: int | None = None, instants: Floats | None = None
) -> Crossings:
    """Return the geometry at the mutual nodes of all pairs of trains.

    Parameters
    ----------
    orbits : Orbits (object, time)
    trains : Trains
        Of these orbits.
    within_km : float
        Largest threshold that is asked of the geometry [km].
    slots : int, optional
        Satellites of each plane, where the orbits hold only one of them; by default those of the trains.
    instants : ndarray, optional
        Times of the samples [s]; by default evenly some 30 days apart.

    Returns
    -------
    Crossings
    """
    _, spacing, _ = node_clock(orbits)
    instants = _even_instants(orbits) if instants is None else instants
    number = trains.leaders.size
    pairs = np.array([(a, b) for a in range(number) for b in range(a + 1, number)], dtype=np.int64).reshape(-1, 2)
    geometry = np.full((len(pairs), instants.size, 2, FIELDS), np.nan)
    places = np.empty((len(pairs), instants.size, 2, 2))
    sines = np.empty((len(pairs), instants.size))
    field = field_of(orbits)
    arrays = trains.arrays()
    kernels.crossings(arrays, arrays, pairs, instants, spacing, within_km, field, geometry, sines, places)

    lead = trains.leaders[pairs]
    # up to the last node at which both are up
    last = np.maximum(_last_nodes(trains)[pairs].min(axis=1), 1)
    phase = trains.values[lead, last[:, None], 5] - trains.values[lead, 0, 5]
    pace = phase / (spacing * last)[:, None]
    sizes = trains.sizes[pairs]
    most = sizes.max(axis=1) if slots is None else slots
    return Crossings(
        pairs,
        instants,
        geometry,
        places,
        sines,
        pace,
        (sizes * pace).prod(axis=1) / (2.0 * np.pi) ** 2,
        np.abs(phase[:, 0] - phase[:, 1]) < (2.0 * np.pi) / most,
        (sines > within_km / (REACH * trains.values[lead, 0, 0].min(axis=1))[:, None]).all(axis=1),
    )


def _even_instants(orbits: xr.Dataset) -> Floats:
    _, spacing, count = node_clock(orbits)
    # rounding must not put the last instant behind the last node, where nothing is known
    span = float(np.nextafter(spacing * (count - 1), 0.0))
    return np.linspace(0.0, span, max(2, int(np.ceil(span / (_SAMPLE_DAYS * constants.DAY.value))) + 1))


def _instants_of(orbits: xr.Dataset, trains: Trains) -> Floats:
    """Return instants between which gaps drift nearly evenly, the last nodes of planes that re-enter among them."""
    _, spacing, count = node_clock(orbits)
    axis = trains.values[trains.leaders, :, 0]
    fallen = np.cumsum(np.nan_to_num(np.abs(np.diff(axis, axis=1))).max(axis=0, initial=0.0))
    nodes = np.flatnonzero(np.diff(np.floor(fallen / _FALL), prepend=0.0)) + 1
    inner = np.append(nodes, _last_nodes(trains))
    inner = inner[(inner > 0) & (inner < count - 1)]
    return np.union1d(_even_instants(orbits), (inner - _HAIR) * spacing)


def _last_nodes(trains: Trains) -> NDArray[np.int64]:
    """Return the last node in time at which each train is up."""
    last: NDArray[np.int64] = np.isfinite(trains.values[trains.leaders, :, 0]).sum(axis=1) - 1
    return last


@dataclass(frozen=True)
class Numbers:
    """Expected numbers of approaches of the planes of one fleet.

    Parameters
    ----------
    number : ndarray, shape (planes, planes, windows, altitude bands, latitude bands, thresholds)
        Expected in each window, each pair at first < second; a plane with itself on the diagonal.
    windows : ndarray, shape (windows + 1,)
        Their borders [s] after the first node.
    locked : ndarray, shape (planes, planes)
        Where the phases are known and stay, and were used in place of the average.
    """

    number: Floats
    windows: Floats
    locked: NDArray[np.bool_]


def numbers_between_planes(
    orbits: xr.Dataset,
    trains: Trains,
    *,
    distances: Floats,
    difference: RadiusDifference,
    satellites: int | None,
    bands: Bands,
    yearly: bool,
) -> Numbers:
    """Return the expected approaches of all pairs of planes, by year.

    Parameters
    ----------
    orbits : Orbits (object, time)
    trains : Trains
        Of these orbits, one a plane.
    distances : ndarray
        Ascending thresholds [km].
    difference : RadiusDifference
        Of two satellites, about the gap.
    satellites : int, optional
        Evenly spaced satellites of each plane, where the orbits hold only one of them.
    bands : Bands
    yearly : bool
        Whether years are kept apart; one window otherwise.

    Returns
    -------
    Numbers
    """
    if satellites is not None:
        trains = _filled(trains, satellites)
    instants = _instants_of(orbits, trains)
    crossings = crossings_of(orbits, trains, within_km=float(distances[-1]), instants=instants)
    year = years_of(crossings.instants) if yearly else np.zeros(crossings.instants.size - 1, dtype=np.int64)
    count = trains.leaders.size
    number = np.zeros((count, count, int(year[-1]) + 1, *bands.shape, distances.size))
    locked = np.zeros((count, count), dtype=bool)
    locked[crossings.pairs[:, 0], crossings.pairs[:, 1]] = crossings.locked
    locked[np.diag_indices(count)] = trains.sizes > 1

    at_nodes = _Nodes(orbits, trains, crossings, distances, difference, tabulate(difference))
    begin = at_nodes.begin()
    _add_nodes(at_nodes, begin, bands, year, number)
    _add_tracks(at_nodes, begin, bands, year, number)
    _add_mates(at_nodes, bands, year, number)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(year)) + 1, [year.size]])
    return Numbers(number, crossings.instants[starts], locked)


def years_of(instants: NDArray[Any]) -> NDArray[np.int64]:
    """Return the year, from 0, that each window between instants [s] counts for."""
    middles = 0.5 * (instants[1:] + instants[:-1]) / constants.YEAR.value
    years: NDArray[np.int64] = np.floor(middles).astype(np.int64)
    return years


def _filled(trains: Trains, satellites: int) -> Trains:
    """Return trains of one satellite each filled up with evenly spaced ones, which share its row."""
    count = trains.leaders.size
    offsets = np.arange(satellites) * (2.0 * np.pi / satellites)
    return replace(
        trains,
        starts=np.arange(count + 1) * satellites,
        members=np.repeat(trains.leaders, satellites),
        offsets=np.tile(offsets, count),
    )


@dataclass(frozen=True)
class _Nodes:
    """What the pictures of two planes share."""

    orbits: xr.Dataset
    trains: Trains
    crossings: Crossings
    distances: Floats
    difference: RadiusDifference
    spread: Spread

    @property
    def field(self) -> Field:
        return field_of(self.orbits)

    @property
    def spacing(self) -> float:
        return node_clock(self.orbits)[1]

    def offsets(self, train: int) -> Floats:
        return self.trains.offsets[self.trains.starts[train] : self.trains.starts[train + 1]]

    def begin(self) -> NDArray[np.int64]:
        """Return from which distance on relative motion stands in for the node, shape (pairs, windows)."""
        sines = self.crossings.sines
        radius = self.trains.values[self.trains.leaders[self.crossings.pairs], 0, 0].min(axis=1)
        # what lies behind the last node before one re-enters is as there
        limit = REACH * radius[:, None] * np.fmin(sines[:, 1:], sines[:, :-1])
        begin: NDArray[np.int64] = np.searchsorted(self.distances, limit).astype(np.int64)
        return begin

    def lengths(self, trains: NDArray[np.int64]) -> Floats:
        """Return for how long both of some pairs (rows) are up in each window, shape (pairs, windows) [s]."""
        start, _, _ = node_clock(self.orbits)
        ends = seconds_since(self.orbits["reentry"].values, start)[self.trains.leaders]
        last = np.nan_to_num(ends, nan=np.inf)[trains].min(axis=1)
        instants = np.minimum(self.crossings.instants[None, :], last[:, None])
        return np.diff(instants, axis=1)


def _add_nodes(nodes: _Nodes, begin: NDArray[np.int64], bands: Bands, year: NDArray[np.int64], number: Floats) -> None:
    """Add approaches at nodes to ``number``, averaged over phase or with the phases as they are."""
    crossings = nodes.crossings
    if not len(crossings.pairs):
        return
    curves = curves_of(
        crossings.pairs,
        crossings.instants,
        crossings.geometry,
        crossings.sines,
        nodes.trains,
        nodes.distances,
        nodes.difference,
        Clock(nodes.spacing, float(nodes.distances[-1]), nodes.field),
    )
    per_second = np.empty((len(crossings.pairs), year.size, 2, nodes.distances.size))
    for j, distance in enumerate(nodes.distances):
        per_second[..., j] = np.where((j < begin)[..., None], _averaged(nodes, curves, float(distance)), 0.0)
    _fix_nodes(nodes, begin, per_second)
    per_window = per_second * nodes.lengths(crossings.pairs)[:, :, None, None]
    heights, zones = _bands_at(crossings.places[:, 1:], crossings.places[:, :-1], bands)
    rows, columns = (crossings.pairs[:, k][:, None, None] for k in (0, 1))
    np.add.at(number, (rows, columns, year[None, :, None], heights, zones), per_window)


def _averaged(nodes: _Nodes, curves: Curves, distance: float) -> Floats:
    """Return approaches per second within a distance, averaged over phase and window, shape (pairs, windows, 2)."""
    crossings = nodes.crossings
    up, later = np.isfinite(crossings.gap[:, :-1]), np.isfinite(crossings.gap[:, 1:])
    # after the last node before one re-enters, as there
    (gap, next_gap), (c, next_c), (slowness, next_slowness) = (
        (values[:, :-1][up], np.where(later, values[:, 1:], values[:, :-1])[up])
        for values in (crossings.gap, crossings.c, 1.0 / crossings.v_perp)
    )
    chords = mean_chords(distance, 0.5 * (c + next_c), gap, next_gap, nodes.spread)
    mean = np.zeros(up.shape)
    mean[up] = chords * (0.5 * (slowness + next_slowness))
    curves.put_means(distance, nodes.difference, nodes.spread, mean)
    return crossings.passages[:, None, None] * mean


def _fix_nodes(nodes: _Nodes, begin: NDArray[np.int64], per_second: Floats) -> None:
    """Put approaches with known phases in the place of averages for pairs whose phases are locked."""
    crossings, values = nodes.crossings, nodes.trains.values
    means_at = np.empty((nodes.trains.leaders.size, crossings.instants.size, 6))
    for train, lead in enumerate(nodes.trains.leaders):
        means(values[lead], nodes.trains.rates[lead], 0.0, nodes.spacing, crossings.instants, means_at[train])
    for pair in np.flatnonzero(crossings.locked):
        a, b = crossings.pairs[pair]
        geometry, phases = crossings.geometry[pair].copy(), means_at[[a, b], :, 5].T.copy()
        last = max(int(np.isfinite(phases).all(axis=1).sum()) - 1, 0)
        # after the last node before one re-enters, as there
        geometry[last + 1 : last + 2], phases[last + 1 : last + 2] = geometry[last], phases[last]
        paces = crossings.paces[pair]
        found = np.zeros(per_second.shape[1:])
        kernels.fixed_crossings(
            geometry,
            phases,
            (paces[0], paces[1]),
            (nodes.offsets(a), nodes.offsets(b)),
            nodes.distances,
            begin[pair],
            nodes.spread,
            found,
        )
        per_second[pair] = found


def _bands_at(after: Floats, before: Floats, bands: Bands) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the bands of nodes in the middle of windows, each of shape (pairs, windows, 2)."""
    place = np.where(np.isfinite(after), 0.5 * (after + before), before)
    lowest, thick, heights, wide, zones = bands.arrays()
    indices = []
    for offset, width, count in (
        (place[..., 0] - lowest, thick, heights),
        (place[..., 1] + 0.5 * np.pi, wide, zones),
    ):
        index = np.floor(np.nan_to_num(offset) / width).astype(np.intp)
        indices.append(np.clip(index, 0, count - 1))
    return indices[0], indices[1]


def _add_tracks(nodes: _Nodes, begin: NDArray[np.int64], bands: Bands, year: NDArray[np.int64], number: Floats) -> None:
    """Add approaches that the picture at the node does not cover to ``number``."""
    lengths = nodes.lengths(nodes.crossings.pairs)
    for pair in np.flatnonzero((begin < nodes.distances.size).any(axis=1)):
        a, b = nodes.crossings.pairs[pair]
        found = _on_tracks(nodes, (a, b), bool(nodes.crossings.locked[pair]), begin[pair], bands)
        np.add.at(number[a, b], year, found * lengths[pair][:, None, None, None])


def _add_mates(nodes: _Nodes, bands: Bands, year: NDArray[np.int64], number: Floats) -> None:
    """Add approaches of satellites of one plane that are nearer to each other than a threshold."""
    own = np.arange(nodes.trains.leaders.size)
    lengths = nodes.lengths(np.column_stack([own, own]))
    for train in range(nodes.trains.leaders.size):
        offsets = nodes.offsets(train)
        nearest = np.diff(np.append(offsets, offsets[0] + 2.0 * np.pi)).min()
        if offsets.size < 2 or 2.0 * nodes.trains.chord(train) * np.sin(0.5 * nearest) > nodes.distances[-1]:
            continue
        found = _on_tracks(nodes, (train, train), True, np.zeros(year.size, dtype=np.int64), bands)
        np.add.at(number[train, train], year, found * lengths[train][:, None, None, None])


def _on_tracks(nodes: _Nodes, pair: tuple[int, int], fixed: bool, begin: NDArray[np.int64], bands: Bands) -> Floats:
    """Return approaches per second from relative motion, shape (windows, heights, zones, distances)."""
    found = np.zeros((begin.size, *bands.shape, nodes.distances.size))
    trains = nodes.trains
    kernels.tracks_between(
        trains.values,
        trains.rates,
        (trains.leaders[pair[0]], trains.leaders[pair[1]]),
        (nodes.offsets(pair[0]), nodes.offsets(pair[1])),
        fixed,
        nodes.crossings.instants,
        nodes.spacing,
        nodes.distances,
        begin,
        nodes.spread,
        nodes.field,
        bands.arrays(),
        found,
    )
    # behind the last node before one re-enters as there
    last = (_last_nodes(trains)[list(pair)].min() - _HAIR) * nodes.spacing
    behind = int(np.searchsorted(nodes.crossings.instants, last))
    found[behind:] = found[max(behind - 1, 0)]
    return found
