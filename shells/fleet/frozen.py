"""Frozen fleets: the mean eccentricity vector at the value where it stands still."""

from __future__ import annotations

import numpy as np
import xarray as xr

from shells.errors import Faults
from shells.fleet.elements import note, read_planes, replace
from shells.motion.frozen import HIGHEST_DEGREE, frozen_eccentricity, is_near_critical
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
        OBJECTS: eccentricity_x is zero, eccentricity_y the frozen value by linear theory, zonals J2 to J15; negative
        where the perigee belongs at 270 deg.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        Planes within 2 deg of a critical inclination (63.4349, 116.5651 deg), where the linear theory does not hold.

    See Also
    --------
    shells.motion.frozen.frozen_eccentricity : the formula and its accuracy.
    """
    planes = read_planes(fleet, stage="freeze")
    near = is_near_critical(planes.inclination_deg)
    faults = Faults("freeze: fleet cannot be frozen")
    faults.require(
        not near.any(),
        f"inclination: {np.round(planes.inclination_deg[near], 4).tolist()} deg found for planes "
        f"{planes.number[near].tolist()}; allowed: at least 2 deg away from 63.4349 and 116.5651 deg, where the linear "
        "theory of frozen orbits does not hold",
    )
    faults.raise_if_any()
    inclination = fleet["inclination"].values
    eccentricity = frozen_eccentricity(mean_radius(fleet["semi_major_axis"].values, inclination), inclination)
    frozen = replace(fleet, eccentricity_x=np.zeros(eccentricity.shape), eccentricity_y=eccentricity)
    return note(frozen, freeze={"zonals_to_degree": HIGHEST_DEGREE})
