"""Frozen fleets: the mean eccentricity vector at the value where it stands still."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults
from shells.fleet.elements import MINIMUM_ALTITUDE_KM, Planes, note, perigee_altitude, read_planes, replace
from shells.motion.frozen import HIGHEST_DEGREE, NONE_WITHIN_DEG, is_near_critical, standing_eccentricity
from shells.motion.periodic.orbits import LARGEST_ECCENTRICITY, frozen_orbits
from shells.motion.shape import mean_radius


def freeze(fleet: xr.Dataset) -> xr.Dataset:
    """Set the mean eccentricity vector of every satellite to its frozen value.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.

    Returns
    -------
    Dataset
        OBJECTS: eccentricity_x is zero, eccentricity_y the frozen value under zonals J2 to J15; negative where the
        perigee belongs at 270 deg. What stands still in the library's own motion; of planes within 2 deg of a critical
        inclination (63.4349, 116.5651 deg) the value of the periodic orbit, the least eccentric one. The semi-major
        axis is kept, so that the radius averaged over the argument of latitude sinks by a e^2 / 2: 1.4 km at an
        eccentricity of 0.02.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        Planes so near to a critical inclination that they have no frozen orbit of eccentricity up to 0.05, or one with
        its perigee under 160 km.

    See Also
    --------
    shells.motion.frozen : both methods, their accuracy, and where there are no frozen orbits.
    """
    planes = read_planes(fleet, stage="freeze")
    near = is_near_critical(planes.inclination_deg)
    eccentricity = np.empty(fleet["plane"].shape)
    inclination = fleet["inclination"].values
    linear = ~near[planes.index]
    radius = mean_radius(fleet["semi_major_axis"].values, inclination)
    eccentricity[linear] = standing_eccentricity(radius[linear], inclination[linear])
    eccentricity[~linear] = _periodic(planes, near)[planes.index[~linear]]
    frozen = replace(fleet, eccentricity_x=np.zeros(eccentricity.shape), eccentricity_y=eccentricity)
    return note(frozen, freeze={"zonals_to_degree": HIGHEST_DEGREE})


def _periodic(planes: Planes, near: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the frozen eccentricity of each plane near a critical inclination, NaN for the others."""
    eccentricity = np.full(near.shape, np.nan)
    for plane in np.flatnonzero(near):
        found = frozen_orbits(float(planes.mean_radius_km[plane]), float(planes.inclination_deg[plane]), HIGHEST_DEGREE)
        if found:
            eccentricity[plane] = found[0].eccentricity
    none = near & np.isnan(eccentricity)
    faults = Faults("freeze: fleet cannot be frozen")
    faults.require(
        not none.any(),
        f"inclination: {np.round(planes.inclination_deg[none], 4).tolist()} deg found for planes "
        f"{planes.number[none].tolist()}, which have no frozen orbit of eccentricity up to {LARGEST_ECCENTRICITY}; "
        f"allowed: {NONE_WITHIN_DEG} deg or more away from 63.4349 and 116.5651 deg",
    )
    altitude = perigee_altitude(planes.mean_radius_km, np.abs(eccentricity))
    low = altitude < MINIMUM_ALTITUDE_KM
    faults.require(
        not low.any(),
        f"altitude: frozen perigees of planes {planes.number[low].tolist()} under {MINIMUM_ALTITUDE_KM:g} km: "
        f"{np.round(altitude[low], 1).tolist()} km; raise the fleet, or move the inclination away from 63.4349 and "
        "116.5651 deg",
    )
    faults.raise_if_any()
    return eccentricity
