"""Screening volumes: box and ellipsoid about the first object, in its radial, in-track and cross-track directions.

A volume is violated where the second object, as seen from the first in the first's frame (radial, completing in-track,
orbit normal; it turns with the first), is inside at any time of the encounter, not only at closest approach.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

from shells.approaches.asked import is_length
from shells.approaches.relative_motion import kernels
from shells.approaches.trains import Trains
from shells.errors import Faults
from shells.motion.arrays import Field


@dataclass(frozen=True)
class Volume(ABC):
    """A volume about a satellite, aligned with its frame.

    Parameters
    ----------
    radial_km, in_track_km, cross_track_km : float
        Half-widths, from the centre to the border [km].

    Raises
    ------
    InputError
        A half-width that is not positive and finite.
    """

    radial_km: float
    in_track_km: float
    cross_track_km: float

    def __post_init__(self) -> None:
        faults = Faults(type(self).__name__)
        for name in ("radial_km", "in_track_km", "cross_track_km"):
            width = getattr(self, name)
            faults.require(is_length(width), f"{name} {width!r}; expected more than zero, and finite")
        faults.raise_if_any()

    @property
    @abstractmethod
    def reach_km(self) -> float:
        """Radius of the enclosing sphere [km]."""


@dataclass(frozen=True)
class Box(Volume):
    """A box about a satellite; parameters as in `Volume`."""

    @property
    def reach_km(self) -> float:
        """Radius of the enclosing sphere [km]."""
        return float(np.linalg.norm(astuple(self)))


@dataclass(frozen=True)
class Ellipsoid(Volume):
    """An ellipsoid about a satellite; parameters as in `Volume`."""

    @property
    def reach_km(self) -> float:
        """Radius of the enclosing sphere [km]."""
        return max(self.radial_km, self.in_track_km, self.cross_track_km)


def entering(
    volume: Volume, rows: NDArray[np.float64], first: Trains, second: Trains, spacing: float, field: Field
) -> NDArray[np.bool_]:
    """Return in which encounters the second object enters a volume about the first.

    Parameters
    ----------
    volume : Box or Ellipsoid
    rows : ndarray, shape (m, COLUMNS + 2)
        Approaches within the enclosing sphere, from `search_pairs`.
    first, second : Trains
        Both sides, which hold the mean elements.
    spacing : float
        Of the nodes [s].
    field : tuple
        Gravitational parameter [km3 s-2], reference radius [km] and J_n [1].

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    out = np.empty(len(rows), dtype=np.bool_)
    widths = np.array(astuple(volume))
    kernels.enter_volume(
        first.values, first.rates, second.values, second.rates, spacing, rows, volume.reach_km, widths,
        isinstance(volume, Ellipsoid), field, out,
    )  # fmt: skip
    return out
