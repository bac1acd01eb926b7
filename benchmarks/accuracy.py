"""How close the mean motion comes to the numerical reference, at the very settings that make it fast.

Each row: random orbits are integrated numerically, mean elements are fitted to the first day of each, and both are
compared later on, the radius where both have the same argument of latitude.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from shells import constants
from shells.motion import arrays, kernels
from shells.motion.bodies import greenwich_angle
from shells.motion.fitting import fit_elements
from shells.motion.forces import Forces
from shells.motion.numerical.reference import integrate_states, no_tesserals, tesserals_from
from shells.motion.ripple.correction import orbit_axes, tesseral_correction

EPOCH = np.datetime64("2027-03-21T05:20:00", "ns")
DAY = constants.DAY.value
MU = constants.GRAVITATIONAL_PARAMETER.value

#: Samples of an orbit that are fitted; those compared are as many, over a day.
SAMPLES = 60

ZONALS = Forces(drag=False, sun=False, moon=False, radiation=False)
ALL = Forces()


@dataclass(frozen=True)
class Orbits:
    """Random orbits: mean elements (n, 6) and drag and sunlight (n, 2)."""

    elements: np.ndarray
    properties: np.ndarray


def near_circular(count: int, seed: int, *, height=(500.0, 1500.0)) -> Orbits:
    """Draw orbits with e < 0.02, at all inclinations."""
    rng = np.random.default_rng(seed)
    perigee = constants.EQUATORIAL_RADIUS.value + rng.uniform(*height, count)
    return _orbits(rng, perigee, rng.uniform(0.0, 0.02, count))


def eccentric(count: int, seed: int) -> Orbits:
    """Draw orbits with e from 0.02 to 0.7 and perigees from 500 to 1,500 km."""
    rng = np.random.default_rng(seed)
    perigee = constants.EQUATORIAL_RADIUS.value + rng.uniform(500.0, 1500.0, count)
    return _orbits(rng, perigee, rng.uniform(0.02, 0.7, count))


def _orbits(rng: np.random.Generator, perigee: np.ndarray, e: np.ndarray) -> Orbits:
    count = e.size
    w, node, u = rng.uniform(0.0, 2.0 * np.pi, (3, count))
    inclination = np.arccos(rng.uniform(-1.0, 1.0, count))
    area_to_mass = 10.0 ** rng.uniform(-2.5, -1.5, count)
    return Orbits(
        np.column_stack([perigee / (1.0 - e), e * np.cos(w), e * np.sin(w), inclination, node, u]),
        np.column_stack([2.2 * area_to_mass, 1.3 * area_to_mass]),
    )


@dataclass(frozen=True)
class Compared:
    """One orbit against the reference.

    Parameters
    ----------
    radius : ndarray, shape (samples,)
        Own less true radius where both have the same argument of latitude [km].
    along : ndarray, shape (samples,)
        Own less true place along the track at the same time [km].
    true_radius : ndarray, shape (samples,)
        [km].
    lost : float
        Height lost since the start [km].
    """

    radius: np.ndarray
    along: np.ndarray
    true_radius: np.ndarray
    lost: float


def compare(
    orbits: Orbits,
    row: int,
    forces: Forces,
    instants: np.ndarray,
    *,
    tesserals: bool = False,
    corrected: bool = False,
) -> Compared:
    """Fit one orbit over its first day, and compare it with the reference at instants [s] after the epoch.

    With ``tesserals`` the reference has them, and ``corrected`` takes their ripple off it by linear theory.
    """
    elements, properties = orbits.elements[row : row + 1], orbits.properties[row : row + 1]
    period = 2.0 * np.pi * np.sqrt(elements[0, 0] ** 3 / MU)
    span = max(1, round(DAY / period)) * period
    times = (np.arange(SAMPLES * max(1, round(span / period))) + 0.5) * period / SAMPLES
    model = forces.model(EPOCH, float(max(instants[-1], span)) + DAY)
    field = tesserals_from(EPOCH) if tesserals else no_tesserals()
    asked, place = np.unique(np.concatenate([[0.0], times, instants]), return_inverse=True)
    path, _ = integrate_states(arrays.states_from_mean_elements(elements), properties, asked, model, field)
    path = path[0, place]
    first, truth = path[1 : times.size + 1], path[times.size + 1 :]
    own = _Own(_fit(first, times, span, properties, forces), properties, forces, instants)
    if corrected:
        early = _Own(_fit(first, times, span, properties, forces), properties, forces, times)
        smooth = first - ripple(early, times)
        own = _Own(_fit(smooth, times, span, properties, forces), properties, forces, instants)
        truth = truth - ripple(own, instants)
    radius, along = _apart(own, instants, truth)
    true_radius = np.linalg.norm(truth[:, :3], axis=1)
    lost = max(0.0, np.linalg.norm(first[:, :3], axis=1).mean() - true_radius.mean())
    return Compared(radius, along, true_radius, lost)


def _fit(states: np.ndarray, times: np.ndarray, span: float, properties: np.ndarray, forces: Forces) -> np.ndarray:
    fitted, _ = fit_elements(
        states[None, :, :3], states[None, :, 3:], times[None], np.array([span]), properties, epoch=EPOCH, forces=forces
    )
    return fitted


class _Own:
    """The library's own trajectory of one object, as `shells.positions` has it."""

    def __init__(self, elements: np.ndarray, properties: np.ndarray, forces: Forces, instants: np.ndarray) -> None:
        self.start = max(0.0, DAY * np.floor(instants[0] / DAY) - DAY)
        nodes = np.arange(self.start, instants[-1] + 2.0 * DAY, DAY)
        asked = nodes if self.start == 0.0 else np.concatenate([[0.0], nodes])
        values, rates, _ = arrays.integrate(elements, properties, asked, epoch=EPOCH, forces=forces)
        self.values, self.rates = values[0, -nodes.size :], rates[0, -nodes.size :]

    def elements(self, times: np.ndarray) -> np.ndarray:
        """Return mean elements (n, 6); before the first node and after the last those of the node."""
        out = np.empty((times.size, 6))
        inside = np.clip(times, self.start, self.start + DAY * (len(self.values) - 1))
        for k, time in enumerate(inside):
            kernels.interpolate(self.values, self.rates, self.start, DAY, time, out[k])
        return out

    def states(self, times: np.ndarray) -> np.ndarray:
        """Return osculating states (n, 6)."""
        return arrays.states_from_mean_elements(self.elements(times))


def ripple(own: _Own, times: np.ndarray) -> np.ndarray:
    """Return displacements by the tesserals in position and velocity (n, 6) [km], [km s-1]."""
    return tesseral_correction(own.values, own.rates, own.start, DAY, times, greenwich_angle(EPOCH))


def _apart(own: _Own, instants: np.ndarray, truth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return own less true radius at the same argument of latitude, and along-track distance at the same time [km]."""
    radius = np.linalg.norm(truth[:, :3], axis=1)
    outward, ahead, _ = orbit_axes(truth)
    rate = np.linalg.norm(np.cross(truth[:, :3], truth[:, 3:]), axis=1) / radius**2
    shifted, along = instants, None
    for _ in range(8):
        mine = own.states(shifted)[:, :3]
        angle = np.arctan2((mine * ahead).sum(1), (mine * outward).sum(1))
        along = radius * angle if along is None else along
        shifted = shifted - angle / rate
    return np.linalg.norm(mine, axis=1) - radius, along


@dataclass(frozen=True)
class Row:
    """One row of the table.

    Parameters
    ----------
    name : str
    figures : tuple of (what, measured, limit)
        Root mean square over all samples of all orbits, and the worst, in the unit of the name; limit None for as
        measured.
    """

    name: str
    figures: tuple[tuple[str, float, float | None], ...]


def _over(orbits: Orbits, work: Callable[[int], Compared]) -> list[Compared]:
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(work, range(len(orbits.elements))))


def a_day(days: float) -> np.ndarray:
    """Return instants over a day that begins after so many days."""
    return days * DAY + (np.arange(240) + 0.37) / 240 * DAY


def radius_in_zonals(count: int, seed: int = 1) -> Row:
    """Near-circular orbits in the zonal field, the day after the fit."""
    orbits = near_circular(count, seed)
    found = _over(orbits, lambda k: compare(orbits, k, ZONALS, a_day(1.0)))
    metres = 1000.0 * np.concatenate([one.radius for one in found])
    return Row(
        "radius, e < 0.02, zonal field, after a day [m]",
        (("rms", _rms(metres), 5.0), ("worst", float(np.abs(metres).max()), 15.0)),
    )


def radius_after_a_year(count: int, seed: int = 2) -> Row:
    """Near-circular orbits under all forces but tesserals, after a year; beyond 0.1 % of the height lost to drag."""
    orbits = near_circular(count, seed)
    found = _over(orbits, lambda k: compare(orbits, k, ALL, a_day(365.0)))
    metres = [1000.0 * np.maximum(np.abs(one.radius) - 0.001 * one.lost, 0.0) for one in found]
    return Row(
        "radius, e < 0.02, all forces, after a year, beyond 0.1 % of the height lost [m]",
        (
            ("rms", _rms(np.concatenate(metres)), 10.0),
            ("worst", float(np.max(metres)), 30.0),
            ("rms whole", _rms(1000.0 * np.concatenate([one.radius for one in found])), None),
            ("largest height lost [km]", max(one.lost for one in found), None),
        ),
    )


def radius_with_tesserals(count: int, seed: int = 3) -> Row:
    """Near-circular orbits in the field with tesserals, ten days, without and with the correction."""
    orbits = near_circular(count, seed)
    plain = _over(orbits, lambda k: compare(orbits, k, ALL, a_day(9.0), tesserals=True))
    better = _over(orbits, lambda k: compare(orbits, k, ALL, a_day(9.0), tesserals=True, corrected=True))
    without, having = (1000.0 * np.concatenate([one.radius for one in found]) for found in (plain, better))
    return Row(
        "radius, e < 0.02, all forces and tesserals to degree 8, after ten days [m]",
        (
            ("rms without correction", _rms(without), None),
            ("worst without", float(np.abs(without).max()), None),
            ("rms with correction", _rms(having), 15.0),
            ("worst with", float(np.abs(having).max()), None),
        ),
    )


def radius_of_eccentric(count: int, seed: int = 4) -> Row:
    """Eccentric orbits under all forces but tesserals, thirty days, relative."""
    orbits = eccentric(count, seed)
    found = _over(orbits, lambda k: compare(orbits, k, ALL, a_day(29.0)))
    parts = np.concatenate([one.radius / one.true_radius for one in found])
    return Row("radius, e 0.02 to 0.7, all forces, after 30 days, relative", (("rms", _rms(parts), 1e-4),))


def along_track(count: int, seed: int = 5) -> Row:
    """Near-circular orbits under all forces but tesserals, along the track after ten days."""
    orbits = near_circular(count, seed)
    found = _over(orbits, lambda k: compare(orbits, k, ALL, a_day(9.5)))
    along = np.concatenate([one.along for one in found])
    return Row(
        "along track after ten days [km]", (("rms", _rms(along), 2.0), ("worst", float(np.abs(along).max()), 2.0))
    )


def secular_rates(count: int, seed: int = 6) -> Row:
    """Near-circular orbits under all forces but tesserals: node and eccentricity vector fitted again after a year."""
    orbits = near_circular(count, seed)
    found = np.array(_over(orbits, lambda k: _after_a_year(orbits, k)))
    return Row(
        "node rate over 1.5 n J2 (R/p)^2; eccentricity vector, after a year",
        (
            ("node rms", _rms(found[:, 0]), 1e-5),
            ("node worst", float(np.abs(found[:, 0]).max()), None),
            ("eccentricity rms", _rms(found[:, 1]), 1e-6),
            ("eccentricity worst", float(found[:, 1].max()), None),
        ),
    )


def _after_a_year(orbits: Orbits, row: int) -> tuple[float, float]:
    """Return how far the node is off, over what J2 turns it, and the eccentricity vector, after 365 days."""
    elements, properties = orbits.elements[row : row + 1], orbits.properties[row : row + 1]
    a = elements[0, 0]
    period = 2.0 * np.pi * np.sqrt(a**3 / MU)
    span = round(DAY / period) * period
    times = (np.arange(SAMPLES * round(span / period)) + 0.5) * period / SAMPLES
    late = 365.0 * DAY
    asked = np.concatenate([[0.0], times, late + times])
    model = ALL.model(EPOCH, late + 2.0 * DAY)
    path, _ = integrate_states(arrays.states_from_mean_elements(elements), properties, asked, model, no_tesserals())
    first, last = path[0, 1 : times.size + 1], path[0, times.size + 1 :]
    fitted = _fit(first, times, span, properties, ALL)
    own, _, _ = arrays.integrate(fitted, properties, np.array([0.0, late]), epoch=EPOCH, forces=ALL)
    again, _ = fit_elements(
        last[None, :, :3],
        last[None, :, 3:],
        times[None],
        np.array([span]),
        properties,
        epoch=EPOCH + np.timedelta64(365, "D"),
        forces=ALL,
    )
    off = own[0, -1] - again[0]
    node = np.remainder(off[4] + np.pi, 2.0 * np.pi) - np.pi
    zonal = constants.zonal_coefficients()[2]
    p = a * (1.0 - elements[0, 1] ** 2 - elements[0, 2] ** 2)
    turned = 1.5 * 2.0 * np.pi / period * zonal * (constants.REFERENCE_RADIUS.value / p) ** 2 * late
    return float(node / turned), float(np.hypot(off[1], off[2]))


def decay(count: int, seed: int = 7) -> Row:
    """Orbits at 300, 400 and 500 km under all forces but tesserals: time to 120 km."""
    rng = np.random.default_rng(seed)
    orbits = near_circular(count, seed)
    heights = np.tile([300.0, 400.0, 500.0], count // 3 + 1)[:count]
    orbits.elements[:, 0] = constants.EQUATORIAL_RADIUS.value + heights
    orbits.elements[:, 1:3] *= 0.1
    orbits.properties[:] = np.outer(rng.uniform(0.01, 0.03, count), [2.2, 1.3])
    found = 100.0 * np.array(_over(orbits, lambda k: _lifetime_error(orbits, k)))
    return Row(
        "decay time from 300, 400 and 500 km [%]",
        (("rms", _rms(found), 0.5), ("worst", float(np.abs(found).max()), 0.5)),
    )


def _lifetime_error(orbits: Orbits, row: int) -> float:
    elements, properties = orbits.elements[row : row + 1], orbits.properties[row : row + 1]
    longest = 3000.0 * DAY
    model = ALL.model(EPOCH, longest)
    start = arrays.states_from_mean_elements(elements)
    _, true_end = integrate_states(start, properties, np.array([0.0, longest]), model, no_tesserals())
    _, _, own_end = arrays.integrate(elements, properties, np.array([0.0, longest]), epoch=EPOCH, forces=ALL)
    return float(own_end[0] / true_end[0] - 1.0)


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


ROWS = (
    radius_in_zonals,
    radius_after_a_year,
    radius_with_tesserals,
    radius_of_eccentric,
    secular_rates,
    decay,
    along_track,
)


def main(count: int = 200) -> None:
    """Print the table."""
    for measure in ROWS:
        row = measure(count)
        print(f"{row.name}, {count} orbits")
        for what, value, limit in row.figures:
            print(f"    {what:28s} {value:10.3g}" + ("" if limit is None else f"   limit {limit:g}"), flush=True)
