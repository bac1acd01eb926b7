"""Short encounters: a normal density over a disc in the encounter plane, by two methods that share nothing but axes.

Sources: J. L. Foster & H. S. Estes 1992, NASA JSC-25898 (the integral); R. Serra et al. 2016, Journal of Guidance,
Control, and Dynamics 39, 1009-1021 (the series). Metres and square metres, as the argument names say.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells.errors import Faults, InputError
from shells.risk.covariances import named, read_covariance, read_radius
from shells.risk.kernels import disc_probabilities
from shells.risk.series import kernels as series

Floats = NDArray[np.float64]

METHODS = ("quicker", "series", "quadrature")


def short_encounter_probability(
    miss_m: ArrayLike,
    covariance_m2: ArrayLike,
    radius_m: ArrayLike,
    *,
    method: Literal["quicker", "series", "quadrature"] = "quicker",
) -> Floats:
    """Return the probability that a normal point in the encounter plane lies in a disc about the origin.

    Parameters
    ----------
    miss_m : array_like, shape (n, 2)
        Mean of the point: the miss vector in the encounter plane [m].
    covariance_m2 : array_like, shape (n, 2, 2)
        Its covariance [m2]; zero variances are allowed.
    radius_m : array_like, shape (n,) or ()
        Radius of the disc [m].
    method : {"quicker", "series", "quadrature"}
        The series where it is short and the quadrature elsewhere, or one of them throughout, to check the other.

    Returns
    -------
    ndarray, shape (n,)
        Probability [1], to 1e-10 relative down to the smallest double; 0 where it is smaller still. The series alone is
        NaN where the covariance has no extent in one direction, or so little against the radius (1/1000) that millions
        of terms would be needed.

    Raises
    ------
    InputError
        Wrong shapes, values not finite, a negative radius, covariances not symmetric or not positive semidefinite, an
        unknown method.
    """
    faults = Faults("short_encounter_probability: arguments cannot be used")
    faults.require(method in METHODS, f"method: {method!r} found; allowed: {', '.join(map(repr, METHODS))}")
    miss, covariance, radius = _read_plane(faults, "short_encounter_probability", miss_m, covariance_m2, radius_m)
    if method == "series":
        return np.asarray(series.series_probabilities(miss, covariance, radius))
    if method == "quadrature":
        return np.asarray(disc_probabilities(miss, covariance, radius, quadrature_rules()))
    return np.asarray(series.probabilities(miss, covariance, radius, quadrature_rules())[0])


def greatest_probability(miss_m: ArrayLike, covariance_m2: ArrayLike, radius_m: ArrayLike) -> tuple[Floats, Floats]:
    """Return the greatest probability over all scales of the covariance: what better or worse tracking could still say.

    Parameters
    ----------
    miss_m, covariance_m2, radius_m : array_like
        As of `short_encounter_probability`.

    Returns
    -------
    probability, scale : ndarray, shape (n,)
        Greatest probability [1], and the factor on both deviations at which it is reached [1]: 0 for a miss inside the
        disc, where certainty makes it a hit; 1 where scaling changes nothing.

    Raises
    ------
    InputError
        As of `short_encounter_probability`.

    Notes
    -----
    The density at a point at Mahalanobis distance d is greatest at the scale d / sqrt(2), so the greatest probability
    lies between these scales for the nearest and the farthest point of the disc; for a small disc it is
    R^2 exp(-1) / (sx sy d^2) (S. Alfano 2005, Journal of the Astronautical Sciences 53, 103-111). In between there is
    one maximum: in the logarithm of the distance and the angle a disc off the origin is convex, and the density
    log-concave. This holds for equal deviations; for unequal ones it was tried, not proved.
    """
    faults = Faults("greatest_probability: arguments cannot be used")
    plane = _read_plane(faults, "greatest_probability", miss_m, covariance_m2, radius_m)
    probability, scale = series.greatest_probabilities(*plane, quadrature_rules())
    return probability, scale


@cache
def quadrature_rules() -> tuple[Floats, ...]:
    """Return nodes and weights of the outer and the inner Gauss-Legendre rule."""
    return *np.polynomial.legendre.leggauss(16), *np.polynomial.legendre.leggauss(8)


def _read_plane(
    faults: Faults, where: str, miss_m: ArrayLike, covariance_m2: ArrayLike, radius_m: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    miss = np.ascontiguousarray(miss_m, dtype=np.float64)
    if miss.ndim != 2 or miss.shape[1] != 2:
        raise InputError(f"{where}: miss_m of shape {miss.shape} found; allowed: (n, 2)")
    lost = np.logical_not(np.isfinite(miss).all(axis=1))
    faults.require(not lost.any(), f"miss_m: not finite at {named(lost)}; only finite numbers are allowed")
    covariance = read_covariance(faults, "covariance_m2", covariance_m2, miss.shape[0], size=2)
    radius = read_radius(faults, radius_m, miss.shape[0])
    faults.raise_if_any()
    return miss, covariance, radius
