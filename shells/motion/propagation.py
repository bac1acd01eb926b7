"""From objects to orbits: mean elements at nodes in time, and osculating states from them.

Frame: true equator and equinox of the study epoch, treated as inertial. Time: UTC, in which a day has 86,400 s (a leap
second would shift phases by one second, and none has been announced). Field: EGM96, zonals to degree 15.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import dask
import dask.array as da
import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells import constants
from shells.errors import Faults
from shells.motion import arrays, kernels
from shells.motion.averages import HIGHEST_DEGREE
from shells.motion.bodies import greenwich_angle
from shells.motion.control import Control, departures
from shells.motion.forces import Forces
from shells.motion.ripple.correction import tesseral_correction
from shells.motion.solar import FIRST_DRAWN, LAST_DRAWN
from shells.schema import OBJECTS, ORBITS, STATES, provenance

ELEMENTS = (
    "semi_major_axis",
    "eccentricity_x",
    "eccentricity_y",
    "inclination",
    "raan",
    "mean_argument_of_latitude",
)
_TO_INTERNAL = np.array([1.0, 1.0, 1.0, np.pi / 180.0, np.pi / 180.0, np.pi / 180.0])
_DEPARTING = [0, 1, 2, 5]
_CARRIED = ("name", "kind", "plane", "slot", "held_from", "held_until", "hard_body_radius")

#: Spacing of the nodes, and the largest allowed: cubic Hermite polynomials over a day are true to 0.01 m in the median
#: of the demo debris, 5 m in all but a hundredth, 60 m at worst (light and low); over three days to 1 km at worst.
NODE_DAYS = 1.0

#: The drift by drag is taken so often [s] for station-keeping; it follows the solar flux.
DRIFT_SPACING = 5.0 * constants.DAY.value

#: Largest mean eccentricity of orbits whose tesseral terms are known.
TESSERAL_ECCENTRICITY = 0.02

#: Objects are moved in chunks whose mean elements and rates fill about so many bytes.
CHUNK_BYTES = 16_000_000

#: Nodes count as evenly spaced to so many nanoseconds: seconds over a century are held to a few of them.
ROUNDING_NS = 1000


def element_array(dataset: xr.Dataset) -> NDArray[np.float64]:
    """Return mean elements as the kernels take them.

    Parameters
    ----------
    dataset : Objects or Orbits

    Returns
    -------
    ndarray, shape (object, 6) or (object, time, 6)
        ``[a, ex, ey, i, raan, u]`` in km and radians.
    """
    elements: NDArray[np.float64] = _columns(dataset, ELEMENTS) * _TO_INTERNAL
    return elements


def property_array(objects: xr.Dataset) -> NDArray[np.float64]:
    """Return what the forces need to know of objects.

    Parameters
    ----------
    objects : Objects

    Returns
    -------
    ndarray, shape (object, 2)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1]; sunlight meets
        `radiation_area` over `mass` where both are known, else `area_to_mass`.
    """
    area_to_mass = objects["area_to_mass"].values
    facing_sun = objects["radiation_area"].values / objects["mass"].values
    facing_sun = np.where(np.isfinite(facing_sun), facing_sun, area_to_mass)
    return np.column_stack(
        [
            objects["drag_coefficient"].values * area_to_mass,
            objects["reflectivity_coefficient"].values * facing_sun,
        ]
    )


def rate_array(orbits: xr.Dataset) -> NDArray[np.float64]:
    """Return the rates of mean elements as the kernels take them.

    Parameters
    ----------
    orbits : Orbits

    Returns
    -------
    ndarray, shape (object, time, 6)
        Rates of ``[a, ex, ey, i, raan, u]`` in km and radians per second.
    """
    per_day = _columns(orbits, [f"{name}_rate" for name in ELEMENTS])
    rates: NDArray[np.float64] = per_day * _TO_INTERNAL / constants.DAY.value
    return rates


def _columns(dataset: xr.Dataset, names: Sequence[str]) -> NDArray[np.float64]:
    """Return variables side by side, in one order of memory: kernels are compiled for each order that they meet."""
    return np.ascontiguousarray(np.stack([dataset[name].values for name in names], axis=-1))


def seconds_since(times: ArrayLike, start: np.datetime64) -> NDArray[np.float64]:
    """Return times as seconds after start; NaN for NaT.

    Parameters
    ----------
    times : array_like of datetime64
        UTC.
    start : datetime64
        UTC.

    Returns
    -------
    ndarray
        Seconds, same shape.
    """
    delta = np.asarray(times, dtype="datetime64[ns]") - start.astype("datetime64[ns]")
    seconds = delta.astype(np.int64) * 1e-9
    return np.where(np.isnat(delta), np.nan, seconds)


def after(start: np.datetime64, seconds: ArrayLike) -> NDArray[np.datetime64]:
    """Return times a number of seconds after start, to the nanosecond; NaT for NaN.

    Parameters
    ----------
    start : datetime64
        UTC.
    seconds : array_like
        Seconds.

    Returns
    -------
    ndarray of datetime64[ns]
        UTC, same shape.
    """
    values = np.asarray(seconds, dtype=np.float64)
    known = np.isfinite(values)
    whole = np.floor(np.where(known, values, 0.0))
    nanoseconds = whole.astype(np.int64) * 1_000_000_000
    nanoseconds += np.rint((np.where(known, values, 0.0) - whole) * 1e9).astype(np.int64)
    times = start.astype("datetime64[ns]") + nanoseconds.astype("timedelta64[ns]")
    return np.where(known, times, np.datetime64("NaT", "ns"))


def propagate(
    objects: xr.Dataset,
    *,
    years: float,
    start: np.datetime64 | str | None = None,
    forces: Forces | None = None,
    control: Control | None = None,
    node_days: float = NODE_DAYS,
) -> xr.Dataset:
    """Move objects for years.

    Parameters
    ----------
    objects : Objects (object)
        Mean elements at `epoch`. Between `held_from` and `held_until` a satellite is held where it is at `held_from`:
        its mean a and eccentricity vector stay, its node and phase move with its plane.
    years : float
        Length of the span [Julian year].
    start : datetime64 or str, optional
        First node, UTC; the epoch of the objects by default, and not before it.
    forces : Forces, optional
        What acts; all forces by default.
    control : Control, optional
        How held satellites depart from the reference orbit of their plane; by default not at all. The searches for
        close approaches then take each satellite for itself instead of whole planes.
    node_days : float
        Largest spacing of the nodes [day], at most one.

    Returns
    -------
    Orbits (object, time)
        Mean elements and rates at evenly spaced nodes from the start to the end of the span; lazy, in chunks along
        `object`, which do not change a result. Variables taken one by one are integrated anew each time: take what is
        needed together, or `compute` what memory holds. An object that is not `alive` and has no `reentry` got where
        the averages hold no longer: into the Moon's reach, or to e near 1.

    Raises
    ------
    SchemaError
        The objects do not meet their schema.
    InputError
        A span, start or state that cannot be propagated; all faults together, objects named.
    """
    OBJECTS.check(objects, stage="propagate", values=False)
    forces = forces or Forces()
    epoch = np.datetime64(objects["epoch"].values.item(), "ns")
    first = epoch if start is None else np.datetime64(str(start), "ns")
    _check_propagation(objects, years, node_days, float(seconds_since(first, epoch)), forces)
    OBJECTS.check(objects, stage="propagate")

    lead = float(seconds_since(first, epoch))
    span = years * constants.YEAR.value
    count = int(np.ceil(span / (node_days * constants.DAY.value) - 1e-9)) + 1
    nodes = np.linspace(0.0, span, count)
    mover = _Mover(epoch, nodes + lead, forces, control)
    identifiers, elements, properties = objects["object"].values, element_array(objects), property_array(objects)
    held_from = seconds_since(objects["held_from"].values, epoch)
    held_until = seconds_since(objects["held_until"].values, epoch)
    size = max(1, int(CHUNK_BYTES / (count * 12 * 8)))
    parts: list[list[da.Array]] = [[], [], []]
    for begin in range(0, len(identifiers), size):
        chunk = slice(begin, begin + size)
        arguments = (identifiers[chunk], elements[chunk], properties[chunk], held_from[chunk], held_until[chunk])
        shape = (len(identifiers[chunk]), count, 6)
        for part, found in zip(parts, dask.delayed(mover, nout=3, pure=False)(*arguments), strict=True):
            lazy = {"shape": shape, "dtype": np.float64, "meta": np.empty((0, 0, 0))}
            if part is parts[2]:
                lazy = {"shape": shape[:1], "dtype": "datetime64[ns]", "meta": np.empty(0, "datetime64[ns]")}
            part.append(da.from_delayed(found, **lazy))
    if not len(identifiers):
        parts = [[da.empty((0, count, 6))], [da.empty((0, count, 6))], [da.empty(0, dtype="datetime64[ns]")]]
    values, rates, reentry = (da.concatenate(part) for part in parts)
    return _orbits(objects, first, nodes, values, rates, reentry, forces, control)


@dataclass(frozen=True)
class _Mover:
    """Moves a chunk of objects to nodes in time, with what all chunks share.

    Parameters
    ----------
    epoch : datetime64
        UTC.
    times : ndarray, shape (m,)
        Nodes [s] after the epoch.
    forces : Forces
    control : Control or None
    """

    epoch: np.datetime64
    times: NDArray[np.float64]
    forces: Forces
    control: Control | None

    def __call__(
        self,
        identifiers: NDArray[np.int64],
        elements: NDArray[np.float64],
        properties: NDArray[np.float64],
        held_from: NDArray[np.float64],
        held_until: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.datetime64]]:
        """Return mean elements and rates (n, m, 6) [km, rad, s] at the nodes, and dates of re-entry (n,)."""
        times = self.times if self.times[0] == 0.0 else np.concatenate([[0.0], self.times])
        kept = np.flatnonzero(np.isfinite(held_from)) if self.control is not None else np.empty(0, np.int64)
        departing, releases = self._departures(identifiers, elements, properties, held_until, kept)
        values, rates, ends = arrays.integrate(
            elements,
            properties,
            times,
            epoch=self.epoch,
            forces=self.forces,
            held_from_s=held_from,
            held_until_s=held_until,
            releases=releases,
            plane_held=self.control is not None and self.control.plane_held,
        )
        asked = slice(-self.times.size, None)
        values, rates = values[:, asked], rates[:, asked]
        for row, departure in zip(kept, departing, strict=True):
            held = (held_from[row] <= self.times) & (self.times < held_until[row])
            values[row][:, _DEPARTING] += np.where(held[:, None], departure[0], 0.0)
            rates[row][:, _DEPARTING] += np.where(held[:, None], departure[1], 0.0)
        return values, rates, after(self.epoch, ends)

    def _departures(
        self,
        identifiers: NDArray[np.int64],
        elements: NDArray[np.float64],
        properties: NDArray[np.float64],
        held_until: NDArray[np.float64],
        kept: NDArray[np.int64],
    ) -> tuple[list[NDArray[np.float64]], NDArray[np.float64]]:
        """Return departures and rates (2, m, 4) at the nodes of the satellites kept, and what all (n, 4) leave with."""
        releases = np.zeros((len(identifiers), 4))
        if self.control is None or not kept.size:
            return [], releases
        grid = np.arange(0.0, self.times[-1] + DRIFT_SPACING, DRIFT_SPACING)
        drift = arrays.drag_drift(elements[kept], properties[kept], grid, epoch=self.epoch, forces=self.forces)
        departing = []
        for row, own in zip(kept, drift, strict=True):
            leaving = held_until[row] <= self.times[-1]
            instants = np.unique(np.concatenate([grid, self.times, held_until[row : row + 1] if leaving else []]))
            values, rates = departures(
                identifiers[row : row + 1],
                instants,
                elements[row : row + 1, 0],
                np.interp(instants, grid, own)[None],
                self.control,
            )
            at_nodes = np.searchsorted(instants, self.times)
            departing.append(np.stack([values[0, at_nodes], rates[0, at_nodes]]))
            if leaving:
                releases[row] = values[0, np.searchsorted(instants, held_until[row])]
        return departing, releases


def _check_propagation(objects: xr.Dataset, years: float, node_days: float, lead_s: float, forces: Forces) -> None:
    faults = Faults("propagate")
    faults.require(years > 0.0, f"years {years}; expected a span longer than zero")
    last = -float(seconds_since(objects["epoch"].values, np.datetime64("2262-01-01", "ns")))
    faults.require(
        lead_s + years * constants.YEAR.value <= last,
        f"years {years:g} from {lead_s:g} s after the epoch; expected a span that ends before 2262, as far as times go",
    )
    if forces.solar_activity == "drawn":
        begun = float(objects["epoch"].values.astype("datetime64[Y]").astype(np.int64)) + 1970.0
        ended = begun + max(0.0, lead_s / constants.YEAR.value + years) + 1.0
        faults.require(
            begun >= FIRST_DRAWN and ended <= LAST_DRAWN,
            f"drawn solar activity from {begun:.0f} to {ended:.0f}; expected years from {FIRST_DRAWN} to {LAST_DRAWN}",
        )
    faults.require(
        0.0 < node_days <= NODE_DAYS, f"node_days {node_days}; expected more than zero and at most {NODE_DAYS:g}"
    )
    half = np.flatnonzero(np.isnat(objects["held_from"].values) != np.isnat(objects["held_until"].values))
    faults.require(
        half.size == 0,
        f"held_from without held_until or the other way round, objects {objects['object'].values[half[:10]].tolist()} "
        f"({half.size} in all); expected both times or neither",
    )
    faults.require(lead_s >= 0.0, f"start is {-lead_s} s before the epoch of the objects; expected the epoch or later")
    elements, properties = element_array(objects), property_array(objects)
    eccentricity = np.hypot(elements[:, 1], elements[:, 2])
    perigee = elements[:, 0] * (1.0 - eccentricity) - constants.EQUATORIAL_RADIUS.value
    missing = (~np.isfinite(elements)).sum(axis=1)
    known = missing == 0
    limits = (
        ("missing values in the elements", missing, known, "none"),
        ("eccentricity", eccentricity, ~known | (eccentricity <= 0.95), "at most 0.95, an ellipse"),
        ("perigee height [km]", perigee, ~known | (eccentricity > 0.95) | (perigee > 0.0), "above the ground"),
        ("drag coefficient x area-to-mass [m2 kg-1]", properties[:, 0], properties[:, 0] >= 0.0, "zero or more"),
        ("reflectivity x area-to-mass [m2 kg-1]", properties[:, 1], properties[:, 1] >= 0.0, "zero or more"),
    )
    for limit in limits:
        require_each(faults, objects["object"].values, *limit)
    faults.raise_if_any()


def _orbits(
    objects: xr.Dataset,
    start: np.datetime64,
    nodes: NDArray[np.float64],
    values: da.Array,
    rates: da.Array,
    reentry: da.Array,
    forces: Forces,
    control: Control | None,
) -> xr.Dataset:
    scale, pace = 1.0 / _TO_INTERNAL, constants.DAY.value / _TO_INTERNAL
    facts = {"forces": str(forces), "zonal_degree": forces.zonal_degree}
    if control is not None:
        facts["control"] = str(control)
    return ORBITS.build(
        {
            "object": objects["object"].values,
            "time": after(start, nodes),
            **{name: objects[name].values for name in _CARRIED},
            **{name: values[..., c] * scale[c] for c, name in enumerate(ELEMENTS)},
            **{f"{name}_rate": rates[..., c] * pace[c] for c, name in enumerate(ELEMENTS)},
            "alive": da.isfinite(values[..., 0]),
            "reentry": reentry,
        },
        attributes=provenance(**facts),
    )


def node_clock(orbits: xr.Dataset) -> tuple[np.datetime64, float, int]:
    """Return the first node, the spacing of the nodes [s] and their number; refuse nodes that are not evenly spaced.

    Parameters
    ----------
    orbits : Orbits

    Returns
    -------
    start : datetime64[ns]
    spacing_s : float
    count : int

    Raises
    ------
    InputError
        Fewer than two nodes, or uneven ones.
    """
    times = orbits["time"].values.astype("datetime64[ns]")
    faults = Faults("orbits")
    faults.require(times.size >= 2, f"{times.size} nodes in time; expected at least two")
    faults.raise_if_any()
    spacing = np.diff(times).astype(np.int64)
    faults.require(
        bool(np.all(np.abs(spacing - spacing[0]) <= ROUNDING_NS)),
        "nodes in time are unevenly spaced; use those of `propagate`",
    )
    faults.raise_if_any()
    return times[0], float(times[-1] - times[0]) * 1e-9 / (times.size - 1), times.size


def positions(orbits: xr.Dataset, times: ArrayLike, *, tesserals: bool = False) -> xr.Dataset:
    """Return osculating positions and velocities: the one trajectory that search, refinement and checks share.

    Mean elements between nodes are cubic Hermite polynomials; the short-period terms of the zonals are added: of J2 to
    first order for all eccentricities, for near-circular orbits also of J2 squared, J3 and J4.

    Parameters
    ----------
    orbits : Orbits (object, time)
        From `propagate`.
    times : array_like of datetime64
        UTC, within the nodes.
    tesserals : bool
        Whether to add what the tesserals to degree 8 do to near-circular orbits, 0.1 km or so; the search for close
        approaches works without.

    Returns
    -------
    States (object, instant, axis)
        [km], [km s-1]; NaN after re-entry.

    Raises
    ------
    SchemaError
        The orbits do not meet their schema.
    InputError
        Times outside the nodes; with tesserals, orbits with e above 0.02 or near a resonance of low order.
    """
    ORBITS.check(orbits, stage="positions")
    start, spacing, count = node_clock(orbits)
    instants = np.atleast_1d(np.asarray(times, dtype="datetime64[ns]"))
    seconds = seconds_since(instants, start)
    faults = Faults("positions")
    outside = ~((seconds >= 0.0) & (seconds <= spacing * (count - 1)))
    if outside.any():
        faults.add(
            f"{outside.sum()} of {outside.size} times outside the orbits, first {instants[outside][0]}; "
            f"expected {start} to {orbits['time'].values[-1]}"
        )
    faults.raise_if_any()
    field = field_of(orbits)
    parts = [np.empty((0, instants.size, 6))]
    for chunk in _chunks(orbits):
        part = chunk.compute(scheduler="threads")
        values, rates = element_array(part), rate_array(part)
        out = np.empty((len(values), instants.size, 6))
        kernels.states(values, rates, 0.0, spacing, seconds, *field, out)
        if tesserals:
            _require_near_circular(part["object"].values, values)
            for row, found in enumerate(out):
                found += tesseral_correction(values[row], rates[row], 0.0, spacing, seconds, greenwich_angle(start))
        parts.append(out)
    out = np.concatenate(parts)
    return STATES.build(
        {
            "object": orbits["object"].values,
            "instant": instants,
            "axis": ["x", "y", "z"],
            "position": out[..., :3],
            "velocity": out[..., 3:],
        }
    )


def _require_near_circular(names: NDArray[np.int64], values: NDArray[np.float64]) -> None:
    largest = np.fmax.reduce(np.hypot(values[..., 1], values[..., 2]), axis=1, initial=0.0)
    bad = np.flatnonzero(largest > TESSERAL_ECCENTRICITY)
    faults = Faults("positions")
    faults.require(
        bad.size == 0,
        f"tesserals: eccentricity up to {largest.max(initial=0.0):.3f}, objects {names[bad[:10]].tolist()} "
        f"({bad.size} in all); the theory is for near-circular orbits, expected at most {TESSERAL_ECCENTRICITY}",
    )
    faults.raise_if_any()


def _chunks(orbits: xr.Dataset) -> Iterator[xr.Dataset]:
    """Yield the orbits in their chunks along `object`, so that one is in memory at a time."""
    begin = 0
    for size in orbits.chunksizes.get("object", (orbits.sizes["object"],)):
        yield orbits.isel(object=slice(begin, begin + size))
        begin += size


def require_each(
    faults: Faults,
    names: NDArray[np.int64],
    what: str,
    found: NDArray[np.float64] | NDArray[np.int64],
    good: NDArray[np.bool_],
    expected: str,
) -> None:
    """Record a fault that names the objects, and what was found of each, where not all are good.

    Parameters
    ----------
    faults : Faults
        Where it is recorded.
    names : ndarray, shape (object,)
        Identifiers.
    what, expected : str
        The quantity with its unit, and what it should be.
    found : ndarray, shape (object,)
        Its values.
    good : ndarray of bool, shape (object,)
        Which of them are.
    """
    bad = np.flatnonzero(~good)
    if bad.size:
        listed = ", ".join(f"{names[j]}: {found[j]:.6g}" for j in bad[:10])
        more = f" and {bad.size - 10} more" if bad.size > 10 else ""
        faults.add(f"{what} of objects {listed}{more}; expected {expected}")


def field_of(*orbits: xr.Dataset) -> arrays.Field:
    """Return the field that orbits were moved in, which their short-period terms belong to.

    Parameters
    ----------
    *orbits : Orbits

    Returns
    -------
    tuple
        Gravitational parameter [km3 s-2], reference radius [km] and J_n [1].

    Raises
    ------
    InputError
        Orbits of different zonal degrees.
    """
    facts = (json.loads(side.attrs.get("provenance", "{}")) for side in orbits)
    degrees = sorted({int(fact.get("zonal_degree", HIGHEST_DEGREE)) for fact in facts})
    faults = Faults("orbits")
    faults.require(
        len(degrees) == 1, f"zonals to degree {' and '.join(map(str, degrees))}; propagate all with the same forces"
    )
    faults.raise_if_any()
    return arrays.field(degrees[0])
