"""Held planes: what holding them to their reference orbits costs, and the space that they occupy.

Motion of mean elements under `shells.motion.forces` for the cost, periodic orbits of the zonal field to J15 for the
space, both in the frame of the fleet's epoch; costs per Julian year.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells.constants import DAY, YEAR
from shells.errors import Faults, InputError
from shells.fleet.elements import MINIMUM_ALTITUDE_KM, Planes, perigee_altitude, read_planes
from shells.fleet.quantities import array_in_units, read_number
from shells.motion.arrays import drag_drift, integrate
from shells.motion.averaged.kernels import mean_rates
from shells.motion.control import Control, HoldingCost, holding_cost
from shells.motion.forces import Forces
from shells.motion.frozen import HIGHEST_DEGREE, frozen_orbit
from shells.motion.periodic.orbits import LARGEST_ECCENTRICITY, FrozenOrbit
from shells.motion.propagation import element_array, property_array
from shells.schema import FROZEN_SURFACES, STATION_KEEPING, provenance

Floats = NDArray[np.float64]

#: Longest mission [Julian years]: as of a study.
_LONGEST_YEARS = 100.0

#: Largest spacing of the instants at which the forces are looked at [day]. Over five years the means are true to 0.5 %;
#: at 10 days they would be to 3 %, nearly in step with the Moon's fortnight.
_SPACING_DAYS = 5.0

_EVERY_DEGREE = np.arange(-90.0, 91.0)


def station_keeping_cost(
    fleet: xr.Dataset, *, years: Any, forces: Forces | None = None, control: Control | None = None
) -> xr.Dataset:
    """Return the velocity change per year that holding a satellite of each plane takes.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS. Each satellite is taken as held over the whole span; satellites on one orbit count as one.
    years : float or Quantity
        Length of the span from the fleet's epoch [Julian years], up to 100.
    forces : Forces, optional
        What acts; all forces by default.
    control : Control, optional
        Tolerances, and whether the plane is held; those of `Control` by default, with planes that drift.

    Returns
    -------
    Dataset
        STATION_KEEPING: means over the satellites of a plane, by year of the mission and over the span [m s-1 year-1].

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        No span, a span above 100 years, perigees under 160 km: all together.

    See Also
    --------
    shells.motion.control.holding_cost : the equations.

    Notes
    -----
    Forces are looked at in the middle of intervals of at most 5 days along the held orbit: drag on the semi-major
    axis, all forces on the eccentricity vector, Sun and Moon on the plane. Rates are paid for as they come, swings that
    tolerances would let pass among them: an upper bound. Of frozen planes over five years, in m s-1 year-1:

    =====================  ============  =================  =================
    frozen planes          as they come  averaged by month  averaged by year
    =====================  ============  =================  =================
    plane, 1,200 km, 87.9  12.4          7.0 to 8.0         5.2 to 5.6
    plane, 550 km, 53      12.0          8.1                7.3
    e, 1,200 km, 87.9      0.8           0.8                0.1
    e, 550 km, 53          0.8           0.7                0.2 to 0.4
    =====================  ============  =================  =================

    An orbit that is not frozen pays for the pull of the odd zonals and the turning of its perigee.
    """
    planes = read_planes(fleet, stage="station_keeping_cost")
    forces, control = forces or Forces(), control or Control()
    span_years = _check_cost(fleet, planes, years)

    edges = np.append(np.arange(np.ceil(span_years)), span_years)
    lengths = np.diff(edges)
    counts = np.ceil(lengths * YEAR.value / (_SPACING_DAYS * DAY.value)).astype(np.int64)
    middles = [
        start + length * (np.arange(count) + 0.5) / count
        for start, length, count in zip(edges, lengths, counts, strict=False)
    ]
    orbit = np.column_stack([element_array(fleet)[:, :5], property_array(fleet)])
    distinct, which = np.unique(orbit, axis=0, return_inverse=True)
    share = np.zeros((planes.number.size, len(distinct)))
    np.add.at(share, (planes.index, which.reshape(-1)), 1.0)
    share /= share.sum(axis=1, keepdims=True)

    epoch = np.datetime64(fleet["epoch"].values.item(), "ns")
    cost = _cost_at(distinct, np.concatenate(middles) * YEAR.value, epoch, forces, control)
    starts = np.cumsum(counts) - counts
    values: dict[str, Any] = {"plane": planes.number, "year": np.arange(lengths.size)}
    for name, part in {**cost._asdict(), "total": cost.total}.items():
        by_year = share @ (np.add.reduceat(part, starts, axis=1) / counts)
        values[f"velocity_change_{name}"] = by_year
        values[f"mean_velocity_change_{name}"] = by_year @ lengths / span_years
    facts = provenance(years=span_years, forces=str(forces), control=str(control))
    return STATION_KEEPING.build(values, attributes=facts)


def frozen_surface(
    fleet: xr.Dataset, latitudes_deg: ArrayLike = _EVERY_DEGREE, *, eccentricity_departure: Any = 0.0
) -> xr.Dataset:
    """Return the surface that the frozen orbit of each plane fills, and the gap to the next plane above.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS. Mean radius and inclination of the planes count; their eccentricity vectors do not.
    latitudes_deg : array_like or Quantity, shape (latitudes,)
        Geocentric latitudes [deg], -90 to 90; every degree by default.
    eccentricity_departure : float or Quantity
        How far the mean eccentricity vectors may be off the frozen ones [1], up to 0.05.

    Returns
    -------
    Dataset
        FROZEN_SURFACES: ascending and descending passes share one surface. The next plane above is that of the next
        larger mean radius, of equal ones that of the next larger number.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        Latitudes or a departure out of range, planes without a frozen orbit of eccentricity up to 0.05 (next to the
        critical inclinations) or within 1 deg of the equator: all together.

    See Also
    --------
    shells.motion.frozen.frozen_orbit : how a surface is found, and where there is none.

    Notes
    -----
    The gap is the difference of two periodic orbits of the zonal field to J15, near the critical inclinations too, and
    leaves the departures out. They add the mean radius times the departure on either side: C. Bombardelli, G. Falco,
    D. Amato & A. Rosengren 2021, arXiv:2012.09240, 2 a e_p in all.
    """
    planes = read_planes(fleet, stage="frozen_surface")
    faults = Faults("frozen_surface: arguments cannot be used")
    latitude = _read_latitudes(faults, latitudes_deg)
    departure = read_number(
        faults, "eccentricity_departure", eccentricity_departure, "", low=0.0, high=LARGEST_ECCENTRICITY
    )
    orbits = _frozen_orbits(faults, planes)
    faults.raise_if_any()

    radius = np.array([orbit.surface(latitude) for orbit in orbits])
    swing = planes.mean_radius_km[:, None] * departure
    upwards = np.argsort(planes.mean_radius_km, kind="stable")
    above = np.full(upwards.size, -1)
    above[upwards[:-1]] = planes.number[upwards[1:]]
    gap = np.full(radius.shape, np.nan)
    gap[upwards[:-1]] = np.diff(radius[upwards], axis=0)
    return FROZEN_SURFACES.build(
        {
            "plane": planes.number,
            "latitude": latitude,
            "frozen_radius": radius,
            "lowest_radius": radius - swing,
            "highest_radius": radius + swing,
            "plane_above": above,
            "gap_above": gap,
        },
        attributes=provenance(zonals_to_degree=HIGHEST_DEGREE, eccentricity_departure=departure),
    )


def _read_latitudes(faults: Faults, latitudes_deg: ArrayLike) -> Floats:
    """Return the latitudes [deg]; record a fault if they are none."""
    try:
        latitude = array_in_units(latitudes_deg, "deg")
    except InputError as error:
        faults.add(f"latitudes_deg: {error}")
        return np.empty(0)
    faults.require(
        latitude.ndim == 1 and bool(np.all(np.abs(latitude) <= 90.0)),
        f"latitudes_deg: shape {latitude.shape}, {np.sum(~(np.abs(latitude) <= 90.0))} of {latitude.size} outside "
        "-90 to 90 deg or missing; allowed: shape (latitudes,), -90 to 90 deg",
    )
    return latitude


def _frozen_orbits(faults: Faults, planes: Planes) -> list[FrozenOrbit]:
    """Return the frozen orbit of each plane; record a fault for each orbit that does not exist, with all its planes."""
    distinct, which = np.unique(
        np.column_stack([planes.mean_radius_km, planes.inclination_deg]), axis=0, return_inverse=True
    )
    found = {}
    for row, (radius, inclination) in enumerate(distinct):
        try:
            found[row] = frozen_orbit(float(radius), float(inclination))
        except InputError as error:
            faults.add(f"planes {planes.number[which == row].tolist()}: {error}")
    return [found[row] for row in which if row in found]


def _check_cost(fleet: xr.Dataset, planes: Planes, years: Any) -> float:
    """Return the span [Julian years]."""
    faults = Faults("station_keeping_cost: arguments cannot be used")
    span_years = read_number(faults, "years", years, "yr")
    faults.require(
        not (span_years <= 0.0 or span_years > _LONGEST_YEARS),
        f"years: {span_years:g} yr found; allowed: more than 0, up to {_LONGEST_YEARS:g} yr",
    )
    eccentricity = np.hypot(fleet["eccentricity_x"].values, fleet["eccentricity_y"].values)
    altitude = perigee_altitude(planes.mean_radius_km[planes.index], eccentricity)
    low = altitude < MINIMUM_ALTITUDE_KM
    faults.require(
        not low.any(),
        f"altitude: perigees of planes {np.unique(planes.number[planes.index[low]]).tolist()} under "
        f"{MINIMUM_ALTITUDE_KM:g} km, the lowest at {altitude.min():.3f} km; raise the fleet",
    )
    faults.raise_if_any()
    return span_years


def _cost_at(orbits: Floats, times_s: Floats, epoch: np.datetime64, forces: Forces, control: Control) -> HoldingCost:
    """Return the cost (n, m) at times (m,) after the epoch of orbits (n, 7): five elements and the two properties."""
    count = len(orbits)
    start, properties = np.column_stack([orbits[:, :5], np.zeros(count)]), orbits[:, 5:]
    values, _, _ = integrate(
        start,
        properties,
        np.concatenate([[0.0], times_s]),
        epoch=epoch,
        forces=forces,
        held_from_s=np.zeros(count),
        held_until_s=np.full(count, np.inf),
        plane_held=control.plane_held,
    )
    along = np.ascontiguousarray(values[:, 1:]).reshape(-1, 6)

    def rates(acting: Forces) -> Floats:
        found = np.empty_like(along)
        mean_rates(
            along,
            np.repeat(properties, times_s.size, axis=0),
            np.tile(times_s, count),
            acting.model(epoch, float(times_s[-1])),
            found,
        )
        return found.reshape(count, times_s.size, 6)

    # the zonals turn the node of every plane: that is no departure
    turning = rates(replace(forces, zonal_degree=0, drag=False, radiation=False))
    sine = np.sin(along[:, 3]).reshape(count, -1)
    return holding_cost(
        orbits[:, 0],
        drag_drift(start, properties, times_s, epoch=epoch, forces=forces),
        control,
        eccentricity_rate=rates(forces)[..., 1:3],
        plane_rate=np.stack([turning[..., 3], sine * turning[..., 4]], axis=-1),
    )
