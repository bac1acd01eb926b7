"""Which forces move the mean elements, and the constants the kernels get for them.

Sizes (near-circular, area-to-mass 0.01 m2/kg, drag coefficient 2.2, piecewise exponential air):

===========  =============================  =============================  =============================
force        500 km                         800 km                         1,200 km
===========  =============================  =============================  =============================
J2           node -7.7 deg/day cos i        node -6.6 deg/day cos i        node -5.5 deg/day cos i
J3 to J15    eccentricity vector circles a frozen point of about 1e-3
drag         a -25 m/day                    a -0.4 m/day                   a -0.05 m/day
===========  =============================  =============================  =============================
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shells import constants
from shells.motion import kernels
from shells.motion.atmosphere import EXPONENTIAL_TABLE
from shells.motion.averages import HIGHEST_DEGREE, averaged_terms


@dataclass(frozen=True)
class Forces:
    """The force model of a propagation.

    Parameters
    ----------
    zonal_degree : int
        Highest zonal of the field, 0 (two bodies) or 2 to 15.
    drag : bool
        Whether the air brakes free objects.
    """

    zonal_degree: int = HIGHEST_DEGREE
    drag: bool = True

    def __post_init__(self) -> None:
        if self.zonal_degree not in (0, *range(2, HIGHEST_DEGREE + 1)):
            from shells.errors import InputError

            raise InputError(f"Forces: zonal_degree {self.zonal_degree}; allowed are 0 and 2 to {HIGHEST_DEGREE}")

    def model(self) -> kernels.Model:
        """Return the constants of this model for the kernels, in km, s and radians."""
        zonals = constants.zonal_coefficients().copy()
        zonals[self.zonal_degree + 1 :] = 0.0
        height, density, scale = (np.ascontiguousarray(column) for column in EXPONENTIAL_TABLE.T)
        return kernels.Model(
            constants.GRAVITATIONAL_PARAMETER.value,
            constants.REFERENCE_RADIUS.value,
            zonals,
            *averaged_terms(),
            height,
            density if self.drag else np.zeros_like(density),
            scale,
            constants.EARTH_ROTATION_RATE.value,
            constants.EQUATORIAL_RADIUS.value,
            constants.FLATTENING.value,
        )
