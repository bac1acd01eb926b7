"""How fast the mean motion is: against objects, years and forces, beside numerical integration and sgp4."""

from __future__ import annotations

import resource
import time
from dataclasses import replace
from typing import Any

import dask
import numpy as np
from scipy.integrate import solve_ivp
from sgp4.api import WGS72, Satrec, SatrecArray

import shells
from shells import constants
from shells.motion import arrays
from shells.motion.forces import Forces
from shells.motion.numerical.reference import integrate_states, no_tesserals
from shells.motion.propagation import element_array, property_array

DAY, YEAR = constants.DAY.value, constants.YEAR.value
WORKERS = 2


def object_years(orbits: Any, years: float) -> float:
    """Return the years that the objects live within a span, together."""
    span = np.timedelta64(int(years * YEAR), "s")
    start = orbits["time"].values[0]
    ends = orbits["reentry"].compute(scheduler="synchronous").values
    lived = np.where(np.isnat(ends), span, ends - start)
    return float(lived.astype("timedelta64[s]").astype(float).sum() / YEAR)


def moved(debris: Any, years: float, forces: Forces) -> tuple[float, float]:
    """Return seconds to move debris on all cores and object-years lived; nothing but one mean is kept."""
    orbits = shells.propagate(debris, years=years, forces=forces)
    with dask.config.set(scheduler="threads", num_workers=WORKERS):
        begun = time.perf_counter()
        dask.compute(orbits["semi_major_axis"].data.mean())
        taken = time.perf_counter() - begun
    return taken, object_years(orbits, years)


def by_forces() -> dict[str, Forces]:
    """Return force models to compare."""
    zonals = Forces(drag=False, sun=False, moon=False, radiation=False)
    return {
        "all forces": Forces(),
        "zonals": zonals,
        "zonals, air": replace(zonals, drag=True),
        "zonals, Sun and Moon": replace(zonals, sun=True, moon=True),
        "zonals, sunlight": replace(zonals, radiation=True),
    }


def numerical(debris: Any, count: int = 3, days: float = 2.0) -> float:
    """Return seconds an object-year of scipy's DOP853 takes, two bodies and J2, extrapolated from a few orbits."""
    mu, radius = constants.GRAVITATIONAL_PARAMETER.value, constants.REFERENCE_RADIUS.value
    j2 = float(constants.zonal_coefficients()[2])

    def rates(_: float, y: np.ndarray) -> np.ndarray:
        r2 = y[:3] @ y[:3]
        pull = -mu / (r2 * np.sqrt(r2))
        swell = 1.5 * j2 * radius**2 / r2
        tilt = 5.0 * y[2] ** 2 / r2
        return np.concatenate([y[3:], pull * y[:3] * (1.0 + swell * (np.array([1.0, 1.0, 3.0]) - tilt))])

    states = arrays.states_from_mean_elements(element_array(debris))[:count]
    begun = time.perf_counter()
    for state in states:
        solve_ivp(rates, (0.0, days * DAY), state, method="DOP853", rtol=1e-10, atol=1e-8)
    return (time.perf_counter() - begun) / count / days * 365.25


def by_reference(debris: Any, count: int = 4, days: float = 20.0) -> float:
    """Return seconds an object-year of the numerical reference takes, all forces, extrapolated."""
    epoch = np.datetime64(debris["epoch"].values.item(), "ns")
    model = Forces().model(epoch, days * DAY)
    states = arrays.states_from_mean_elements(element_array(debris))[:count]
    properties = property_array(debris)[:count]
    integrate_states(states[:1], properties[:1], np.array([0.0, DAY]), model, no_tesserals())
    begun = time.perf_counter()
    integrate_states(states, properties, np.array([0.0, days * DAY]), model, no_tesserals())
    return (time.perf_counter() - begun) / count / days * 365.25


def as_satellites(debris: Any) -> list[Satrec]:
    """Return sgp4's objects of like orbits: the mean elements are copied, which is good enough for timing."""
    usual = shells.classical(debris)
    rows = np.column_stack(
        [usual["eccentricity"], *(np.radians(usual[name]) for name in ("argument_of_perigee", "inclination"))]
    )
    anomaly, node = np.radians(usual["mean_anomaly"].values), np.radians(usual["raan"].values)
    motion = 60.0 * np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / usual["semi_major_axis"].values ** 3)
    satellites = []
    for number, row in enumerate(rows):
        satellite = Satrec()
        satellite.sgp4init(
            WGS72, "i", number, 28_000.5, 1e-5, 0.0, 0.0, *row, anomaly[number], motion[number], node[number]
        )
        satellites.append(satellite)
    return satellites


def stepped(debris: Any, step_s: float = 10.0, steps: int = 100) -> float:
    """Return seconds an object-year of sgp4 takes at small steps, extrapolated from a few."""
    satellites = SatrecArray(as_satellites(debris))
    julian = np.full(steps, 2_433_281.5 + 28_000.5)
    fractions = np.arange(steps) * step_s / DAY
    satellites.sgp4(julian[:2], fractions[:2])
    begun = time.perf_counter()
    satellites.sgp4(julian, fractions)
    taken = time.perf_counter() - begun
    return taken / debris.sizes["object"] / (steps * step_s) * YEAR


def main(count: int = 2000) -> None:
    """Print the tables."""
    debris = shells.demo_debris(count=count, seed=1)
    moved(debris.isel(object=slice(0, 4)), 0.1, Forces())
    print(f"mean motion, {WORKERS} threads, daily nodes, demo debris")
    print("    objects   years  seconds  object-years/s")
    for objects, years in ((count // 8, 1.0), (count // 2, 1.0), (count, 1.0), (count // 2, 5.0), (count // 2, 10.0)):
        taken, lived = moved(debris.isel(object=slice(0, objects)), years, Forces())
        print(f"    {objects:7d} {years:7.0f} {taken:8.2f} {lived / taken:15.0f}", flush=True)
    print("    forces, one year                  object-years/s")
    for name, forces in by_forces().items():
        taken, lived = moved(debris, 1.0, forces)
        print(f"    {name:30s} {lived / taken:17.0f}", flush=True)
    print("beside it, one thread, extrapolated     object-years/s")
    print(f"    shells.reference, all forces   {1.0 / by_reference(debris):17.3g}")
    print(f"    scipy DOP853, J2 alone         {1.0 / numerical(debris):17.3g}")
    print(f"    sgp4 every 10 s                {1.0 / stepped(debris):17.3g}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2g} GB")


def memory(count: int = 25_000, years: float = 10.0) -> None:
    """Print the time and peak memory of many objects over many years."""
    debris = shells.demo_debris(count=count, seed=1)
    taken, lived = moved(debris, years, Forces())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{count} objects, {years:g} years: {taken:.0f} s, {lived / taken:.0f} object-years/s, peak {peak:.2f} GB")
