"""Solar activity to come: the 10.7-cm radio flux, constant, as a reference cycle, or as drawn cycles.

All are means over months, which is what long-term density asks for: daily and 81-day flux the same
(ECSS-E-ST-10-04C Rev.1, clause 7.2.1). Their uncertainty outweighs that of the density model in any lifetime (clause
G.5): nobody knows the next cycle. Times are UTC. 1 sfu = 1e-22 W m-2 Hz-1.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from shells.constants import YEAR
from shells.errors import Faults

#: Long-term flux [sfu], low, moderate and high. Source: ECSS-E-ST-10-04C Rev.1, Table 6-3.
CONSTANT_FLUX = {"low": 65.0, "mean": 140.0, "high": 250.0}

ACTIVITIES = (*CONSTANT_FLUX, "cycle", "drawn")

#: Year of a maximum of the reference cycle, and years between two. Source: ECSS-E-ST-10-04C Rev.1, rule B-1:
#: 2013.5 + 11 (i - 24) for cycle i.
MAXIMUM, PERIOD = 2013.5, 11.0

#: Smoothed minima of the flux that open cycles 19 to 25, middles of the months. Source: daily flux of the CelesTrak
#: space weather file (celestrak.org/SpaceData), 13-month smoothed, 1957 to 2025; the first, before those data, from
#: memory.
MINIMA = np.array(
    ["1954-04-16", "1964-10-16", "1976-03-16", "1986-09-16", "1996-08-16", "2008-12-16", "2019-12-16"],
    dtype="datetime64[D]",
)
MINIMA.setflags(write=False)

#: Lengths of cycles 20 to 24 [years]: shortest, mean, longest. Source: as above.
LENGTHS = (9.9, 11.02, 12.3)

#: Smoothed flux [sfu] of cycles 20 to 24, each in eleven equal parts from minimum to minimum: lowest, mean and highest
#: of the five cycles. Source: as above.
OBSERVED_CYCLES: NDArray[np.float64] = np.array(
    [
        [68.5, 75.3, 86.7],
        [74.8, 98.5, 136.5],
        [91.7, 144.9, 209.3],
        [119.0, 167.5, 213.1],
        [116.7, 171.6, 206.3],
        [135.3, 169.8, 207.7],
        [105.6, 136.9, 195.5],
        [81.1, 110.0, 151.3],
        [74.7, 89.2, 119.7],
        [70.0, 77.2, 86.7],
        [68.2, 72.4, 79.6],
    ]
)
OBSERVED_CYCLES.setflags(write=False)

#: Years that cycles are drawn for.
FIRST_DRAWN, LAST_DRAWN = 1960, 2200

#: Enough to pass the last year even if all are of the shortest length.
_DRAWN_CYCLES = 20


def solar_flux(activity: str, times: ArrayLike, seed: int = 0) -> NDArray[np.float64]:
    """Return the 10.7-cm solar flux at given times.

    Parameters
    ----------
    activity : str
        "low", "mean" or "high": constant, 65, 140 or 250 sfu. "cycle": the reference cycle, repeated every 11 years.
        "drawn": random cycles like the past ones.
    times : array_like of datetime64
        UTC; for "drawn" from 1960 to 2200.
    seed : int
        Of the drawn cycles, 0 or more; the same seed gives the same cycles whatever times are asked.

    Returns
    -------
    ndarray
        Flux [sfu], of the shape of `times`.

    Raises
    ------
    InputError
        Unknown activity, negative seed, times missing or out of range: all together.

    Notes
    -----
    *The reference cycle* is the 81-day mean of ECSS-E-ST-10-04C Rev.1, Table A-1. Its 140 months of 30 days last
    11.5 years, but its maxima are to return every 11: so each month lasts 11/140 of a year (28.7 days), which keeps the
    mean and every value of the table. The middle of the month of its highest value lies at 2013.5 + 11 k; the flux is
    linear between the middles of months.

    *Drawn cycles* begin at the observed minima up to 2019-12; lengths after that are drawn, heights and shapes of all.
    A quantity of which the past cycles show a lowest, mean and highest value is drawn as
    lowest + (highest - lowest) u^k, u uniform, k = (highest - lowest)/(mean - lowest) - 1: the mean is the observed
    one, and nothing leaves the observed range. For the flux, u is drawn anew at each minimum and at each middle of a
    cycle, so that height, rise and decline of a cycle differ from those of the next; between two such instants, a and
    b, the normal quantile of u is z_a cos(t) + z_b sin(t), t from 0 to 90 deg, which keeps u uniform throughout. The
    law is our choice, no source. Single months scatter about the smoothed flux (9 % standard deviation in
    Table A-1); that is left out.
    """
    faults = Faults("solar_flux")
    given = np.asarray(times)
    if given.dtype.kind != "M":
        faults.add(f"times of type {given.dtype} found; expected datetime64")
        faults.raise_if_any()
    instants: NDArray[np.datetime64] = given.astype("datetime64[us]")
    faults.require(activity in ACTIVITIES, f"activity {activity!r} found; allowed: {', '.join(ACTIVITIES)}")
    faults.require(seed >= 0, f"seed {seed} found; allowed: 0 or more")
    faults.require(not np.isnat(instants).any(), f"times: {np.isnat(instants).sum()} missing (NaT); give all")
    if activity == "drawn":
        years = instants.astype("datetime64[Y]").astype(np.int64) + 1970
        outside = ~np.isnat(instants) & ((years < FIRST_DRAWN) | (years > LAST_DRAWN))
        faults.require(
            not outside.any(),
            f"times: {outside.sum()} outside {FIRST_DRAWN} to {LAST_DRAWN}; no cycles are drawn there",
        )
    faults.raise_if_any()
    if activity in CONSTANT_FLUX:
        return np.full(instants.shape, CONSTANT_FLUX[activity])
    return _cycle(_years(instants)) if activity == "cycle" else _drawn(_years(instants), seed)


def _years(instants: NDArray[np.datetime64]) -> NDArray[np.float64]:
    """Return the Julian epoch: 2000 at noon of 1 January 2000, then years of 365.25 days."""
    seconds = (instants - np.datetime64("2000-01-01T12:00", "us")) / np.timedelta64(1, "s")
    return np.asarray(2000.0 + seconds / YEAR.value)


@cache
def _reference_cycle() -> NDArray[np.float64]:
    """Return the 81-day mean flux [sfu] of each month of the reference cycle."""
    with (files("shells.motion") / "solar_cycle.csv").open() as lines:
        rows = csv.DictReader(line for line in lines if not line.startswith("#"))
        flux = np.array([float(row["mean_81_days"]) for row in rows])
    flux.setflags(write=False)
    return flux


def _cycle(years: NDArray[np.float64]) -> NDArray[np.float64]:
    flux = _reference_cycle()
    month = np.argmax(flux) + (years - MAXIMUM) / PERIOD * flux.size
    return np.asarray(np.interp(month, np.arange(flux.size), flux, period=flux.size))


def _drawn(years: NDArray[np.float64], seed: int) -> NDArray[np.float64]:
    random = np.random.Generator(np.random.Philox(np.random.SeedSequence(seed)))
    lengths = _between(*LENGTHS, random.random(_DRAWN_CYCLES))
    observed = _years(MINIMA)
    minima = np.concatenate([observed, observed[-1] + np.cumsum(lengths)])
    quantiles = random.standard_normal(2 * minima.size)

    cycle = np.searchsorted(minima, years, side="right") - 1
    phase = (years - minima[cycle]) / (minima[cycle + 1] - minima[cycle])
    half = (phase >= 0.5).astype(np.int64)
    before = 2 * cycle + half
    turn = 0.5 * np.pi * (2.0 * phase - half)
    uniform = ndtr(quantiles[before] * np.cos(turn) + quantiles[before + 1] * np.sin(turn))

    parts = len(OBSERVED_CYCLES)
    middles = (np.arange(parts) + 0.5) / parts
    lowest, mean, highest = (np.interp(phase, middles, column, period=1.0) for column in OBSERVED_CYCLES.T)
    return np.asarray(_between(lowest, mean, highest, uniform))


def _between(
    lowest: ArrayLike, mean: ArrayLike, highest: ArrayLike, uniform: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return what a uniform variable becomes between a lowest and a highest value, with a given mean."""
    span, rise = np.subtract(highest, lowest), np.subtract(mean, lowest)
    return np.asarray(lowest + span * uniform ** (span / rise - 1.0))
