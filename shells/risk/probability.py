"""Collision probability of short encounters: a normal density over the disc of the combined hard body.

The relative motion is straight and fast, so the encounter is seen in the plane normal to the relative velocity;
position errors are normal and independent, velocities exact. Covariances are given in each object's own frame:
radial, in-track (completing), cross-track (orbit normal). Metres and square metres, as the argument names say.

Sources: J. L. Foster & H. S. Estes 1992, NASA JSC-25898 (the integral); F. K. Chan 2008, Spacecraft Collision
Probability, The Aerospace Press (encounter plane).
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells.errors import Faults, InputError
from shells.fleet.quantities import array_in_units
from shells.risk import kernels
from shells.schema import APPROACHES, Schema, Variable

PROBABILITIES = Schema(
    "Probabilities",
    "Collision probability of each approach, as a short encounter.",
    {
        "collision_probability": Variable(("approach",), "float64", "1", "collision probability", (0.0, 1.0)),
        "mahalanobis_distance": Variable(
            ("approach",),
            "float64",
            "1",
            "miss distance in the encounter plane, in units of its standard deviation",
            (0.0, None),
        ),
    },
)

#: A covariance counts as symmetric when its halves agree to this share of its largest entry, and as positive
#: semidefinite when its correlation matrix has no eigenvalue under minus this: printed messages carry fewer digits.
_ROUNDING = 1e-9

#: How many approaches a message names.
_NAMED = 5


def collision_probability(
    approaches: xr.Dataset, *, covariance_first_m2: Any, covariance_second_m2: Any, hard_body_radius_m: Any
) -> xr.Dataset:
    """Return the collision probability of each approach.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES.
    covariance_first_m2, covariance_second_m2 : array_like or Quantity, shape (3, 3) or (approach, 3, 3)
        Position covariance of each object in its own radial, in-track, cross-track frame [m2].
    hard_body_radius_m : array_like or Quantity, shape () or (approach,)
        Combined radius: the sum of both [m].

    Returns
    -------
    Dataset
        PROBABILITIES, in the order of the approaches.

    Raises
    ------
    SchemaError
        The Dataset is not APPROACHES.
    InputError
        Covariances of the wrong shape, with NaN, not symmetric or not positive semidefinite; a negative radius;
        approaches without relative velocity. All at once, with the approaches concerned.

    Notes
    -----
    Both objects are at nearly the same place, so the frame of the second is that of the first turned about the radial
    direction by the crossing angle, to the side of the cross-track relative velocity. The probability holds for fast
    encounters; slow ones, which last, need a method that follows them.
    """
    APPROACHES.check(approaches, stage="collision_probability")
    count = approaches.sizes["approach"]
    faults = Faults("collision_probability: arguments cannot be used")
    first = _read_covariance(faults, "covariance_first_m2", covariance_first_m2, count)
    second = _read_covariance(faults, "covariance_second_m2", covariance_second_m2, count)
    radius = _read_radius(faults, hard_body_radius_m, count)
    velocity = _vectors(approaches, "relative_velocity_")
    still = np.linalg.norm(velocity, axis=1) == 0.0
    faults.require(
        not still.any(),
        f"relative velocity: zero at {_named(still)}; without it a short encounter has no encounter plane; leave these "
        "approaches out",
    )
    faults.raise_if_any()
    turn = _second_in_first(approaches["crossing_angle"].values, velocity[:, 2])
    combined = first + turn @ second @ turn.swapaxes(1, 2)
    plane = encounter_plane(velocity)
    miss = np.einsum("nij,nj->ni", plane, _vectors(approaches, "") * 1000.0)
    probability, distance = _integrate(miss, plane @ combined @ plane.swapaxes(1, 2), radius)
    return PROBABILITIES.build({"collision_probability": probability, "mahalanobis_distance": distance})


def short_encounter_probability(
    miss_m: ArrayLike, covariance_m2: ArrayLike, radius_m: ArrayLike
) -> NDArray[np.float64]:
    """Return the probability that a normal point in the encounter plane lies in a disc about the origin.

    Parameters
    ----------
    miss_m : array_like, shape (n, 2)
        Mean of the point: the miss vector in the encounter plane [m].
    covariance_m2 : array_like, shape (n, 2, 2)
        Its covariance [m2]; zero variances are allowed.
    radius_m : array_like, shape (n,) or ()
        Radius of the disc [m].

    Returns
    -------
    ndarray, shape (n,)
        Probability [1], to 1e-10 relative down to the smallest double; 0 where it is smaller still.

    Raises
    ------
    InputError
        Wrong shapes, values not finite, a negative radius, covariances not symmetric or not positive semidefinite.
    """
    miss = np.ascontiguousarray(miss_m, dtype=np.float64)
    faults = Faults("short_encounter_probability: arguments cannot be used")
    if miss.ndim != 2 or miss.shape[1] != 2:
        raise InputError(f"short_encounter_probability: miss_m of shape {miss.shape} found; allowed: (n, 2)")
    lost = np.logical_not(np.isfinite(miss).all(axis=1))
    faults.require(not lost.any(), f"miss_m: not finite at {_named(lost)}; only finite numbers are allowed")
    covariance = _read_covariance(faults, "covariance_m2", covariance_m2, miss.shape[0], size=2)
    radius = _read_radius(faults, radius_m, miss.shape[0])
    faults.raise_if_any()
    return _integrate(miss, covariance, radius)[0]


def smallest_correlation_eigenvalue(covariance: ArrayLike) -> NDArray[np.float64]:
    """Return the smallest eigenvalue of the correlation matrix of a covariance: negative where it is none.

    Parameters
    ----------
    covariance : array_like, shape (..., k, k)
        Symmetric, finite; rows may have different units.

    Returns
    -------
    ndarray, shape (...)
        Smallest eigenvalue [1]. A zero variance counts with scale one, a negative variance gives a negative value.
    """
    matrix = np.asarray(covariance, dtype=np.float64)
    scale = np.sqrt(np.abs(np.diagonal(matrix, axis1=-2, axis2=-1)))
    scale = np.where(scale == 0.0, 1.0, scale)
    correlation = matrix / scale[..., :, None] / scale[..., None, :]
    return np.asarray(np.linalg.eigvalsh(correlation)[..., 0])


def encounter_plane(relative_velocity: ArrayLike) -> NDArray[np.float64]:
    """Return two unit vectors that span the plane normal to the relative velocity.

    Parameters
    ----------
    relative_velocity : array_like, shape (n, 3)
        Relative velocity, not zero [any unit].

    Returns
    -------
    ndarray, shape (n, 2, 3)
        The unit vectors, as rows [1].
    """
    velocity = np.asarray(relative_velocity, dtype=np.float64)
    along = velocity / np.linalg.norm(velocity, axis=1, keepdims=True)
    # the axis least along the velocity: never parallel to it
    helper = np.eye(3)[np.argmin(np.abs(along), axis=1)]
    across = np.cross(along, helper)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    return np.stack([across, np.cross(along, across)], axis=1)


def _integrate(
    miss: NDArray[np.float64], covariance: NDArray[np.float64], radius: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return probability and Mahalanobis distance of valid encounters."""
    probability, distance = kernels.disc_probabilities(
        np.ascontiguousarray(miss), np.ascontiguousarray(covariance), np.ascontiguousarray(radius), *_rules()
    )
    return probability, distance


@cache
def _rules() -> tuple[NDArray[np.float64], ...]:
    """Return nodes and weights of the outer and the inner Gauss-Legendre rule."""
    return *np.polynomial.legendre.leggauss(16), *np.polynomial.legendre.leggauss(8)


def _vectors(approaches: xr.Dataset, prefix: str) -> NDArray[np.float64]:
    names = [prefix + axis for axis in ("radial", "in_track", "cross_track")]
    return np.stack([approaches[name].values for name in names], axis=1)


def _second_in_first(
    crossing_angle_deg: NDArray[np.float64], cross_track_velocity: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the rotations, shape (n, 3, 3), that take vectors from the frame of the second to that of the first."""
    angle = np.radians(np.where(cross_track_velocity < 0.0, -crossing_angle_deg, crossing_angle_deg))
    turn = np.zeros((angle.size, 3, 3))
    turn[:, 0, 0] = 1.0
    turn[:, 1, 1] = turn[:, 2, 2] = np.cos(angle)
    turn[:, 2, 1] = np.sin(angle)
    turn[:, 1, 2] = -np.sin(angle)
    return turn


def _read_covariance(faults: Faults, name: str, value: Any, count: int, size: int = 3) -> NDArray[np.float64]:
    """Return covariances of shape (count, size, size), or record why they are none."""
    empty = np.zeros((count, size, size))
    try:
        matrix = array_in_units(value, "m2")
    except InputError as error:
        faults.add(f"{name}: {error}")
        return empty
    if matrix.shape not in ((size, size), (count, size, size)):
        faults.add(f"{name}: shape {matrix.shape} found; allowed: ({size}, {size}) or ({count}, {size}, {size})")
        return empty
    matrix = np.broadcast_to(matrix, empty.shape)
    lost = np.logical_not(np.isfinite(matrix).all(axis=(1, 2)))
    faults.require(not lost.any(), f"{name}: not finite at {_named(lost)}; only finite numbers are allowed")
    usable = np.where(lost[:, None, None], 0.0, matrix)
    largest = np.abs(usable).max(axis=(1, 2), initial=0.0)
    skew = np.abs(usable - usable.swapaxes(1, 2)).max(axis=(1, 2), initial=0.0) > _ROUNDING * largest
    faults.require(not skew.any(), f"{name}: not symmetric at {_named(skew)}; give both halves of the matrix")
    smallest = smallest_correlation_eigenvalue(0.5 * (usable + usable.swapaxes(1, 2)))
    negative = smallest < -_ROUNDING
    faults.require(
        not negative.any(),
        f"{name}: not positive semidefinite at {_named(negative)}: smallest eigenvalue of the correlation matrix "
        f"{smallest.min(initial=0.0):.3g}, allowed: from 0; correct the covariance or leave these approaches out",
    )
    return matrix


def _read_radius(faults: Faults, value: Any, count: int) -> NDArray[np.float64]:
    try:
        radius = array_in_units(value, "m")
    except InputError as error:
        faults.add(f"hard-body radius: {error}")
        return np.zeros(count)
    if radius.shape not in ((), (count,)):
        faults.add(f"hard-body radius: shape {radius.shape} found; allowed: () or ({count},)")
        return np.zeros(count)
    radius = np.broadcast_to(radius, (count,))
    wrong = np.logical_not(np.isfinite(radius) & (radius >= 0.0))
    faults.require(
        not wrong.any(), f"hard-body radius: {radius[wrong][:1]} m at {_named(wrong)}; allowed: finite, from 0 m"
    )
    return radius


def _named(mask: NDArray[np.bool_]) -> str:
    """Return the first few indices of a mask and how many there are."""
    where = np.flatnonzero(mask)
    more = " …" if where.size > _NAMED else ""
    return f"approaches {where[:_NAMED].tolist()}{more} ({where.size} of {mask.size})"
