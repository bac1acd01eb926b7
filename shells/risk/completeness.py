"""How much of the probability of collision a search within a distance finds: the rest is that of encounters beyond."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults
from shells.fleet.quantities import read_number
from shells.risk.probability import read_encounters
from shells.risk.series import kernels as series
from shells.risk.short_encounter import quadrature_rules
from shells.schema import APPROACHES

Floats = NDArray[np.float64]

#: The chance that an error is longer than d is at most exp(-d^2 / 2 trace): no double below 1 from here on.
_ALL = 80.0


def share_found(
    approaches: xr.Dataset,
    *,
    covariance_first_m2: Any,
    covariance_second_m2: Any,
    hard_body_radius_m: Any,
    within_km: float,
) -> Floats:
    """Return the share of the probability of collision that a search finds, by the errors of each approach.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES within `within_km`.
    covariance_first_m2, covariance_second_m2, hard_body_radius_m : array_like or Quantity
        As of `collision_probability`.
    within_km : float or Quantity
        Distance of the search [km].

    Returns
    -------
    ndarray, shape (approach,)
        [1]. Probabilities over it add up to all expected collisions, as many as go through the body of those that go
        through the search, whatever the errors.

    Raises
    ------
    SchemaError
        The Dataset is not APPROACHES.
    InputError
        A distance that is none, and all that `collision_probability` refuses. All at once.

    Notes
    -----
    Misses spread evenly over the encounter plane. Of the probability of one body, added up over all misses, the part
    with misses m below d is that of |m| < d where m and the body are an error apart: for a body small against d the
    chance that an error is below d, to about (body / d)^2 of it.
    """
    APPROACHES.check(approaches, stage="share_found")
    faults = Faults("share_found: arguments cannot be used")
    distance = read_number(faults, "within_km", within_km, "km", low=1e-6)
    encounters = read_encounters(faults, approaches, covariance_first_m2, covariance_second_m2, hard_body_radius_m)
    return share_within(encounters.in_plane[1], distance)


def share_within(covariance_m2: Floats, distance_km: float) -> Floats:
    """Return the chance that an error in the encounter plane is shorter than a distance.

    Parameters
    ----------
    covariance_m2 : ndarray, shape (n, 2, 2)
        In the encounter plane [m2].
    distance_km : float
        [km].

    Returns
    -------
    ndarray, shape (n,)
        [1].
    """
    distance = 1000.0 * distance_km
    share = np.ones(len(covariance_m2))
    wide = np.flatnonzero(distance**2 < _ALL * np.trace(covariance_m2, axis1=1, axis2=2))
    radius = np.full(wide.size, distance)
    share[wide] = series.probabilities(np.zeros((wide.size, 2)), covariance_m2[wide], radius, quadrature_rules())[0]
    return share
