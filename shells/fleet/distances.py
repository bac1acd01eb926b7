"""Smallest distance between the satellites of one shell, in closed form.

Two satellites on circular orbits of equal radius and inclination keep a fixed pattern: their smallest distance
follows from the difference of their nodes and of their arguments of latitude alone. A common small eccentricity with
perigee at 90 deg shifts the times at which they pass their mutual nodes, by opposite amounts at the two nodes; the
radii there stay equal. Angles are mean elements; the pattern turns as a whole, so nodes that drift together change
nothing.

Sources: J. Speckman, T. Lang & W. Boyce 1990, AIAA Astrodynamics Conference; M. Avendano, D. Arnas, R. Linares &
M. Lifson 2020, arXiv:2003.11970 (circular orbits). The eccentric extension is derived in `passage`.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells.errors import Faults
from shells.fleet.elements import PLANE_ANGLE_WITHIN_DEG, PLANE_RADIUS_WITHIN_KM, Planes, read_planes
from shells.fleet.quantities import read_number
from shells.schema import Schema, Variable

_PAIR = ("plane", "other_plane")

DISTANCES = Schema(
    "Distances inside shells",
    "Smallest distance between the satellites of two planes of equal mean radius; on the diagonal between neighbours "
    "in one plane.",
    {
        "plane": Variable(("plane",), "int64", "1", "number of the orbital plane", (0, None)),
        "other_plane": Variable(("other_plane",), "int64", "1", "number of the other orbital plane", (0, None)),
        "shell": Variable(("plane",), "int64", "1", "number of the shell, from 0 at the lowest", (0, None)),
        "minimum_distance": Variable(
            _PAIR, "float64", "km", "smallest distance", (0.0, None), "planes of different shells, or a lone satellite"
        ),
    },
    coordinates=("plane", "other_plane", "shell"),
)

#: Eccentricity along the line of nodes that may be neglected: two planes then differ by at most 14 m at their nodes.
_NEGLIGIBLE_ECCENTRICITY = 1e-6


class Passage(NamedTuple):
    """How two planes of a shell pass each other, each an array.

    Parameters
    ----------
    half_angle_cosine : ndarray
        Cosine of half the angle between the planes [1].
    meeting_phase_deg : ndarray
        Difference of mean argument of latitude, second less first, at which two satellites on circular orbits meet
        [deg].
    shift_deg : ndarray
        By how much the eccentricity shifts that at one mutual node; at the other it shifts it the other way [deg].
    """

    half_angle_cosine: NDArray[np.float64]
    meeting_phase_deg: NDArray[np.float64]
    shift_deg: NDArray[np.float64]


def passage(inclination_deg: ArrayLike, node_difference_deg: ArrayLike, eccentricity: ArrayLike) -> Passage:
    """Return how two planes of equal radius and inclination pass each other.

    Parameters
    ----------
    inclination_deg : array_like
        Mean inclination of both [deg].
    node_difference_deg : array_like
        Right ascension of the node, second less first [deg].
    eccentricity : array_like
        Mean eccentricity of both [1]: e sin(argument of perigee), with perigee at 90 or 270 deg.

    Returns
    -------
    Passage
        Of the shape of the broadcast arguments.

    Notes
    -----
    With dO the difference of nodes, cos(beta) = cos^2 i + sin^2 i cos dO, and the planes meet where the arguments of
    latitude differ by d0 = 2 atan(-cos i tan(dO / 2)). The node of the pair lies at arguments of latitude 90 deg -+
    d0 / 2 and opposite to them. Perigee at 90 deg makes the mean argument of latitude u + 2 e cos u, to first order
    in e, which changes the difference by -+ 4 e sin(d0 / 2) at the two nodes.
    """
    inclination, half = np.radians(inclination_deg), 0.5 * np.radians(node_difference_deg)
    half_meeting = np.arctan2(-np.cos(inclination) * np.sin(half), np.cos(half))
    # cos^2(beta/2) = cos^2(dO/2) + cos^2 i sin^2(dO/2): no cancellation for counter-rotating planes
    half_angle_cosine = np.hypot(np.cos(half), np.cos(inclination) * np.sin(half))
    shift = 4.0 * np.asarray(eccentricity) * np.sin(half_meeting)
    return Passage(half_angle_cosine, np.degrees(2.0 * half_meeting), np.degrees(shift))


def pattern_distances(
    *,
    total: int,
    planes: int,
    span_deg: float,
    mean_radius_km: float,
    inclination_deg: float,
    eccentricity: float = 0.0,
) -> NDArray[np.float64]:
    """Return the smallest distance inside a Walker pattern for every phasing.

    Parameters
    ----------
    total, planes : int
        Satellites in all, a multiple of the number of planes.
    span_deg : float
        Range over which the planes are spread: 360 (delta) or 180 (star) [deg].
    mean_radius_km : float
        Mean radius [km].
    inclination_deg : float
        Mean inclination [deg].
    eccentricity : float
        Mean eccentricity [1], perigee at 90 deg.

    Returns
    -------
    ndarray, shape (planes,)
        Smallest distance over all pairs of satellites [km], for phasing 0 to planes - 1; infinite for a lone satellite.
    """
    spacing = 360.0 * planes / total
    steps = np.arange(1, planes)
    pair = passage(inclination_deg, steps * span_deg / planes, eccentricity)
    phase = np.mod(np.arange(planes)[:, None] * steps * (360.0 / total), spacing)
    gaps = np.minimum(
        _to_multiple(phase - pair.meeting_phase_deg - pair.shift_deg, spacing),
        _to_multiple(phase - pair.meeting_phase_deg + pair.shift_deg, spacing),
    )
    chords = 2.0 * mean_radius_km * pair.half_angle_cosine * np.sin(np.radians(0.5 * gaps))
    in_plane = _in_plane_distance(mean_radius_km, spacing, eccentricity) if total > planes else np.inf
    return np.asarray(np.min(chords, axis=1, initial=in_plane))


def minimum_distance(fleet: xr.Dataset, *, eccentricity: Any = None) -> float:
    """Return the smallest distance between two satellites of the same shell.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    eccentricity : float or Quantity, optional
        Mean eccentricity of all satellites [1], perigee at 90 deg, in place of the fleet's own.

    Returns
    -------
    float
        Smallest distance [km], in closed form, over all pairs of planes of equal mean radius and over neighbours in a
        plane; infinite when no shell holds two satellites. Planes of different mean radius (a stacked fleet) are not
        compared: their distance depends on the surfaces of their shells. `plane_distances` shows which were.

    Raises
    ------
    SchemaError, InputError
        As `plane_distances`.
    """
    distances = plane_distances(fleet, eccentricity=eccentricity)["minimum_distance"].values
    return float(np.nanmin(distances, initial=np.inf))


def plane_distances(fleet: xr.Dataset, *, eccentricity: Any = None) -> xr.Dataset:
    """Return the smallest distance between the satellites of each pair of planes of a shell.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    eccentricity : float or Quantity, optional
        Mean eccentricity of all satellites [1], perigee at 90 deg (negative: 270 deg), in place of the fleet's own.

    Returns
    -------
    Dataset
        DISTANCES: symmetric; NaN between planes of different shells and on the diagonal of a plane of one satellite.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        Planes of equal radius but different inclination, or with eccentricities for which the closed form does not
        hold.
    """
    planes = read_planes(fleet, stage="minimum_distance")
    shell = _shells(planes)
    e = _eccentricities(fleet, planes, shell, eccentricity)
    latitudes = [
        np.sort(fleet["mean_argument_of_latitude"].values[planes.index == row]) for row in range(planes.number.size)
    ]
    matrix = np.full((planes.number.size,) * 2, np.nan)
    for row, own in enumerate(latitudes):
        if own.size > 1:
            spacing = np.diff(own, append=own[0] + 360.0).min()
            matrix[row, row] = _in_plane_distance(planes.mean_radius_km[row], spacing, e[row])
        for other in np.flatnonzero(shell[row + 1 :] == shell[row]) + row + 1:
            pair = passage(planes.inclination_deg[row], planes.raan_deg[other] - planes.raan_deg[row], e[row])
            meeting = own + pair.meeting_phase_deg
            gap = min(_nearest(latitudes[other], meeting + shift) for shift in (pair.shift_deg, -pair.shift_deg))
            chord = 2.0 * planes.mean_radius_km[row] * pair.half_angle_cosine * np.sin(np.radians(0.5 * gap))
            matrix[row, other] = matrix[other, row] = chord
    return DISTANCES.build(
        {"plane": planes.number, "other_plane": planes.number, "shell": shell, "minimum_distance": matrix},
        attributes={"method": "closed form, mean elements, planes of equal mean radius only"},
    )


def _shells(planes: Planes) -> NDArray[np.int64]:
    """Return the number of each plane's shell: planes belong together when their mean radii agree."""
    order = np.argsort(planes.mean_radius_km)
    steps = np.diff(planes.mean_radius_km[order]) > PLANE_RADIUS_WITHIN_KM
    shell = np.zeros(order.size, dtype=np.int64)
    shell[order] = np.concatenate([[0], np.cumsum(steps)])
    faults = Faults("minimum_distance: closed form does not hold")
    for number in np.unique(shell):
        inside = shell == number
        if np.ptp(planes.inclination_deg[inside]) > PLANE_ANGLE_WITHIN_DEG:
            faults.add(
                f"inclination: {np.ptp(planes.inclination_deg[inside]):g} deg of difference among planes "
                f"{planes.number[inside].tolist()} of equal mean radius; their phases drift through each other, no "
                "pattern keeps them apart; give them equal inclinations, or stack them"
            )
    faults.raise_if_any()
    return shell


def _eccentricities(
    fleet: xr.Dataset, planes: Planes, shell: NDArray[np.int64], eccentricity: Any
) -> NDArray[np.float64]:
    """Return the eccentricity of each plane, signed: positive with perigee at 90 deg."""
    faults = Faults("minimum_distance: closed form does not hold")
    if eccentricity is not None:
        given = read_number(faults, "eccentricity", eccentricity, "", low=-0.02, high=0.02)
        faults.raise_if_any()
        return np.full(planes.number.size, given)
    e_x, e_y = fleet["eccentricity_x"].values, fleet["eccentricity_y"].values
    shell_of_object = shell[planes.index]
    for number in np.unique(shell):
        inside = shell_of_object == number
        if np.abs(e_x[inside]).max() > _NEGLIGIBLE_ECCENTRICITY or np.ptp(e_y[inside]) > _NEGLIGIBLE_ECCENTRICITY:
            faults.add(
                f"eccentricity: vectors up to {np.abs(e_x[inside]).max():g} along the node and "
                f"{np.ptp(e_y[inside]):g} apart found among planes {planes.number[shell == number].tolist()}; allowed: "
                "one eccentricity with perigee at 90 or 270 deg; freeze the fleet, or give eccentricity="
            )
    faults.raise_if_any()
    return np.bincount(planes.index, e_y) / np.bincount(planes.index)


def _in_plane_distance(radius_km: float, spacing_deg: float, eccentricity: float) -> float:
    """Return the smallest distance of two satellites on one orbit [km]: at apogee, to first order in e."""
    half = np.radians(0.5 * spacing_deg)
    return float(2.0 * radius_km * np.sin(half) * (1.0 - np.abs(eccentricity * np.cos(half))))


def _to_multiple(angle_deg: NDArray[np.float64], spacing_deg: float) -> NDArray[np.float64]:
    """Return how far an angle is from the nearest multiple of the spacing [deg]."""
    rest = np.mod(angle_deg, spacing_deg)
    return np.minimum(rest, spacing_deg - rest)


def _nearest(positions_deg: NDArray[np.float64], wanted_deg: NDArray[np.float64]) -> float:
    """Return how near any sorted position comes to any wanted one, around the circle [deg]."""
    wanted = np.mod(wanted_deg, 360.0)
    after = np.searchsorted(positions_deg, wanted) % positions_deg.size
    gaps = np.abs(np.stack([positions_deg[after] - wanted, positions_deg[after - 1] - wanted]))
    return float(np.minimum(gaps, 360.0 - gaps).min())
