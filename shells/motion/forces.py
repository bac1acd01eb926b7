"""The force model: which forces act, and the tables behind them.

Size of each force on a near-circular orbit of 87 deg (area-to-mass ratio 0.01 m2/kg, drag coefficient 2.2,
reflectivity coefficient 1.3; largest over a year and all nodes):

======================  ==========================  ==========================  ==========================
force                   500 km                      800 km                      1,200 km
======================  ==========================  ==========================  ==========================
J2                      node -7.6 deg/day cos i     node -6.6 deg/day cos i     node -5.4 deg/day cos i
J2 squared              -0.09 % of that             -0.08 % of that             -0.08 % of that
J3 to J15               frozen e 1.36e-3            frozen e 1.26e-3            frozen e 1.16e-3
air, low activity       a -5 m/day                  a -0.2 m/day                a -0.05 m/day
air, mean activity      a -60 m/day                 a -1.4 m/day                a -0.16 m/day
air, high activity      a -290 m/day                a -11 m/day                 a -0.6 m/day
Sun                     i 0.050 deg/year            i 0.053 deg/year            i 0.057 deg/year
Moon                    i 0.13 deg/year             i 0.14 deg/year             i 0.15 deg/year
sunlight                a e 4.6 m/day               a e 5.2 m/day               a e 5.9 m/day
its shadow              a 11 mm/day                 a 8 mm/day                  a 6 mm/day
tesserals, not here     radius 110 m, periodic      radius 90 m, periodic       radius 64 m, periodic
======================  ==========================  ==========================  ==========================

The tesserals are left out of the averages, in which only resonances would leave anything: a low orbit that comes round
m times in one turn of the Earth (15 times at 560 km, 14 at 890 km, 13 at 1,260 km, equatorial; some kilometres more or
less at other inclinations) feels those of order m slowly, along the track. Their periodic terms are a correction of
`shells.positions`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from shells import constants
from shells.errors import Faults
from shells.motion.atmosphere import KINDS, air_table
from shells.motion.averaged import kernels
from shells.motion.averages import HIGHEST_DEGREE, averaged_terms
from shells.motion.bodies import SPACING, sun_and_moon
from shells.motion.solar import ACTIVITIES, solar_flux

#: The 10.7 cm flux is read so often [s]; it is a mean over months, drawn or observed.
FLUX_SPACING = 5.0 * constants.DAY.value


@dataclass(frozen=True)
class Forces:
    """The force model of a propagation.

    Parameters
    ----------
    zonal_degree : int
        Highest zonal of the field, 0 (two bodies) or 2 to 15; J2 acts to second order.
    drag : bool
        Whether the air brakes free objects.
    air : str
        Density of the air: "nrlmsise-00" (averaged over place and season) or "exponential" (the standard table, the
        same in all years).
    solar_activity : str
        "low", "mean" or "high" for good, the reference "cycle", or a past-like one "drawn" from a seed.
    solar_seed : int
        Seed of the drawn cycle.
    sun, moon : bool
        Whether they attract, as point masses: the Sun to degree 2, the Moon to degree 3.
    radiation : bool
        Whether sunlight presses on free objects, outside a cylindrical shadow.

    Raises
    ------
    InputError
        A degree, air or activity that does not exist: all together.
    """

    zonal_degree: int = HIGHEST_DEGREE
    drag: bool = True
    air: str = "nrlmsise-00"
    solar_activity: str = "mean"
    solar_seed: int = 0
    sun: bool = True
    moon: bool = True
    radiation: bool = True

    def __post_init__(self) -> None:
        faults = Faults("Forces")
        for name in ("drag", "sun", "moon", "radiation"):
            faults.require(
                isinstance(getattr(self, name), bool), f"{name} {getattr(self, name)!r}; expected True or False"
            )
        for name in ("zonal_degree", "solar_seed"):
            faults.require(type(getattr(self, name)) is int, f"{name} {getattr(self, name)!r}; expected a whole number")
        faults.raise_if_any()
        degrees = (0, *range(2, HIGHEST_DEGREE + 1))
        faults.require(
            self.zonal_degree in degrees, f"zonal_degree {self.zonal_degree}; allowed are 0 and 2 to {HIGHEST_DEGREE}"
        )
        faults.require(self.air in KINDS, f"air {self.air!r}; allowed are {', '.join(KINDS)}")
        faults.require(
            self.solar_activity in ACTIVITIES,
            f"solar_activity {self.solar_activity!r}; allowed are {', '.join(ACTIVITIES)}",
        )
        faults.require(self.solar_seed >= 0, f"solar_seed {self.solar_seed}; expected zero or more")
        faults.raise_if_any()

    def model(self, epoch: np.datetime64, span_s: float) -> kernels.Model:
        """Return the constants and tables of this model for the kernels, in km, s and radians.

        Parameters
        ----------
        epoch : datetime64
            UTC, from which the kernels count time; its true equator and equinox are the frame.
        span_s : float
            Span that the tables have to cover [s].
        """
        return _model(self, epoch, span_s)


@lru_cache(maxsize=8)
def _model(forces: Forces, epoch: np.datetime64, span_s: float) -> kernels.Model:
    zonals = constants.zonal_coefficients().copy()
    zonals[forces.zonal_degree + 1 :] = 0.0
    levels, air = air_table(forces.air)
    instants = np.arange(int(np.ceil(span_s / FLUX_SPACING)) + 2) * np.timedelta64(int(FLUX_SPACING), "s")
    sun, moon = sun_and_moon(epoch, span_s)
    pressure = constants.SOLAR_IRRADIANCE.value / (1000.0 * constants.SPEED_OF_LIGHT.value)  # N m-2
    return kernels.Model(
        constants.GRAVITATIONAL_PARAMETER.value,
        constants.REFERENCE_RADIUS.value,
        zonals,
        *averaged_terms(),
        forces.drag,
        air,
        levels,
        solar_flux(forces.solar_activity, epoch.astype("datetime64[s]") + instants, forces.solar_seed),
        FLUX_SPACING,
        constants.EARTH_ROTATION_RATE.value,
        constants.EQUATORIAL_RADIUS.value,
        constants.FLATTENING.value,
        sun,
        moon,
        SPACING,
        constants.SUN_GRAVITATIONAL_PARAMETER.value if forces.sun else 0.0,
        constants.MOON_GRAVITATIONAL_PARAMETER.value if forces.moon else 0.0,
        pressure / 1000.0 if forces.radiation else 0.0,
        constants.ASTRONOMICAL_UNIT.value,
    )
