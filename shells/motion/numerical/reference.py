"""The reference: trajectories by numerical integration to rounding, the truth that all other motion is held against.

Frame: true equator and equinox of the start, treated as inertial. Time: UTC, in which a day has 86,400 s. Field: EGM96,
zonals to 15 and, on request, tesserals to degree and order 8, turning at 7.292115e-5 rad/s from the Greenwich angle at
the start. Sun and Moon are point masses without any expansion. Sunlight presses along the geocentric direction of the
Sun, outside a cylinder of the equatorial radius. The air turns with the Earth; its density is that of the mean motion
at the exact geodetic height (the height along the radius would be up to 3 m more at 500 km).

Accuracy, of the integration alone: 0.1 mm after a day in LEO, 0.5 mm after a day at eccentricity 0.7; the error along
track grows with the square of time. A year of LEO with all forces takes 2 to 4 s.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells import constants
from shells.errors import Faults
from shells.motion.arrays import states_from_mean_elements
from shells.motion.averaged.kernels import Model
from shells.motion.bodies import greenwich_angle
from shells.motion.forces import Forces
from shells.motion.numerical import kernels
from shells.motion.propagation import after, element_array, property_array, require_each, seconds_since
from shells.motion.ripple.tesserals import tesseral_coefficients
from shells.schema import OBJECTS, ORBITS, STATES, provenance

Floats = NDArray[np.float64]

#: Height above the ellipsoid [km] at which a trajectory ends.
END_HEIGHT = constants.REENTRY_ALTITUDE.value


def no_tesserals() -> kernels.Tesserals:
    """Return a field that is the same at all longitudes."""
    return _tesserals(np.zeros((1, 1), dtype=np.complex128), 0.0)


def tesserals_from(epoch: np.datetime64) -> kernels.Tesserals:
    """Return the tesserals of EGM96 to degree and order 8, with the Greenwich angle of an epoch.

    Parameters
    ----------
    epoch : datetime64
        UTC, from which times are counted.
    """
    return _tesserals(tesseral_coefficients(), greenwich_angle(epoch))


def _tesserals(coefficients: NDArray[np.complex128], greenwich: float) -> kernels.Tesserals:
    # read-only or not are two types to the compiler, each with its own compilation
    coefficients = coefficients.copy()
    coefficients.setflags(write=False)
    return kernels.Tesserals(coefficients, greenwich)


def integrate_states(
    states: Floats, properties: Floats, times_s: Floats, model: Model, tesserals: kernels.Tesserals
) -> tuple[Floats, Floats]:
    """Integrate osculating states.

    Parameters
    ----------
    states : ndarray, shape (n, 6)
        Position [km] and velocity [km s-1] at ``times_s[0]``.
    properties : ndarray, shape (n, 2)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1].
    times_s : ndarray, shape (m,)
        Ascending [s] after the epoch of the model.
    model : Model
        Of `Forces.model`, for the epoch and at least this span.
    tesserals : Tesserals
        From `tesserals_from` the same epoch, or `no_tesserals`.

    Returns
    -------
    states : ndarray, shape (n, m, 6)
        [km], [km s-1]; NaN after the end.
    ends : ndarray, shape (n,)
        Time [s] at which the height above the ellipsoid falls to 120 km, NaN where it does not.

    Raises
    ------
    InputError
        States that cannot be integrated, or times that do not ascend: all together, states numbered from 0.

    Notes
    -----
    Dormand and Prince, order 8(5,3), with a continuous extension of order 7: E. Hairer, S. P. Norsett, G. Wanner,
    Solving Ordinary Differential Equations I, 2nd ed. 1993. Error allowed per step: 3e-13 of the radius plus 1e-10 km,
    and the same times v / r for the velocity. Steps end at the edges of the shadow.
    """
    ((_, states, ends),) = states_in_blocks(states, properties, times_s, model, tesserals, block=max(1, len(times_s)))
    return states, ends


def states_in_blocks(
    states: Floats,
    properties: Floats,
    times_s: Floats,
    model: Model,
    tesserals: kernels.Tesserals,
    *,
    block: int,
) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Integrate osculating states over many times, a block of times after the other.

    Parameters
    ----------
    states, properties, times_s, model, tesserals
        As for `integrate_states`.
    block : int
        Times in a block; values do not depend on it.

    Yields
    ------
    times_s : ndarray, shape (block,)
        The times of the block [s]; fewer in the last one.
    states : ndarray, shape (n, block, 6)
        [km], [km s-1]; NaN after the end.
    ends : ndarray, shape (n,)
        Time of the end [s], NaN where it has not come by the end of the block.

    Raises
    ------
    InputError
        As for `integrate_states`.
    """
    states = np.ascontiguousarray(states, dtype=np.float64)
    properties = np.ascontiguousarray(properties, dtype=np.float64)
    times_s = np.ascontiguousarray(times_s, dtype=np.float64)
    faults = Faults("reference")
    _require_usable(faults, states, properties, np.arange(len(states)), model)
    rising = times_s.size > 0 and np.isfinite(times_s).all() and bool((np.diff(times_s) > 0.0).all())
    faults.require(bool(rising), "times that do not ascend, or none; expected ascending times, none missing")
    faults.raise_if_any()
    return _blocks(states, properties, times_s, model, tesserals, block)


def _blocks(
    states: Floats, properties: Floats, times_s: Floats, model: Model, tesserals: kernels.Tesserals, block: int
) -> Iterator[tuple[Floats, Floats, Floats]]:
    paths = np.empty((len(states), 10))
    kernels.begin(states, times_s[0], model, paths)
    for first in range(0, times_s.size, block):
        times = times_s[first : first + block]
        out = np.empty((len(states), times.size, 6))
        kernels.follow_all(paths, properties, times, END_HEIGHT, model, tesserals, out)
        yield times, out, paths[:, 3].copy()


def _require_usable(faults: Faults, states: Floats, properties: Floats, names: NDArray[np.int64], model: Model) -> None:
    """Record states and properties that cannot be integrated."""
    r = np.linalg.norm(states[:, :3], axis=1)
    of_escape = np.linalg.norm(states[:, 3:], axis=1) * np.sqrt(r / (2.0 * model.mu))
    height = np.array([kernels.geodetic_height(*row[:3], model.equatorial_radius, model.flattening) for row in states])
    known = np.isfinite(states).all(axis=1)
    limits = (
        ("missing values in the states", (~np.isfinite(states)).sum(axis=1), known, "none"),
        ("speed over that of escape", of_escape, ~known | (of_escape < 1.0), "less than 1, an ellipse"),
        ("height [km]", height, ~known | (height > END_HEIGHT), f"more than {END_HEIGHT:g}"),
        ("drag coefficient x area-to-mass [m2 kg-1]", properties[:, 0], properties[:, 0] >= 0.0, "zero or more"),
        ("reflectivity x area-to-mass [m2 kg-1]", properties[:, 1], properties[:, 1] >= 0.0, "zero or more"),
    )
    for limit in limits:
        require_each(faults, names, *limit)


def reference(
    objects: xr.Dataset, *, times: ArrayLike, forces: Forces | None = None, tesserals: bool = False
) -> xr.Dataset:
    """Move objects by numerical integration of all forces: slow, and true.

    All objects move freely: station-keeping is not applied.

    Parameters
    ----------
    objects : Objects (object) or States (object, instant, axis)
        Mean elements at `epoch`, or osculating states at one instant; states carry no areas, and get the area-to-mass
        ratio and the coefficients of drag and reflectivity that are the defaults of `from_states`.
    times : array_like of datetime64
        UTC, ascending, not before the start.
    forces : Forces, optional
        What acts; all forces by default.
    tesserals : bool
        Whether the field has its tesserals to degree and order 8 of EGM96.

    Returns
    -------
    States (object, instant, axis)
        [km], [km s-1] in the true equator and equinox of the start; NaN after re-entry, at 120 km above the ellipsoid.
        Also `reentry` (object): its time, NaT where the object stays up.

    Raises
    ------
    SchemaError
        The objects meet neither schema.
    InputError
        States that are no ellipse, too low or missing, negative areas, times that do not ascend or lie before the
        start: all together, objects named.
    """
    forces = forces or Forces()
    epoch, states, properties = _start(objects, forces)
    instants = np.atleast_1d(np.asarray(times, dtype="datetime64[ns]"))
    seconds = seconds_since(instants, epoch)
    names = objects["object"].values
    faults = Faults("reference")
    faults.require(
        instants.size > 0 and bool((np.diff(seconds) > 0.0).all()) and bool((seconds >= 0.0).all()),
        f"times that do not ascend from the start, {epoch}; expected ascending times, none missing and none before it",
    )
    model = forces.model(epoch, float(np.max(seconds, initial=0.0, where=seconds > 0.0)))
    _require_usable(faults, states, properties, names, model)
    faults.raise_if_any()
    field = tesserals_from(epoch) if tesserals else no_tesserals()
    out, ends = integrate_states(states, properties, np.unique([0.0, *seconds]), model, field)
    out = out[:, -seconds.size :]
    found = STATES.build(
        {
            "object": names,
            "instant": instants,
            "axis": ["x", "y", "z"],
            "position": out[..., :3],
            "velocity": out[..., 3:],
        },
        attributes=provenance(forces=str(forces), tesserals=tesserals),
    )
    return found.assign(reentry=("object", after(epoch, ends), ORBITS.variables["reentry"].attributes))


def _start(objects: xr.Dataset, forces: Forces) -> tuple[np.datetime64, Floats, Floats]:
    """Return the epoch, osculating states (n, 6) and properties (n, 2) of Objects, or of States at one instant."""
    if "position" not in objects:
        OBJECTS.check(objects, stage="reference")
        epoch = np.datetime64(objects["epoch"].values.item(), "ns")
        states = states_from_mean_elements(element_array(objects), zonal_degree=forces.zonal_degree)
        return epoch, states, property_array(objects)
    STATES.check(objects, stage="reference")
    faults = Faults("reference")
    count = objects.sizes["instant"]
    faults.require(count == 1, f"states at {count} instants; expected one: the start")
    faults.raise_if_any()
    states = np.concatenate([objects["position"].values[:, 0], objects["velocity"].values[:, 0]], axis=1)
    coefficients = [constants.DEFAULT_DRAG_COEFFICIENT.value, constants.DEFAULT_REFLECTIVITY_COEFFICIENT.value]
    properties = np.tile(np.multiply(coefficients, constants.DEFAULT_AREA_TO_MASS.value), (len(states), 1))
    return objects["instant"].values[0], states, properties
