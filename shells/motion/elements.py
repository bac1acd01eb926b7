"""Element sets in other forms: the usual six, and mean elements from states."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from shells import constants
from shells.errors import Faults
from shells.motion.arrays import mean_elements_from_states
from shells.schema import OBJECTS, Schema, Variable

_OBJECT = ("object",)

CLASSICAL = Schema(
    "Classical elements",
    "The usual six, mean.",
    {
        "object": OBJECTS.variables["object"],
        "epoch": OBJECTS.variables["epoch"],
        "semi_major_axis": OBJECTS.variables["semi_major_axis"],
        "eccentricity": Variable(_OBJECT, "float64", "1", "mean eccentricity", (0.0, 1.0)),
        "inclination": OBJECTS.variables["inclination"],
        "raan": OBJECTS.variables["raan"],
        "argument_of_perigee": Variable(
            _OBJECT, "float64", "degree", "mean argument of perigee, 0 for circular orbits", (0.0, 360.0)
        ),
        "mean_anomaly": Variable(_OBJECT, "float64", "degree", "mean anomaly", (0.0, 360.0)),
    },
    coordinates=("object", "epoch"),
)


def classical(objects: xr.Dataset) -> xr.Dataset:
    """Return the usual six mean elements.

    Parameters
    ----------
    objects : Objects (object)

    Returns
    -------
    Classical elements (object)
        [km], [1], [deg].

    Raises
    ------
    SchemaError
        The objects do not meet their schema.
    """
    OBJECTS.check(objects, stage="classical")
    ex, ey = objects["eccentricity_x"].values, objects["eccentricity_y"].values
    perigee = np.degrees(np.arctan2(ey, ex)) % 360.0
    return CLASSICAL.build(
        {
            "object": objects["object"].values,
            "epoch": objects["epoch"].values,
            "semi_major_axis": objects["semi_major_axis"].values,
            "eccentricity": np.hypot(ex, ey),
            "inclination": objects["inclination"].values,
            "raan": objects["raan"].values,
            "argument_of_perigee": perigee,
            "mean_anomaly": (objects["mean_argument_of_latitude"].values - perigee) % 360.0,
        }
    )


def from_states(
    position_km: ArrayLike,
    velocity_km_s: ArrayLike,
    *,
    epoch: np.datetime64 | str,
    kind: str = "unknown",
    area_to_mass_m2_kg: float = constants.DEFAULT_AREA_TO_MASS.value,
    drag_coefficient: float = constants.DEFAULT_DRAG_COEFFICIENT.value,
    hard_body_radius_m: float = 1.0,
) -> xr.Dataset:
    """Return free objects of osculating states: the first-order J2 short-period terms are removed.

    Parameters
    ----------
    position_km, velocity_km_s : array_like, shape (n, 3)
        Osculating states in the true equator and equinox of the study epoch [km], [km s-1].
    epoch : datetime64 or str
        Time of the states, UTC.
    kind : str
        Population they belong to.
    area_to_mass_m2_kg, drag_coefficient, hard_body_radius_m : float
        [m2 kg-1], [1], [m], the same for all.

    Returns
    -------
    Objects (object)
        Numbered from 1.

    Raises
    ------
    InputError
        Wrong shapes, or states that are not on an ellipse above the ground: numbered, all together.
    """
    position = np.atleast_2d(np.asarray(position_km, dtype=np.float64))
    velocity = np.atleast_2d(np.asarray(velocity_km_s, dtype=np.float64))
    faults = Faults("from_states")
    if position.shape != velocity.shape or position.shape[1] != 3:
        faults.add(f"shapes {position.shape} and {velocity.shape}; expected (n, 3) and (n, 3)")
        faults.raise_if_any()
    elements = mean_elements_from_states(position, velocity)
    perigee = elements[:, 0] * (1.0 - np.hypot(elements[:, 1], elements[:, 2]))
    bad = np.flatnonzero(~(perigee > constants.EQUATORIAL_RADIUS.value))
    if bad.size:
        faults.add(f"states {bad.tolist()} are not ellipses above the ground; check units (km, km/s) and frame")
    faults.raise_if_any()
    count = len(elements)
    never = np.full(count, np.datetime64("NaT", "ns"))
    unknown = np.full(count, np.nan)
    angles = np.degrees(elements[:, 3:])
    return OBJECTS.build(
        {
            "object": np.arange(1, count + 1),
            "epoch": np.array(epoch, dtype="datetime64[ns]"),
            "semi_major_axis": elements[:, 0],
            "eccentricity_x": elements[:, 1],
            "eccentricity_y": elements[:, 2],
            "inclination": angles[:, 0],
            "raan": angles[:, 1] % 360.0,
            "mean_argument_of_latitude": angles[:, 2] % 360.0,
            "mass": unknown,
            "drag_area": unknown,
            "radiation_area": unknown,
            "area_to_mass": np.full(count, area_to_mass_m2_kg),
            "drag_coefficient": np.full(count, drag_coefficient),
            "reflectivity_coefficient": np.full(count, constants.DEFAULT_REFLECTIVITY_COEFFICIENT.value),
            "hard_body_radius": np.full(count, hard_body_radius_m),
            "plane": np.full(count, -1),
            "slot": np.full(count, -1),
            "held_from": never,
            "held_until": never,
            "kind": np.full(count, kind),
            "name": np.full(count, ""),
        }
    )
