"""Geometry of encounters: relative position, velocity and combined covariance in the frame of the first object.

The encounter plane is normal to the relative velocity (F. K. Chan 2008, Spacecraft Collision Probability, The Aerospace
Press). Metres and seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells import constants
from shells.errors import Faults
from shells.risk.covariances import named

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Encounters:
    """Encounters in the frame of their first objects: radial, in-track, cross-track.

    Parameters
    ----------
    position, velocity : ndarray, shape (n, 3)
        Of the second object relative to the first, inertial velocity [m, m/s].
    covariance : ndarray, shape (n, 3, 3)
        Of the relative position [m2].
    radius : ndarray, shape (n,)
        Combined hard-body radius [m].
    rate : ndarray, shape (n,)
        At which a circular orbit there turns [rad/s].
    turning : ndarray, shape (n,)
        Fastest motion of an error of the second of one deviation, as its frame turns against that of the first [m/s].
    """

    position: Floats
    velocity: Floats
    covariance: Floats
    radius: Floats
    rate: Floats
    turning: Floats

    def some(self, rows: NDArray[np.int64]) -> Encounters:
        """Return some of the encounters, in the order of the rows asked for."""
        return Encounters(*(getattr(self, each.name)[rows] for each in fields(self)))

    @property
    def in_plane(self) -> tuple[Floats, Floats]:
        """Miss vector and covariance in the encounter plane, shapes (n, 2) and (n, 2, 2) [m, m2]."""
        plane = encounter_plane(self.velocity)
        covariance = plane @ self.covariance @ plane.swapaxes(1, 2)
        covariance = 0.5 * (covariance + covariance.swapaxes(1, 2))
        return np.einsum("nij,nj->ni", plane, self.position), np.ascontiguousarray(covariance)

    def length(self) -> Floats:
        """Return the half length of the relative path over which the errors matter, shape (n,) [m].

        That of the error along the velocity, given those across that make a hit, and the body.
        """
        along = self.velocity / np.linalg.norm(self.velocity, axis=1, keepdims=True)
        plane = encounter_plane(self.velocity)
        miss, across = self.in_plane
        mixed = np.einsum("nij,njk,nk->ni", plane, self.covariance, along)
        # a certain direction in the plane tells nothing of the error along: hence no plain inverse
        gain = np.einsum("nij,nj->ni", np.linalg.pinv(across, hermitian=True), mixed)
        spread = np.einsum("ni,nij,nj->n", along, self.covariance, along) - (gain * mixed).sum(axis=1)
        return np.asarray(np.sqrt(np.maximum(spread, 0.0) + (gain * miss).sum(axis=1) ** 2 + self.radius**2))

    def bend(self) -> Floats:
        """Return by how much the relative path bends while the errors matter, shape (n,) [m].

        In the frame that turns with the first object, in which orbit errors keep their directions, the path bends by
        Coriolis and tidal acceleration, at most 2 n v + 3 n^2 (distance) (W. H. Clohessy & R. S. Wiltshire 1960).
        """
        length, speed = self.length(), np.linalg.norm(self.velocity, axis=1)
        distance = np.linalg.norm(self.position, axis=1) + length
        acceleration = 2.0 * self.rate * speed + 3.0 * self.rate**2 * distance
        return np.asarray(0.5 * acceleration * (length / speed) ** 2)

    def turn(self) -> Floats:
        """Return how far errors of the second turn against the first's while they matter, shape (n,) [m]."""
        return np.asarray(self.turning * self.length() / np.linalg.norm(self.velocity, axis=1))


def encounters_of(approaches: xr.Dataset, first: Floats, second: Floats, radius: Floats, faults: Faults) -> Encounters:
    """Return encounters from approaches and the covariances of both objects.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES.
    first, second : ndarray, shape (n, 3, 3)
        Each in its own frame [m2].
    radius : ndarray, shape (n,)
        Combined hard-body radius [m].
    faults : Faults
        Raises its faults, with approaches without relative velocity.

    Returns
    -------
    Encounters

    Notes
    -----
    Both objects are at nearly the same place, so the frame of the second is that of the first turned about the radial
    direction by the crossing angle, to the side of the cross-track relative velocity.
    """
    velocity = _vectors(approaches, "relative_velocity_") * 1000.0
    still = np.linalg.norm(velocity, axis=1) == 0.0
    faults.require(
        not still.any(),
        f"relative velocity: zero at {named(still)}; without it an encounter has no encounter plane; leave these "
        "approaches out",
    )
    faults.raise_if_any()
    turn = _second_in_first(approaches["crossing_angle"].values, velocity[:, 2])
    distance = approaches["radius_altitude"].values + constants.EQUATORIAL_RADIUS.value
    rate = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / distance**3)
    # both frames turn at this rate, about axes the crossing angle apart
    apart = 2.0 * rate * np.sin(0.5 * np.radians(approaches["crossing_angle"].values))
    return Encounters(
        _vectors(approaches, "") * 1000.0,
        velocity,
        first + turn @ second @ turn.swapaxes(1, 2),
        radius,
        rate,
        apart * np.sqrt(np.maximum(np.linalg.eigvalsh(second)[:, 2], 0.0)),
    )


def encounter_plane(relative_velocity: ArrayLike) -> Floats:
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


def places_of(ids: NDArray[np.int64], population: xr.Dataset) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return where objects stand in a population.

    Parameters
    ----------
    ids : ndarray of int, shape (n,)
        Identifiers.
    population : Dataset
        With a variable `object`, not empty.

    Returns
    -------
    place : ndarray of int, shape (n,)
        Indices; any for objects that are not in it.
    member : ndarray of bool, shape (n,)
        Whether they are in it.
    """
    known = population["object"].values
    sorter = np.argsort(known)
    place = sorter[np.minimum(np.searchsorted(known, ids, sorter=sorter), known.size - 1)]
    return place, known[place] == ids


def _vectors(approaches: xr.Dataset, prefix: str) -> Floats:
    names = [prefix + axis for axis in ("radial", "in_track", "cross_track")]
    return np.stack([approaches[name].values for name in names], axis=1)


def _second_in_first(crossing_angle_deg: Floats, cross_track_velocity: Floats) -> Floats:
    """Return the rotations, shape (n, 3, 3), that take vectors from the frame of the second to that of the first."""
    angle = np.radians(np.where(cross_track_velocity < 0.0, -crossing_angle_deg, crossing_angle_deg))
    turn = np.zeros((angle.size, 3, 3))
    turn[:, 0, 0] = 1.0
    turn[:, 1, 1] = turn[:, 2, 2] = np.cos(angle)
    turn[:, 2, 1] = np.sin(angle)
    turn[:, 1, 2] = -np.sin(angle)
    return turn
