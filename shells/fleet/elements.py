"""What the functions of this room do to every fleet: read its planes, change its shape, note what was done.

All elements are mean; the place of a plane is its mean radius (see `shells.motion.shape`).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells.constants import EQUATORIAL_RADIUS
from shells.errors import Faults
from shells.motion.frozen import is_near_critical, standing_eccentricity
from shells.motion.shape import mean_radius, semi_major_axis
from shells.schema import OBJECTS, provenance

#: Lowest altitude of a perigee in a design: below it a satellite lasts for hours and can hold no shell.
MINIMUM_ALTITUDE_KM = 160.0

#: A plane counts as frozen when its eccentricity vector is this near to the frozen value: 7 cm in radius.
_FROZEN_WITHIN = 1e-8

#: Satellites of one plane must agree this well: 1 m in mean radius, 1e-6 deg in the orientation (0.1 m).
PLANE_RADIUS_WITHIN_KM = 1e-3
PLANE_ANGLE_WITHIN_DEG = 1e-6


@dataclass(frozen=True)
class Planes:
    """The planes of a fleet, in order of their numbers.

    Parameters
    ----------
    number : ndarray of int, shape (planes,)
        Plane numbers.
    index : ndarray of int, shape (objects,)
        Row in these arrays of each object's plane.
    mean_radius_km, inclination_deg, raan_deg : ndarray, shape (planes,)
        Mean elements of the planes [km, deg].
    """

    number: NDArray[np.int64]
    index: NDArray[np.intp]
    mean_radius_km: NDArray[np.float64]
    inclination_deg: NDArray[np.float64]
    raan_deg: NDArray[np.float64]


def read_planes(fleet: xr.Dataset, *, stage: str) -> Planes:
    """Return the planes of a fleet.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    stage : str
        Name of the stage, for the message.

    Returns
    -------
    Planes
        Elements of each plane: those of its first satellite.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        No objects, objects without a plane, or planes whose satellites do not share one orbit.
    """
    OBJECTS.check(fleet, stage=stage)
    faults = Faults(f"{stage}: fleet cannot be used")
    membership = fleet["plane"].values
    faults.require(membership.size > 0, "object: none found; at least one satellite is needed")
    faults.require(
        bool((membership >= 0).all()),
        f"plane: -1 (none) found for {(membership < 0).sum()} of {membership.size} objects; "
        "every satellite of a fleet needs a plane number; leave the others out",
    )
    faults.raise_if_any()
    number, first, index = np.unique(membership, return_index=True, return_inverse=True)
    elements = {
        "mean radius": (
            mean_radius(fleet["semi_major_axis"].values, fleet["inclination"].values),
            PLANE_RADIUS_WITHIN_KM,
        ),
        "inclination": (fleet["inclination"].values, PLANE_ANGLE_WITHIN_DEG),
        "raan": (fleet["raan"].values, PLANE_ANGLE_WITHIN_DEG),
    }
    for name, (values, within) in elements.items():
        apart = np.abs(values - values[first][index])
        if name == "raan":
            apart = np.minimum(apart, 360.0 - apart)
        split = np.unique(membership[apart > within])
        faults.require(
            split.size == 0,
            f"{name}: differs by up to {apart.max():g} within planes {split.tolist()}; allowed: {within:g} (km, deg); "
            "give satellites on different orbits different plane numbers",
        )
    faults.raise_if_any()
    return Planes(number, index, *(values[first] for values, _ in elements.values()))


def reshape(fleet: xr.Dataset, mean_radius_km: ArrayLike, inclination_deg: ArrayLike, *, stage: str) -> xr.Dataset:
    """Return the fleet with other mean radii and inclinations; what was frozen stays frozen.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    mean_radius_km, inclination_deg : array_like, shape (objects,)
        New mean radius [km] and inclination [deg] of each satellite.
    stage : str
        Name of the stage, for the message.

    Returns
    -------
    Dataset
        OBJECTS: the semi-major axis belongs to the new mean radius and inclination. Satellites whose eccentricity
        vector had the frozen value get the frozen value of their new orbit (it moves by 1.5e-6 for 10 km), others
        keep theirs.

    Raises
    ------
    InputError
        A perigee under 160 km; a frozen satellite that comes within 2 deg of a critical inclination.
    """
    radius = np.broadcast_to(np.asarray(mean_radius_km, dtype=np.float64), fleet["plane"].shape)
    inclination = np.broadcast_to(np.asarray(inclination_deg, dtype=np.float64), fleet["plane"].shape)
    e_x, e_y = fleet["eccentricity_x"].values, fleet["eccentricity_y"].values.copy()
    faults = Faults(f"{stage}: fleet cannot be changed so")
    low = np.unique(fleet["plane"].values[perigee_altitude(radius, np.hypot(e_x, e_y)) < MINIMUM_ALTITUDE_KM])
    faults.require(
        low.size == 0,
        f"altitude: perigees of planes {low.tolist()} under {MINIMUM_ALTITUDE_KM:g} km, the lowest at "
        f"{perigee_altitude(radius, np.hypot(e_x, e_y)).min():.3f} km; raise the fleet or narrow the stack",
    )
    frozen = _is_frozen(fleet)
    stuck = np.unique(fleet["plane"].values[frozen & is_near_critical(inclination)])
    faults.require(
        stuck.size == 0,
        f"inclination: frozen planes {stuck.tolist()} are or would come within 2 deg of a critical inclination "
        "(63.4349 or 116.5651 deg), where the frozen value changes fast; freeze the fleet last",
    )
    faults.raise_if_any()
    e_y[frozen] = standing_eccentricity(radius[frozen], inclination[frozen])
    changes = {
        "semi_major_axis": semi_major_axis(radius, inclination),
        "inclination": inclination,
        "eccentricity_y": e_y,
    }
    return replace(fleet, **changes)


def perigee_altitude(mean_radius_km: ArrayLike, eccentricity: ArrayLike) -> NDArray[np.float64]:
    """Return the altitude of the perigee.

    Parameters
    ----------
    mean_radius_km : array_like
        Mean radius [km].
    eccentricity : array_like
        Mean eccentricity [1].

    Returns
    -------
    ndarray
        r_m (1 - e) - 6378.137 [km].
    """
    return np.asarray(mean_radius_km) * (1.0 - np.asarray(eccentricity)) - EQUATORIAL_RADIUS.value


def replace(fleet: xr.Dataset, **values: NDArray[Any]) -> xr.Dataset:
    """Return the fleet with some variables replaced.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    **values : ndarray, shape (objects,)
        New values by name of the variable, in the unit of the schema.

    Returns
    -------
    Dataset
        OBJECTS.
    """
    arrays = {name: (("object",), value, OBJECTS.variables[name].attributes) for name, value in values.items()}
    return fleet.assign(arrays)


def note(fleet: xr.Dataset, **facts: Any) -> xr.Dataset:
    """Return the fleet with facts added to its provenance.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    **facts
        Anything JSON can hold, by name of the stage; a stage that is repeated overwrites what it said before.

    Returns
    -------
    Dataset
        OBJECTS, with one JSON string as its attribute "provenance".
    """
    known = json.loads(fleet.attrs.get("provenance", "{}"))
    return fleet.assign_attrs(provenance(**{**known, **facts}))


def _is_frozen(fleet: xr.Dataset) -> NDArray[np.bool_]:
    inclination = fleet["inclination"].values
    usable = ~is_near_critical(inclination)
    target = np.full(inclination.shape, np.nan)
    radius = mean_radius(fleet["semi_major_axis"].values, inclination)
    target[usable] = standing_eccentricity(radius[usable], inclination[usable])
    off = np.hypot(fleet["eccentricity_x"].values, fleet["eccentricity_y"].values - target)
    # near a critical inclination the value takes an integration: that `freeze` was here has to do
    noted = "freeze" in json.loads(fleet.attrs.get("provenance", "{}"))
    return np.asarray(np.where(usable, off < _FROZEN_WITHIN, noted))
