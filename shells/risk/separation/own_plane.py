"""Collisions inside one plane: a satellite in a control fault drifts past the others of its plane.

The two have one orbital plane but for small departures, so their motion is that of Hill's equations (G. W. Hill 1878,
American Journal of Mathematics 1, 5-26; W. H. Clohessy and R. S. Wiltshire 1960, Journal of the Aerospace Sciences 27,
653-658) about a circle of radius a and mean motion n. With da the difference of the mean radii, (X, Y) = a de that of
the eccentricity vectors, along and across the radius as it turns, and (w, v) the departure of one orbital plane from
the other, turned with it likewise, the faulty satellite is off the healthy one

    in radius by            x = da - X,          at the speed   n Y,
    along the track by      y = y0 + 2 Y,        at the speed   -1.5 n da + 2 n X,
    across the track by     w,                   at the speed   n v.

Where they meet x = 0, so that X = da and the speed along the track is 0.5 n da: satellites can only meet while the
offset is smaller than the difference of their eccentricity vectors, a |de|. Into a sphere of radius R, the sum of the
hard bodies, of one satellite that another passes with all phases alike (density 1 / L of y) come

    pi R^2 (n / L)  integral of  p(da) f(da, Y) q(0, v) sqrt(Y^2 + da^2 / 4 + v^2)  over da, Y and v

hits a second: p is the density of da, the offset of the fault in it, f that of the difference of two eccentricity
vectors times a, q(w, v) that of two departures of the orbital plane. As in `shells.risk.separation.states` the bodies
are one more term of half width R, here of w, so that planes that are exactly one give the cross-section 2 R of flat
motion. It holds while R is far below a |de|.

Phases are not alike: the faulty satellite leaves its slot, drifts by 1.5 n |da| T over the duration T of the fault, and
passes one neighbour after the other, `spacing` apart: floor(1.5 n |da| T / spacing) of them, less every S-th, which is
its own empty slot. A pass is once over L = spacing, at the speed 1.5 n |da|, and has

    pi R^2 / (1.5 |da|)  integral of  f(da, Y) q(0, v) sqrt(Y^2 + da^2 / 4 + v^2)  over Y and v

hits: n and T only count the passes.

Not counted: the way back to the slot after the fault, which may meet the same neighbours again; two satellites of a
plane in faults at once; that satellites are not in the middle of their slots, and that tolerances, which are part of da
here, do not drift for as long as the offset. Nor does the plane of the faulty satellite part from that of the others,
as its node does by its da: at the k-th pass by (7 / 3) k spacing sin(i) times the rate of the node over n, across the
track and whatever the offset. Where that is not small beside the tolerance across the track the number here is too
large, the more so the farther from polar the plane is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from shells.constants import DAY, GRAVITATIONAL_PARAMETER
from shells.fleet.radius_difference import radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances

Floats = NDArray[np.float64]

#: Cells of the offset, and Gauss-Legendre nodes of each of the other integrals: 1e-4 of the result at most.
_CELLS, _NODES = 512, 32

#: Where a normal departure is taken to end [standard deviations]: exp(-32) lies beyond.
_END = 8.0


def collisions_in_own_planes(
    tolerances: Tolerances, faults: ControlFaults, *, planes: int, satellites: int, radius_km: float, bodies_km: float
) -> float:
    """Return the expected collisions a year of satellites in control faults with others of their own plane.

    Parameters
    ----------
    tolerances : Tolerances
        Of every satellite.
    faults : ControlFaults
        How often one leaves them, by how much and for how long.
    planes : int
        Planes of the fleet.
    satellites : int
        Of each plane, evenly spaced.
    radius_km : float
        Mean radius of the planes [km].
    bodies_km : float
        Sum of two hard-body radii [km], more than zero.

    Returns
    -------
    float
        Of the whole fleet [1/year], without avoidance.
    """
    per_year = planes * satellites * faults.per_satellite_year
    return per_year * collisions_of_fault(
        tolerances, faults, satellites=satellites, radius_km=radius_km, bodies_km=bodies_km
    )


def collisions_of_fault(
    tolerances: Tolerances, faults: ControlFaults, *, satellites: int, radius_km: float, bodies_km: float
) -> float:
    """Return the expected collisions of one fault with the other satellites of the plane; see the module.

    Parameters
    ----------
    tolerances, faults, satellites, radius_km, bodies_km
        As of `collisions_in_own_planes`.

    Returns
    -------
    float
        [1]
    """
    held = replace(tolerances, eccentricity=0.0)
    offset = radius_difference(held, held, first_radius_km=radius_km, second_radius_km=radius_km, faults=faults)
    swing = _Difference(tolerances.distribution, radius_km * tolerances.eccentricity)
    most = min(swing.reach, offset.bounded_support_km + _END * offset.normal_km)
    motion = sqrt(GRAVITATIONAL_PARAMETER.value / radius_km**3)
    drift = 1.5 * motion * faults.duration_days * DAY.value
    spacing = 2.0 * pi * radius_km / satellites
    if not drift * most > spacing:
        return 0.0  # no offset that can still meet a neighbour reaches one
    first = spacing / drift
    edges = np.geomspace(1.0, most / first, _CELLS + 1)
    # the cells hold the exact mean number of passes, which rises in steps, and the smooth rest at their middles
    passes = np.diff(_under_stairs(edges) - satellites * _under_stairs(edges / satellites)) * first
    apart = 0.5 * first * (edges[1:] + edges[:-1])
    across = _across(_Difference(tolerances.distribution, tolerances.cross_track_km), bodies_km)
    each = pi * bodies_km**2 / (1.5 * apart) * _mean_speed(apart, swing, across)
    # offsets of both signs
    return float(2.0 * (passes * offset.density(apart) * each).sum())


@dataclass(frozen=True)
class _Difference:
    """Difference of two independent vectors of the plane that have one isotropic distribution.

    Parameters
    ----------
    distribution : {"normal", "bounded"}
        Of each vector.
    size : float
        Normal: standard deviation of each component. Bounded: radius of a disc, uniformly filled.
    """

    distribution: str
    size: float

    @property
    def reach(self) -> float:
        """Largest length of the difference."""
        return 2.0 * self.size if self.distribution == "bounded" else _END * sqrt(2.0) * self.size

    def density(self, length: Floats) -> Floats:
        """Return the density [1 / unit^2] of the difference where it has lengths above zero up to its reach.

        Of discs the area that two of them, so far apart, have in common, over the square of that of one.
        """
        if self.distribution == "normal":
            return np.exp(-0.25 * (length / self.size) ** 2) / (4.0 * pi * self.size**2)
        half = np.minimum(length / self.reach, 1.0)
        common = np.arccos(half) - half * np.sqrt((1.0 - half) * (1.0 + half))
        density: Floats = 2.0 / (pi * self.size) ** 2 * common
        return density


def _under_stairs(x: Floats) -> Floats:
    """Return the integral of floor(x) from 0."""
    step = np.floor(x)
    return step * (x - 0.5 * (step + 1.0))


def _across(difference: _Difference, bodies_km: float) -> tuple[Floats, Floats]:
    """Return speeds v across the track over n [km], and the weights of the density q(w = 0, v) dv on them [1/km]."""
    if difference.size == 0.0:
        return np.zeros(1), np.full(1, 2.0 / (pi * bodies_km))
    nodes, weights = _unit_rule()
    speed = difference.reach * nodes
    # half a body, or the half of it that departures reach to; w = width sin(angle) has no edge where the body ends
    width = np.minimum(bodies_km, np.sqrt(difference.reach**2 - speed**2))[:, None]
    angle = 0.5 * pi * nodes
    w = width * np.sin(angle)
    body = 2.0 / (pi * bodies_km) * np.sqrt(1.0 - (w / bodies_km) ** 2)
    density = (body * difference.density(np.hypot(w, speed[:, None])) * width * np.cos(angle)) @ (0.5 * pi * weights)
    # both signs of w and of v
    return speed, 4.0 * difference.reach * weights * density


def _mean_speed(apart: Floats, swing: _Difference, across: tuple[Floats, Floats]) -> Floats:
    """Return the integral of f q sqrt(Y^2 + da^2 / 4 + v^2) over Y and v at differences da of the mean radii [1/km]."""
    nodes, weights = _unit_rule()
    longest = np.sqrt(swing.reach**2 - apart**2)[:, None]
    y = longest * nodes
    speed, weight = across
    fast = np.sqrt((y**2 + 0.25 * apart[:, None] ** 2)[..., None] + speed**2) @ weight
    # both signs of Y
    mean: Floats = 2.0 * longest[:, 0] * ((swing.density(np.hypot(apart[:, None], y)) * fast) @ weights)
    return mean


@cache
def _unit_rule() -> tuple[Floats, Floats]:
    """Return nodes and weights of the Gauss-Legendre rule on [0, 1]."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return 0.5 * (nodes + 1.0), 0.5 * weights
