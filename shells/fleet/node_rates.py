"""Equal node rates: small trims of the inclination that keep stacked planes turning together.

Planes at different heights turn at different rates under the oblateness. Sun and Moon see each plane from its own side,
move the inclinations apart and the node rates with them. So a stacked pattern shears; an inclination trimmed by
hundredths of a degree undoes that over the mission as a whole. Within it the nodes still part and meet again, because
Sun and Moon bend the course of each node differently. Motion of mean elements under `shells.motion.forces`, in the
frame of the fleet's epoch.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.constants import DAY, GRAVITATIONAL_PARAMETER, REFERENCE_RADIUS, YEAR, zonal_coefficients
from shells.errors import Faults
from shells.fleet.elements import Planes, note, read_planes, reshape
from shells.fleet.quantities import read_number
from shells.motion.arrays import integrate
from shells.motion.forces import Forces
from shells.motion.propagation import element_array
from shells.motion.secular import j2_rates
from shells.motion.shape import semi_major_axis

#: Longest mission [Julian years]: as of a study.
_LONGEST_YEARS = 100.0

#: Spacing of the times at which the spread is taken [day]: the Moon's fortnight parts the nodes by less than 1e-3 deg.
_NODE_DAYS = 5.0

#: The semi-major axis belonging to a mean radius depends on the inclination so weakly (J2) that each turn of the fixed
#: point gains three digits; a few more than double precision needs.
_TURNS = 8

#: A plane is matched when its node ends so near the target [deg]: 0.1 m, and well above the error of integration.
_WITHIN_DEG = 1e-6

#: Two turns of the secant do; sun-synchronous planes, where the Sun's pull depends on the trim itself, take a dozen.
_SECANT_TURNS = 30

#: A secant flatter or steeper than the slope of J2 by more than this is no guide to the next trim.
_SLOPES = (0.25, 4.0)


def match_node_rates(fleet: xr.Dataset, *, years: Any = 1.0, forces: Forces | None = None) -> xr.Dataset:
    """Trim the inclination of each plane so that over the mission all nodes turn by the fleet's mean.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS. The first satellite of a plane stands for it.
    years : float or Quantity
        Length of the mission from the fleet's epoch [Julian years], up to 100.
    forces : Forces, optional
        What acts; all forces by default. Held satellites feel zonals, Sun and Moon; without the last two the trims
        are the same from any epoch and node.

    Returns
    -------
    Dataset
        OBJECTS: mean radius kept, inclination trimmed, semi-major axis of both; what was frozen stays frozen. The
        provenance gains "match_node_rates":

        - `trim_deg`, by plane in order of its number, and `largest_trim_deg`;
        - `spread_before_deg`, `spread_j2_trim_deg`, `spread_left_deg`: largest less smallest change of the node over
          the mission, of the planes as they were, with the trims of J2 alone, and as returned;
        - `largest_spread_before_deg` and so on: the largest such spread at any time within the mission.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        No mission, or no oblateness; no inclination gives a plane that node rate; a trim into the neighbourhood of a
        critical inclination for a frozen fleet.

    Notes
    -----
    The planes are held at their mean radius and eccentricity vector, and otherwise drift. The target is the mean over
    satellites of the untrimmed changes. J2 alone gives cos i = -target / k(a(r_m, i), e) with k = (3/2) J2 (R / p)^2 n;
    from there each plane's own cos i is found by the secant method.
    """
    planes = read_planes(fleet, stage="match_node_rates")
    forces = forces or Forces()
    faults = Faults("match_node_rates: arguments cannot be used")
    span_years = read_number(faults, "years", years, "yr")
    faults.require(
        not (span_years <= 0.0 or span_years > _LONGEST_YEARS),
        f"years: {span_years:g} yr found; allowed: more than 0, up to {_LONGEST_YEARS:g} yr",
    )
    faults.require(
        forces.zonal_degree >= 2,
        f"forces: zonal_degree {forces.zonal_degree} found; allowed: 2 or more; without the oblateness no inclination "
        "moves the nodes",
    )
    faults.raise_if_any()
    leaders = fleet.isel(object=np.unique(planes.index, return_index=True)[1])
    trimmed, courses = _match(leaders, planes, span_years, forces)
    matched = reshape(fleet, planes.mean_radius_km[planes.index], trimmed[planes.index], stage="match_node_rates")
    trim = trimmed - planes.inclination_deg
    spreads = {name: np.ptp(course, axis=0) for name, course in courses.items()}
    report = {
        "years": span_years,
        "forces": str(forces),
        "trim_deg": trim.tolist(),
        "largest_trim_deg": float(np.abs(trim).max()),
        **{f"spread_{name}_deg": float(spread[-1]) for name, spread in spreads.items()},
        **{f"largest_spread_{name}_deg": float(spread.max()) for name, spread in spreads.items()},
    }
    return note(matched, match_node_rates=report)


def can_match(mean_radius_km: NDArray[np.float64], inclination_deg: float) -> bool:
    """Return whether planes can be trimmed to one node rate under the oblateness alone, which `match_node_rates` needs.

    Parameters
    ----------
    mean_radius_km : ndarray, shape (planes,)
        Of circular planes of as many satellites each [km].
    inclination_deg : float
        That of all of them before the trims [deg].

    Returns
    -------
    bool
        False where some plane would have to turn faster than one over the equator does.
    """
    inclination, circular = np.full(mean_radius_km.shape, inclination_deg), np.zeros(mean_radius_km.shape)
    rate = -_j2_strength(mean_radius_km, inclination, circular) * np.cos(np.radians(inclination))
    return bool(np.isfinite(_inclination_by_j2(float(rate.mean()), mean_radius_km, inclination, circular)).all())


def _match(
    leaders: xr.Dataset, planes: Planes, years: float, forces: Forces
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Return the inclination [deg] of each plane at which its node keeps to the mean, and the courses of the nodes.

    The courses (planes, times) [deg] are named "before", "j2_trim" and "left".
    """
    inclination = planes.inclination_deg
    eccentricity = np.hypot(leaders["eccentricity_x"].values, leaders["eccentricity_y"].values)
    strength = _j2_strength(planes.mean_radius_km, inclination, eccentricity)
    mean_rate = float((-strength * np.cos(np.radians(inclination)))[planes.index].mean())
    trimmed = _inclination_by_j2(mean_rate, planes.mean_radius_km, inclination, eccentricity)
    _require_reached(np.isfinite(trimmed), planes, mean_rate)
    before, by_j2 = _courses(leaders, planes, [inclination, trimmed], years, forces)

    days = years * YEAR.value / DAY.value
    target = before[planes.index, -1].mean()
    slope_of_j2 = -strength * days
    last_cosine, last_change = np.cos(np.radians(inclination)), before[:, -1]
    course = by_j2
    for _ in range(_SECANT_TURNS):
        change = course[:, -1]
        if (np.abs(change - target) <= _WITHIN_DEG).all():
            break
        cosine = np.cos(np.radians(trimmed))
        step = (cosine - last_cosine) * slope_of_j2
        steepness = np.divide(change - last_change, step, out=np.ones_like(step), where=step != 0.0)
        last_cosine, last_change = cosine, change
        cosine = cosine - (change - target) / (slope_of_j2 * np.clip(steepness, *_SLOPES))
        _require_reached(np.abs(cosine) <= 1.0, planes, target / days)
        trimmed = np.degrees(np.arccos(cosine))
        course = _courses(leaders, planes, [trimmed], years, forces)[0]
    _require_reached(np.abs(course[:, -1] - target) <= _WITHIN_DEG, planes, target / days)
    return trimmed, {"before": before, "j2_trim": by_j2, "left": course}


def _require_reached(reached: NDArray[np.bool_], planes: Planes, mean_rate: float) -> None:
    faults = Faults("match_node_rates: arguments cannot be used")
    faults.require(
        bool(reached.all()),
        f"node rate: no inclination found that gives planes {planes.number[~reached].tolist()} the fleet's mean of "
        f"{mean_rate:.6f} deg/day; allowed: mean radii whose rates overlap; narrow the stack, or move the inclination "
        "away from 0 and 180 deg",
    )
    faults.raise_if_any()


def _courses(
    leaders: xr.Dataset, planes: Planes, inclinations: list[NDArray[np.float64]], years: float, forces: Forces
) -> NDArray[np.float64]:
    """Return the change of the node [deg] of each plane in time, for each of some choices of inclinations [deg].

    Shape (choices, planes, times).
    """
    tried = [reshape(leaders, planes.mean_radius_km, choice, stage="match_node_rates") for choice in inclinations]
    elements = np.concatenate([element_array(choice) for choice in tried])
    span = years * YEAR.value
    values, _, _ = integrate(
        elements,
        np.zeros((len(elements), 2)),  # neither air nor sunlight moves what is held
        np.linspace(0.0, span, int(np.ceil(span / (_NODE_DAYS * DAY.value))) + 1),
        epoch=np.datetime64(leaders["epoch"].values.item(), "ns"),
        forces=forces,
        held_from_s=np.zeros(len(elements)),
        held_until_s=np.full(len(elements), np.inf),
    )
    node = values[:, :, 4].reshape(len(inclinations), planes.number.size, -1)
    return np.degrees(node - node[:, :, :1])


def _j2_strength(
    mean_radius_km: NDArray[np.float64], inclination_deg: NDArray[np.float64], eccentricity: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return k [deg/day] of orbits of that mean radius at that inclination."""
    return -j2_rates(
        semi_major_axis(mean_radius_km, inclination_deg),
        eccentricity,
        0.0,  # where the node turns at -k
        mu=GRAVITATIONAL_PARAMETER.value,
        radius=REFERENCE_RADIUS.value,
        j2=float(zonal_coefficients()[2]),
    ).node


def _inclination_by_j2(
    target: float,
    mean_radius_km: NDArray[np.float64],
    inclination_deg: NDArray[np.float64],
    eccentricity: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the inclination at which J2 alone turns the node at the target rate; NaN where there is none."""
    trimmed = inclination_deg
    for _ in range(_TURNS):
        cosine = -target / _j2_strength(mean_radius_km, trimmed, eccentricity)
        trimmed = np.degrees(np.arccos(np.where(np.abs(cosine) <= 1.0, cosine, np.nan)))
    return trimmed
