"""Gaps of two planes that bend between the instants at which their nodes are looked at.

A gap that swings with the node along two orbits passes its least between two instants, and in the tail of a
distribution nearly all approaches happen there: a straight line through the ends misses most of them. Where a line is
not good enough, the node is looked at five times in each window, or in halves of it where it turns faster still, and
gap, c and v_perp follow the quartics through these. The mean chord over a quartic is that over short lines, each with
the mean of the quartic (Euler and Maclaurin: corners moved by -h^2 / 12 of the second derivative).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells.approaches.averages import kernels
from shells.approaches.averages.spread import FAR, Spread
from shells.approaches.kernels import FIELDS, V_PERP, C, X
from shells.approaches.trains import Trains
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.arrays import Field

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: A line may sag by so much of what the chord changes over by its own size: two thirds of that is its error.
_SAG = 0.003

#: Short lines with the mean of the curve may: what is left is of second order, (4 / 45) sag^2 / 2.
_SHORT_SAG = 0.05

#: Fourth difference of five samples, by what the chord changes over, up to which the quartic through them is true: its
#: error is some hundredths of that.
_FOURTH = 0.1

#: A node turns by so much [rad] before samples may miss its swings, twice as fast: of a window, of five samples in it.
_TURN, _SAMPLED_TURN = 0.7, 1.4

#: Chords that end abruptly are followed so many times more closely.
_GRAZING = 10.0

#: From so many samples of a gap its range is known.
_KNOWN = 8

#: Samples of a piece of a window, and its fewest and most short lines.
_SAMPLES, _FEWEST, _MOST = 5, 4, 64


class Clock(NamedTuple):
    """Of the nodes in time, and of the geometry there.

    Parameters
    ----------
    spacing : float
        Of the nodes [s].
    within_km : float
        Largest threshold [km].
    field : tuple
        Of gravity.
    """

    spacing: float
    within_km: float
    field: Field


@dataclass(frozen=True)
class Curves:
    """Pieces of windows, with five even samples each.

    Parameters
    ----------
    pair, window : ndarray, shape (pieces,)
        Where each belongs.
    share : ndarray, shape (pieces,)
        Of the window that it lasts [1].
    gap, c, slowness : ndarray, shape (pieces, 2, 5)
        At both nodes [km], [1], and 1 / v_perp [s/km].
    """

    pair: Integers
    window: Integers
    share: Floats
    gap: Floats
    c: Floats
    slowness: Floats

    def put_means(self, distance: float, difference: RadiusDifference, spread: Spread, out: Floats) -> None:
        """Put means of the expected chord over v_perp [s] in the place of those of ``out`` (pairs, windows, 2)."""
        if not self.pair.size:
            return
        out[self.pair, self.window] = 0.0
        found = np.empty((self.pair.size, 2))
        for count, here in self._by_lines(distance, difference):
            corners, middles = _lines(count)
            gap, c, slowness = (
                _combined(values[here], weights)
                for values, weights in ((self.gap, corners), (self.c, middles), (self.slowness, middles))
            )
            chords = mean_chords(distance, c, gap[..., :-1], gap[..., 1:], spread)
            found[here] = (chords * slowness).mean(axis=-1)
        np.add.at(out, (self.pair, self.window), found * self.share[:, None])

    def _by_lines(self, distance: float, difference: RadiusDifference) -> Iterator[tuple[int, NDArray[np.bool_]]]:
        """Yield numbers of short lines, each with the pieces that need so many."""
        _, second = _derivatives(np.linspace(0.0, 1.0, _SAMPLES))
        bend = np.abs(_combined(self.gap, second)).max(axis=-1)
        sharp = sharpness(difference, distance, np.abs(self.gap).max(axis=-1), self.c.min(axis=-1))
        wanted = np.sqrt((bend * sharp).max(axis=-1) / (8.0 * _SHORT_SAG))
        lines = 2 ** np.ceil(np.log2(np.clip(wanted, _FEWEST, _MOST))).astype(np.int64)
        for count in np.unique(lines):
            yield int(count), lines == count


def mean_chords(distance: float, c: Floats, gap_from: Floats, gap_to: Floats, spread: Spread) -> Floats:
    """Return means of 2 sqrt(d^2 - c^2 x^2) over departures x from gaps that drift evenly, all of one shape [km]."""
    chords = np.empty(c.size)
    kernels.drifting_chords(distance, np.ascontiguousarray(c).ravel(), gap_from.ravel(), gap_to.ravel(), spread, chords)
    return chords.reshape(c.shape)


def sharpness(difference: RadiusDifference, distance: float, gap_km: Floats, c: Floats) -> Floats:
    """Return by how much of itself the expected chord changes with the gap [1/km], roughly.

    By itself over the threshold and the departures; far out in a normal tail, of which the chord takes the near end, by
    (gap - bounded part - threshold) / variance. Where nothing departs a gap may just graze the threshold.
    """
    sharp: Floats = (_GRAZING if difference.is_point else 1.0) / (distance / c + difference.scale_km)
    if difference.normal_km > 0.0:
        bounded = difference.bounded_support_km
        out = np.clip(np.abs(gap_km) - bounded - distance / c, 0.0, FAR * difference.normal_km)
        sharp = sharp + out / difference.normal_km**2
    return sharp


def curves_of(
    pairs: Integers,
    instants: Floats,
    geometry: Floats,
    sines: Floats,
    trains: Trains,
    distances: Floats,
    difference: RadiusDifference,
    clock: Clock,
) -> Curves:
    """Return windows in which a gap is not straight enough, in pieces.

    Parameters
    ----------
    pairs, instants, geometry, sines
        See `shells.approaches.averages.between.Crossings`.
    trains : Trains
        Whose numbers are those of the pairs.
    distances : ndarray
        Thresholds [km].
    difference : RadiusDifference
        Departures from the gap.
    clock : Clock

    Returns
    -------
    Curves
        By pair and time; none in windows at whose ends one is not up.
    """
    gap, c = geometry[..., X], geometry[..., C]
    known = np.isfinite(gap[:, 1:]).all(axis=-1) & np.isfinite(gap[:, :-1]).all(axis=-1)
    sag, near = _sag(instants, gap), np.fmin(np.abs(gap[:, 1:]), np.abs(gap[:, :-1]))
    least = np.fmin(c[:, 1:], c[:, :-1])
    turn = _turn(pairs, instants, sines, trains)
    asked = _matters(near - sag, sag, least, _SAG, distances, difference).any(axis=-1)
    asked |= (turn > _TURN) & _may_meet(gap, c, float(distances[-1]), difference)[:, None]
    pair, window = np.nonzero(asked & known)
    begin, end = instants[window], instants[window + 1]
    turn, length = turn[pair, window], end - begin
    samples = np.empty((pair.size, _SAMPLES, 2, FIELDS))
    samples[:, 0], samples[:, -1] = geometry[pair, window], geometry[pair, window + 1]
    samples[:, 1:-1] = _looked_at(pairs[pair], begin, end, (0.25, 0.5, 0.75), trains, clock)
    done = []
    while pair.size:
        gap, c, lasts = samples[..., X], samples[..., C], end - begin
        fourth, swing = np.abs(np.diff(gap, 4, axis=1))[:, 0], np.ptp(gap, axis=1)
        near, least = np.abs(gap).min(axis=1), c.min(axis=1)
        split = _matters(near - swing, fourth, least, _FOURTH, distances, difference).any(axis=-1)
        split |= turn * lasts / length > _SAMPLED_TURN
        split &= lasts > clock.spacing
        whole = ~split
        done.append((pair[whole], window[whole], begin[whole], (lasts / length)[whole], samples[whole]))
        middle = 0.5 * (begin + end)[split]
        begin, end = np.concatenate([begin[split], middle]), np.concatenate([middle, end[split]])
        pair, window = np.tile(pair[split], 2), np.tile(window[split], 2)
        turn, length = np.tile(turn[split], 2), np.tile(length[split], 2)
        halves = np.empty((pair.size, *samples.shape[1:]))
        halves[:, ::2] = np.concatenate([samples[split, :3], samples[split, 2:]])
        halves[:, 1::2] = _looked_at(pairs[pair], begin, end, (0.25, 0.75), trains, clock)
        samples = halves
    if not done:
        nothing = np.empty((0, 2, _SAMPLES))
        return Curves(pair, window, np.empty(0), nothing, nothing, nothing)
    pair, window, begin, share, samples = (np.concatenate(values) for values in zip(*done, strict=True))
    order = np.lexsort((begin, pair))
    samples = samples[order].swapaxes(1, 2)
    return Curves(
        pair[order], window[order], share[order], samples[..., X], samples[..., C], 1.0 / samples[..., V_PERP]
    )


def _matters(
    nearest: Floats, bend: Floats, c: Floats, limit: float, distances: Floats, difference: RadiusDifference
) -> NDArray[np.bool_]:
    """Return where a gap that comes so near bends too much to be straight for one of the thresholds."""
    reach = difference.bounded_support_km + FAR * difference.normal_km
    found = np.zeros(bend.shape, dtype=bool)
    for distance in distances:
        within = nearest <= reach + distance / c
        found |= within & (bend * sharpness(difference, distance, np.maximum(nearest, 0.0) + 2.0 * bend, c) > limit)
    return found


def _sag(instants: Floats, gap: Floats) -> Floats:
    """Return how far gaps sag between instants, from the instants around, shape (pairs, windows, 2) [km]."""
    steps = np.diff(instants)[:, None]
    if steps.size < 2:
        # nothing to tell it from
        return np.full((len(gap), steps.size, 2), np.inf)
    curvature = np.abs(np.diff(np.diff(gap, axis=1) / steps, axis=1)) / (0.5 * (steps[1:] + steps[:-1]))
    padded = np.concatenate([curvature[:, :1], curvature, curvature[:, -1:]], axis=1)
    sag: Floats = np.fmax(padded[:, 1:], padded[:, :-1]) * steps**2 / 8.0
    return sag


def _turn(pairs: Integers, instants: Floats, sines: Floats, trains: Trains) -> Floats:
    """Return by how much mutual nodes and perigees turn in each window at most, shape (pairs, windows) [rad]."""
    values, rates = trains.values[trains.leaders], trains.rates[trains.leaders]
    perigee = np.hypot(rates[..., 1], rates[..., 2]) / np.maximum(
        np.hypot(values[..., 1], values[..., 2]), kernels.LEAST
    )
    perigee = np.nan_to_num(perigee).max(axis=1)
    least = np.nan_to_num(np.sin(values[..., 3]), nan=1.0).min(axis=1)
    first, second = pairs.T
    turning = np.nan_to_num(rates[..., 4])
    node = np.array([np.abs(turning[a] - turning[b]).max() for a, b in pairs.tolist()])
    sine = np.maximum(np.fmin(sines[:, 1:], sines[:, :-1]), 1e-9)
    pace = (node * np.minimum(least[first], least[second]))[:, None] / sine
    turn: Floats = (pace + np.maximum(perigee[first], perigee[second])[:, None]) * np.diff(instants)
    return turn


def _may_meet(gap: Floats, c: Floats, distance: float, difference: RadiusDifference) -> NDArray[np.bool_]:
    """Return which pairs come within reach anywhere in the range of their gaps, as far as it is known."""
    reach = difference.bounded_support_km + FAR * difference.normal_km + distance / np.nanmin(c, initial=1.0)
    known = np.isfinite(gap)
    lowest = np.where(known, gap, np.inf).min(axis=1, initial=np.inf)
    highest = np.where(known, gap, -np.inf).max(axis=1, initial=-np.inf)
    margin = reach + 0.5 * (highest - lowest)
    meets: NDArray[np.bool_] = ((lowest < margin) & (highest > -margin)).any(axis=-1)
    meets |= known[..., 0].sum(axis=1) < _KNOWN
    return meets


def _looked_at(
    pairs: Integers, begin: Floats, end: Floats, places: tuple[float, ...], trains: Trains, clock: Clock
) -> Floats:
    """Return the geometry at places from 0 to 1 in spans of time, shape (spans, places, 2, fields)."""
    found = np.empty((len(pairs), len(places), 2, FIELDS))
    arrays = trains.arrays()
    spans, which = np.unique(np.column_stack([begin, end]), axis=0, return_inverse=True)
    order = np.argsort(which, kind="stable")
    for span, rows in zip(spans, np.split(order, np.flatnonzero(np.diff(which[order])) + 1), strict=len(pairs) > 0):
        out = np.empty((rows.size, *found.shape[1:]))
        kernels.crossings(
            arrays,
            arrays,
            pairs[rows],
            span[0] + (span[1] - span[0]) * np.array(places),
            clock.spacing,
            clock.within_km,
            clock.field,
            out,
            np.empty(out.shape[:2]),
            np.empty((*out.shape[:3], 2)),
        )
        found[rows] = out
    return found


def _combined(samples: Floats, weights: Floats) -> Floats:
    """Return samples (…, 5) times weights (5, n), term by term: products of matrices change with their size."""
    found: Floats = samples[..., 0, None] * weights[0]
    for k in range(1, _SAMPLES):
        found += samples[..., k, None] * weights[k]
    return found


def _derivatives(places: Floats) -> tuple[Floats, Floats]:
    """Return weights (5, n) that give a quartic and its second derivative at places in [0, 1] from even samples."""
    powers = np.arange(_SAMPLES)
    inverse = np.linalg.inv(np.linspace(0.0, 1.0, _SAMPLES)[:, None] ** powers)
    value = places[:, None] ** powers
    second = np.zeros_like(value)
    second[:, 2:] = powers[2:] * (powers[2:] - 1.0) * value[:, :-2]
    return (value @ inverse).T, (second @ inverse).T


@cache
def _lines(count: int) -> tuple[Floats, Floats]:
    """Return weights for the corners of so many short lines, shape (5, count + 1), and for their middles."""
    value, second = _derivatives(np.linspace(0.0, 1.0, count + 1))
    middle, _ = _derivatives((np.arange(count) + 0.5) / count)
    return value - second / (12.0 * count**2), middle
