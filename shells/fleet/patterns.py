"""Walker patterns: equally spaced planes of equally spaced satellites.

Delta i:t/p/f spreads p planes over 360 deg of node, star over 180 deg (near-polar). All elements are mean; the
altitude is that of the mean radius above 6378.137 km. Frame: true equator and equinox of the study epoch.

Source: J. G. Walker 1984, Journal of the British Interplanetary Society 37, 559-571.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import xarray as xr

from shells.constants import DEFAULT_DRAG_COEFFICIENT, DEFAULT_REFLECTIVITY_COEFFICIENT, EQUATORIAL_RADIUS
from shells.errors import Faults
from shells.fleet.distances import pattern_distances
from shells.fleet.elements import MINIMUM_ALTITUDE_KM, note, perigee_altitude
from shells.fleet.quantities import read_number
from shells.motion.shape import semi_major_axis
from shells.schema import OBJECTS

#: Held "for ever": beyond any mission, and well inside what nanoseconds since 1970 can hold (2262).
HELD_UNTIL = np.datetime64("2200-01-01", "ns")

#: Range over which planes are spread in right ascension of the node [deg].
SPAN_DEG = {"star": 180.0, "delta": 360.0}

#: Beyond this the relation of mean radius and semi-major axis, made for near-circular orbits, is off by kilometres.
HIGHEST_ECCENTRICITY = 0.02

#: Two phasings whose smallest distances differ by less than this, relative, count as equally good: rounding.
_EQUALLY_GOOD = 1e-9


def walker(
    *,
    total: int,
    planes: int,
    pattern: Literal["star", "delta"],
    altitude_km: Any,
    inclination_deg: Any,
    phasing: int | Literal["best"] = 0,
    eccentricity: Any = 0.0,
    raan_deg: Any = 0.0,
    epoch: Any = "2026-01-01",
    mass_kg: Any = 200.0,
    drag_area_m2: Any = 2.0,
    radiation_area_m2: Any = None,
    drag_coefficient: Any = DEFAULT_DRAG_COEFFICIENT.value,
    reflectivity_coefficient: Any = DEFAULT_REFLECTIVITY_COEFFICIENT.value,
    hard_body_radius_m: Any = 2.0,
    name: str = "fleet",
) -> xr.Dataset:
    """Make a fleet in a Walker pattern, all planes at one altitude.

    Parameters
    ----------
    total, planes : int
        Satellites in all and planes; `total` is a multiple of `planes`.
    pattern : {"star", "delta"}
        Planes spread over 180 deg or over 360 deg of node.
    altitude_km : float or Quantity
        Mean radius less 6378.137 km [km], from 160.
    inclination_deg : float or Quantity
        Mean inclination [deg].
    phasing : int or "best"
        Step of the mean argument of latitude from plane to plane, in units of 360 deg / total, 0 to planes - 1; "best"
        takes the one with the largest smallest distance for this eccentricity, the smallest of equally good ones.
    eccentricity : float or Quantity
        Mean eccentricity [1], perigee at 90 deg; up to 0.02.
    raan_deg : float or Quantity
        Right ascension of the ascending node of plane 0 [deg].
    epoch : str, datetime, datetime64 or astropy Time
        Time of the elements, UTC.
    mass_kg, drag_area_m2, radiation_area_m2, hard_body_radius_m : float or Quantity
        Of each satellite [kg, m2, m2, m]; the defaults are a small satellite of 100 kg/m2; `radiation_area_m2` defaults
        to the drag area.
    drag_coefficient, reflectivity_coefficient : float or Quantity
        Of each satellite [1].
    name : str
        Satellites are named "name plane/slot".

    Returns
    -------
    Dataset
        OBJECTS, numbered from 1 plane by plane; planes and slots from 0; station-kept from the epoch on; kind "fleet".

    Raises
    ------
    InputError
        Impossible arguments, all named at once with what would be allowed.
    """
    faults = Faults("walker: arguments cannot be used")
    time = _read_epoch(faults, epoch)
    _check_counts(faults, total, planes, phasing)
    faults.require(pattern in SPAN_DEG, f"pattern: {pattern!r} found; allowed: {', '.join(map(repr, SPAN_DEG))}")
    orbit = {
        "altitude_km": read_number(faults, "altitude_km", altitude_km, "km", low=MINIMUM_ALTITUDE_KM),
        "inclination_deg": read_number(faults, "inclination_deg", inclination_deg, "deg", low=0.0, high=180.0),
        "eccentricity": read_number(faults, "eccentricity", eccentricity, "", low=0.0, high=HIGHEST_ECCENTRICITY),
        "raan_deg": read_number(faults, "raan_deg", raan_deg, "deg"),
    }
    _check_perigee(faults, orbit["altitude_km"], orbit["eccentricity"])
    drag_area = read_number(faults, "drag_area_m2", drag_area_m2, "m2", low=0.0)
    radiation_area = drag_area
    if radiation_area_m2 is not None:
        radiation_area = read_number(faults, "radiation_area_m2", radiation_area_m2, "m2", low=0.0)
    body = {
        "mass": read_number(faults, "mass_kg", mass_kg, "kg", low=1e-3),
        "drag_area": drag_area,
        "radiation_area": radiation_area,
        "drag_coefficient": read_number(faults, "drag_coefficient", drag_coefficient, "", low=0.0),
        "reflectivity_coefficient": read_number(
            faults, "reflectivity_coefficient", reflectivity_coefficient, "", low=0.0, high=2.0
        ),
        "hard_body_radius": read_number(faults, "hard_body_radius_m", hard_body_radius_m, "m", low=0.0),
    }
    faults.raise_if_any()
    body["area_to_mass"] = body["drag_area"] / body["mass"]
    design = _Design(int(total), int(planes), pattern, **orbit)
    step = _best_phasing(design) if phasing == "best" else int(phasing)
    fleet = OBJECTS.build(_objects(design, step, body, time, name))
    return note(fleet, walker={**vars(design), "phasing": step})


@dataclass(frozen=True)
class _Design:
    """A valid pattern but for its phasing."""

    total: int
    planes: int
    pattern: str
    altitude_km: float
    inclination_deg: float
    eccentricity: float
    raan_deg: float

    @property
    def mean_radius_km(self) -> float:
        return EQUATORIAL_RADIUS.value + self.altitude_km


def _check_counts(faults: Faults, total: Any, planes: Any, phasing: Any) -> None:
    counts = {"total": total, "planes": planes}
    for name, value in counts.items():
        faults.require(_is_whole(value) and value >= 1, f"{name}: {value!r} found; allowed: whole numbers from 1")
    if not all(_is_whole(value) and value >= 1 for value in counts.values()):
        return
    if total % planes:
        multiples = [value for value in (total - total % planes, total - total % planes + planes) if value]
        divisors = sorted((p for p in range(1, total + 1) if total % p == 0), key=lambda p: abs(p - planes))
        faults.add(
            f"total: {total} found with planes = {planes}; allowed: multiples of {planes} (nearest "
            f"{' and '.join(map(str, multiples))}), or planes that divide {total} (nearest "
            f"{', '.join(map(str, sorted(divisors[:6])))})"
        )
    if not (isinstance(phasing, str) and phasing == "best") and not (_is_whole(phasing) and 0 <= phasing < planes):
        faults.add(f"phasing: {phasing!r} found; allowed: whole numbers from 0 to planes - 1 = {planes - 1}, or 'best'")


def _check_perigee(faults: Faults, altitude_km: float, eccentricity: float) -> None:
    radius = EQUATORIAL_RADIUS.value + altitude_km
    perigee = float(perigee_altitude(radius, eccentricity))
    # false for NaN: what was refused above is not refused again
    if perigee < MINIMUM_ALTITUDE_KM:
        allowed = 1.0 - (EQUATORIAL_RADIUS.value + MINIMUM_ALTITUDE_KM) / radius
        faults.add(
            f"eccentricity: {eccentricity:g} found, which takes the perigee to {perigee:.1f} km; allowed at "
            f"{altitude_km:g} km: 0 to {allowed:.5f} (perigee from {MINIMUM_ALTITUDE_KM:g} km)"
        )


def _is_whole(value: Any) -> bool:
    return isinstance(value, int | np.integer) and not isinstance(value, bool)


def _read_epoch(faults: Faults, epoch: Any) -> np.datetime64:
    try:
        if hasattr(epoch, "utc"):  # astropy Time, whatever its scale
            epoch = epoch.utc.datetime64
        elif isinstance(epoch, str):
            epoch = epoch.removesuffix("Z")
        time = np.datetime64(epoch, "ns")
    except (TypeError, ValueError):
        time = np.datetime64("NaT", "ns")
    if np.isnat(time) or time >= HELD_UNTIL:
        faults.add(f"epoch: {epoch!r} found; allowed: a UTC time such as '2026-01-01T12:00:00', before 2200")
    return time


def _best_phasing(design: _Design) -> int:
    distances = pattern_distances(
        total=design.total,
        planes=design.planes,
        span_deg=SPAN_DEG[design.pattern],
        mean_radius_km=design.mean_radius_km,
        inclination_deg=design.inclination_deg,
        eccentricity=design.eccentricity,
    )
    return int(np.flatnonzero(distances >= distances.max() * (1.0 - _EQUALLY_GOOD))[0])


def _objects(design: _Design, phasing: int, body: dict[str, float], epoch: np.datetime64, name: str) -> dict[str, Any]:
    """Return the variables of OBJECTS."""
    plane, slot = np.divmod(np.arange(design.total), design.total // design.planes)
    raan = design.raan_deg + plane * SPAN_DEG[design.pattern] / design.planes
    phase = 360.0 * (slot * design.planes + phasing * plane) / design.total
    same = {
        "semi_major_axis": float(semi_major_axis(design.mean_radius_km, design.inclination_deg)),
        "eccentricity_x": 0.0,
        "eccentricity_y": design.eccentricity,
        "inclination": design.inclination_deg,
        **body,
        "held_from": epoch,
        "held_until": HELD_UNTIL,
        "kind": "fleet",
    }
    return {
        "object": np.arange(1, design.total + 1),
        "epoch": epoch,
        "raan": np.mod(raan, 360.0),
        "mean_argument_of_latitude": np.mod(phase, 360.0),
        "plane": plane,
        "slot": slot,
        "name": [f"{name} {p}/{s}" for p, s in zip(plane, slot, strict=True)],
        **{key: np.full(design.total, value) for key, value in same.items()},
    }
