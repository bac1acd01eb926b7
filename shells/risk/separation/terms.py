"""The terms that eat the gap of two shells: how far each departs, the most it takes, what all take at their worst."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shells.fleet.tolerances import Tolerances
from shells.risk.separation.phase_averaged import NodeGaps

Floats = NDArray[np.float64]

TERMS = (
    "frozen surfaces",
    "eccentricity vectors",
    "semi-major axis limit cycles",
    "excursions",
    "orbit determination",
    "manoeuvres",
    "tesseral ripple",
    "motion of the planes",
    "hard bodies",
)

#: Terms that depart by chance, and those of them that are normal in both models of the tail.
_BY_CHANCE, _ALWAYS_NORMAL = slice(1, 6), slice(4, 6)

#: Where a normal departure is taken to end [standard deviations].
NORMAL_REACH = 5.0


def scales(gaps: NodeGaps, tolerances: Tolerances, radius_km: float) -> Floats:
    """Return the standard deviations of the terms.

    Parameters
    ----------
    gaps : NodeGaps
        Of the pairs of planes.
    tolerances : Tolerances
        Of every satellite.
    radius_km : float
        Mean radius of the stack [km].

    Returns
    -------
    ndarray, shape (pairs, 2, terms)
        In the order of `TERMS`; RMS for the ripple [km].
    """
    normal = tolerances.reshaped("normal")
    own = [
        radius_km * normal.eccentricity,
        normal.mean_radius_m / 1000.0,
        normal.excursion_km,
        normal.orbit_determination_m / 1000.0,
        normal.manoeuvre_m / 1000.0,
    ]
    scale = np.zeros((*gaps.latitude_deg.shape, len(TERMS)))
    scale[..., _BY_CHANCE] = np.sqrt(2.0) * np.array(own)  # of two satellites that depart independently
    scale[..., TERMS.index("tesseral ripple")] = gaps.ripple_rms_km
    scale[..., TERMS.index("motion of the planes")] = gaps.gap_km.std(axis=1)
    return scale


def reaches(gaps: NodeGaps, tolerances: Tolerances, *, radius_km: float, bodies_km: float) -> Floats:
    """Return the most by which each term brings two satellites together.

    Parameters
    ----------
    gaps : NodeGaps
        Of the pairs of planes.
    tolerances : Tolerances
        Of every satellite.
    radius_km : float
        Mean radius of the stack [km].
    bodies_km : float
        Sum of two hard-body radii [km].

    Returns
    -------
    ndarray, shape (pairs, 2, terms)
        In the order of `TERMS` [km]; of normal departures 5 standard deviations.
    """
    reach = NORMAL_REACH * scales(gaps, tolerances, radius_km)
    if tolerances.distribution == "bounded":
        swing, radial = radius_km * tolerances.eccentricity, tolerances.mean_radius_m / 1000.0
        reach[..., 1:4] = 2.0 * np.array([swing, radial, tolerances.excursion_km])
        reach[..., TERMS.index("tesseral ripple")] = -gaps.least_ripple_km.min(axis=1)
    reach[..., TERMS.index("frozen surfaces")] = gaps.taken_km
    reach[..., TERMS.index("motion of the planes")] = gaps.drift_km.max(axis=1)
    reach[..., TERMS.index("hard bodies")] = bodies_km
    return reach


def worst_case(tolerances: Tolerances, reach: Floats) -> Floats:
    """Return the separation that is used up when all goes wrong.

    Parameters
    ----------
    tolerances : Tolerances
        Of every satellite.
    reach : ndarray, shape (pairs, 2, terms)
        From `reaches` [km].

    Returns
    -------
    ndarray, shape (pairs, 2)
        Sum of what is bounded, and the root of the sum of squares of what is normal [km].
    """
    normal = np.zeros(len(TERMS), dtype=bool)
    if tolerances.distribution == "normal":
        normal[_BY_CHANCE] = normal[TERMS.index("tesseral ripple")] = True
    else:
        normal[_ALWAYS_NORMAL] = True
    worst: Floats = reach[..., ~normal].sum(axis=-1) + np.sqrt((reach[..., normal] ** 2).sum(axis=-1))
    return worst
