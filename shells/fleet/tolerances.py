"""How far held satellites stray from the reference orbit of their plane, and how often one leaves its tolerances.

A bounded tolerance makes the risk between separated shells exactly zero until somebody leaves it, a normal one never
does; the choice matters more than the size. Faults are therefore a stated input of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, sqrt
from typing import Any, Literal

from shells.constants import DAY, YEAR
from shells.errors import Faults
from shells.fleet.quantities import read_number
from shells.motion.control import LARGEST_ECCENTRICITY

DISTRIBUTIONS: tuple[Literal["normal", "bounded"], ...] = ("normal", "bounded")


@dataclass(frozen=True)
class Tolerances:
    """Departures of one satellite from the reference orbit of its plane.

    Parameters
    ----------
    distribution : {"normal", "bounded"}
        Form of the departures.
    mean_radius_m : float or Quantity
        Mean radius [m]. Normal: standard deviation. Bounded: half width of a uniform distribution.
    eccentricity : float or Quantity
        Eccentricity vector [1]. Normal: standard deviation of each component. Bounded: radius of a disc, uniformly
        filled.
    orbit_determination_m : float or Quantity
        Standard deviation of the radius [m] by which a satellite is not where it is believed to be when it is steered;
        normal whatever the distribution, so that no bound holds any longer.
    manoeuvre_m : float or Quantity
        Standard deviation of the mean radius [m] that an imperfect correction leaves; normal as well.
    excursion_along_track_km : float or Quantity
        Way along the track [km] that avoidance or rephasing makes good within one revolution. A departure of a by da
        moves a satellite by 3 pi da a revolution: the mean radius departs by `excursion_km`, of the form of the
        distribution and as if an excursion were always under way. Two impulses half a revolution apart, which leave the
        eccentricity vector where it is, are taken; a single one would lift the far side of the orbit by twice as much.
    cross_track_km : float or Quantity
        Departure of the orbital plane from that of the others, as amplitude across the track [km]: the angle between
        the two planes times the radius. Normal: standard deviation of each of the two components. Bounded: radius of a
        disc, uniformly filled. Zero, the default, is the worst case: all satellites of a plane meet in it. It tells
        nothing between planes.

    Raises
    ------
    InputError
        An unknown distribution, negative or infinite sizes; all faults at once.
    """

    distribution: Literal["normal", "bounded"]
    mean_radius_m: float
    eccentricity: float
    orbit_determination_m: float = 0.0
    manoeuvre_m: float = 0.0
    excursion_along_track_km: float = 0.0
    cross_track_km: float = 0.0

    def __post_init__(self) -> None:
        faults = Faults("Tolerances: arguments cannot be used")
        faults.require(
            self.distribution in DISTRIBUTIONS,
            f"distribution: {self.distribution!r} found; allowed: {', '.join(map(repr, DISTRIBUTIONS))}",
        )
        _read_field(self, faults, "mean_radius_m", "m", 1e6)
        _read_field(self, faults, "eccentricity", "", LARGEST_ECCENTRICITY)
        _read_field(self, faults, "orbit_determination_m", "m", 1e6)
        _read_field(self, faults, "manoeuvre_m", "m", 1e6)
        _read_field(self, faults, "excursion_along_track_km", "km", 1e4)
        _read_field(self, faults, "cross_track_km", "km", 1e3)
        faults.raise_if_any()

    @property
    def excursion_km(self) -> float:
        """Departure of the mean radius during an excursion [km]: the way along the track over 3 pi."""
        return self.excursion_along_track_km / (3.0 * pi)

    def reshaped(self, distribution: Literal["normal", "bounded"]) -> Tolerances:
        """Return tolerances of another form and the same standard deviations.

        Parameters
        ----------
        distribution : {"normal", "bounded"}
            A uniform distribution of half width b has the standard deviation b / sqrt(3), a component of a vector that
            fills a disc of radius r uniformly r / 2.

        Returns
        -------
        Tolerances
        """
        if distribution == self.distribution:
            return self
        to_bounded = distribution == "bounded"
        uniform, disc = (sqrt(3.0), 2.0) if to_bounded else (1.0 / sqrt(3.0), 0.5)
        return replace(
            self,
            distribution=distribution,
            mean_radius_m=self.mean_radius_m * uniform,
            eccentricity=self.eccentricity * disc,
            excursion_along_track_km=self.excursion_along_track_km * uniform,
            cross_track_km=self.cross_track_km * disc,
        )


@dataclass(frozen=True)
class ControlFaults:
    """How often a held satellite leaves its tolerances, how far and for how long. The defaults are assumed.

    A missed correction or a fault of thruster or navigation moves the mean radius by a normal offset of zero mean, on
    top of the tolerances, until the satellite is brought back.

    Parameters
    ----------
    per_satellite_year : float or Quantity
        Faults per satellite and year [1/yr].
    offset_km : float or Quantity
        Standard deviation of the offset of the mean radius during a fault [km].
    duration_days : float or Quantity
        How long a fault lasts [days].

    Raises
    ------
    InputError
        Negative or infinite sizes, or faults that overlap (rate times duration above one); all faults at once.
    """

    per_satellite_year: float = 0.01
    offset_km: float = 5.0
    duration_days: float = 7.0

    def __post_init__(self) -> None:
        faults = Faults("ControlFaults: arguments cannot be used")
        _read_field(self, faults, "per_satellite_year", "1/yr", 1e3)
        _read_field(self, faults, "offset_km", "km", 1e3)
        _read_field(self, faults, "duration_days", "day", 1e5)
        faults.require(
            not self.share_of_time > 1.0,
            f"per_satellite_year: {self.per_satellite_year} faults of {self.duration_days} days each found, more than "
            f"a year holds; allowed: up to {YEAR.value / DAY.value} days of faults in a year",
        )
        faults.raise_if_any()

    @property
    def share_of_time(self) -> float:
        """Share of the time that a satellite spends outside its tolerances [1]."""
        return self.per_satellite_year * self.duration_days * DAY.value / YEAR.value


def _read_field(instance: Any, faults: Faults, name: str, unit: str, high: float) -> None:
    """Check a field of a frozen dataclass and store it as a plain number."""
    object.__setattr__(instance, name, read_number(faults, name, getattr(instance, name), unit, low=0.0, high=high))
