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

Meanwhile the plane of the faulty satellite parts from that of the others, for its node moves at another rate by its da
(with a^-7/2): at the k-th pass, whatever the offset, by (7 / 3) k spacing sin(i) times the rate of the node over n,
across the track. That is a fixed length in the departure of the one plane from the other, on top of the tolerances, and
keeps planes far from polar apart.

Not counted: the way back to the slot after the fault, which may meet the same neighbours again; two satellites of a
plane in faults at once; that satellites are not in the middle of their slots, and that tolerances, which are part of da
here, do not drift for as long as the offset.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import pi, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import special

from shells.constants import DAY, GRAVITATIONAL_PARAMETER
from shells.fleet.radius_difference import radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances

Floats = NDArray[np.float64]

#: Cells of the offset, and Gauss-Legendre nodes of each of the other integrals: 1e-4 of the result at most.
_CELLS, _NODES = 512, 32

#: Passes that are computed, the first ones and fewer and fewer of the later; those between lie on straight lines. The
#: later of very many are counted in groups.
_PASSES, _GROUPS = 48, 4096

#: Lengths across the track up to so many times the bodies have nodes of their own.
_NEAR_BODIES = 8.0

#: Where a normal departure is taken to end [standard deviations]: exp(-32) lies beyond.
_END = 8.0


def collisions_in_own_planes(
    tolerances: Tolerances,
    faults: ControlFaults,
    *,
    planes: int,
    satellites: int,
    radius_km: float,
    bodies_km: float,
    inclination_deg: float,
    node_rate_deg_per_day: float,
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
    inclination_deg, node_rate_deg_per_day : float
        Inclination of the planes, and rate of their nodes [deg], [deg/day].

    Returns
    -------
    float
        Of the whole fleet [1/year], without avoidance.
    """
    per_year = planes * satellites * faults.per_satellite_year
    return per_year * collisions_of_fault(
        tolerances,
        faults,
        satellites=satellites,
        radius_km=radius_km,
        bodies_km=bodies_km,
        inclination_deg=inclination_deg,
        node_rate_deg_per_day=node_rate_deg_per_day,
    )


def collisions_of_fault(
    tolerances: Tolerances,
    faults: ControlFaults,
    *,
    satellites: int,
    radius_km: float,
    bodies_km: float,
    inclination_deg: float,
    node_rate_deg_per_day: float,
) -> float:
    """Return the expected collisions of one fault with the other satellites of the plane; see the module.

    Parameters
    ----------
    tolerances, faults, satellites, radius_km, bodies_km, inclination_deg, node_rate_deg_per_day
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
    apart = 0.5 * first * (edges[1:] + edges[:-1])
    parting = 7.0 / 3.0 * spacing * sin(radians(inclination_deg)) * radians(node_rate_deg_per_day) / DAY.value / motion
    planes = _Difference(tolerances.distribution, tolerances.cross_track_km)
    last = int(edges[-1])
    borders = np.arange(1, last + 2)
    if last > _GROUPS:
        borders = np.unique(np.geomspace(1, last + 1, _GROUPS).round().astype(np.int64))
    passes = 0.5 * (borders[:-1] + borders[1:] - 1.0)
    count = np.diff(borders) - np.diff((borders - 1) // satellites)  # every S-th is the own slot
    computed = np.unique(np.geomspace(1, last, _PASSES).round().astype(np.int64))
    speeds = [_mean_speed(apart, swing, _across(planes, abs(parting) * k, bodies_km)) for k in computed.tolist()]
    speed = np.array([np.interp(passes, computed, of_pass) for of_pass in np.transpose(speeds)])
    # offsets that reach a neighbour, in the cell where they begin too
    width = first * np.clip(edges[1:, None] - np.maximum(edges[:-1, None], passes), 0.0, None)
    found = float((count * width * speed * (offset.density(apart) / apart)[:, None]).sum())
    return 2.0 * pi * bodies_km**2 / 1.5 * found  # offsets of both signs


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
        """Return the density [1 / unit^2] of the difference where it has lengths up to its reach.

        Of discs the area that two of them, so far apart, have in common, over the square of that of one.
        """
        if self.distribution == "normal":
            return np.exp(-0.25 * (length / self.size) ** 2) / (4.0 * pi * self.size**2)
        half = np.minimum(length / self.reach, 1.0)
        common = np.arccos(half) - half * np.sqrt((1.0 - half) * (1.0 + half))
        density: Floats = 2.0 / (pi * self.size) ** 2 * common
        return density


def _across(difference: _Difference, parting_km: float, bodies_km: float) -> tuple[Floats, Floats]:
    """Return speeds v across the track over n [km], and the weights of the density q(w = 0, v) dv on them [1/km].

    The departure of the two planes is a vector of some length, `parting_km` and a difference together, which turns
    evenly; where bodies touch, it is across the radius.
    """
    if difference.size == 0.0:
        length, weight = np.array([parting_km]), np.ones(1)
    else:
        nodes, weights = _unit_rule()
        low, high = max(0.0, parting_km - difference.reach), parting_km + difference.reach
        edges = np.array([low, min(low + _NEAR_BODIES * bodies_km, high), high])
        length = (edges[:-1, None] + np.diff(edges)[:, None] * nodes).ravel()
        # directions from the parting that the difference reaches to, both ways
        widest = np.full(length.shape, pi)
        if parting_km > 0.0:
            cosine = (length**2 + parting_km**2 - difference.reach**2) / (2.0 * length * parting_km)
            widest = np.arccos(np.clip(cosine, -1.0, 1.0))
        angle = widest[:, None] * nodes
        away = np.sqrt(
            (length[:, None] - parting_km) ** 2 + 4.0 * (length * parting_km)[:, None] * np.sin(angle / 2) ** 2
        )
        density = 2.0 * widest * (difference.density(away) @ weights)
        weight = (np.diff(edges)[:, None] * weights).ravel() * length * density
    # of the bodies, of mean square w = R^2 / 4
    return np.sqrt(np.maximum(length**2 - 0.25 * bodies_km**2, 0.0)), weight * _touching(length / bodies_km) / bodies_km


def _touching(length: Floats) -> Floats:
    """Return the density at w = 0 of the bodies and a vector of some length that turns evenly, both over their radius.

    The mean over the angle t of (2 / pi) sqrt(1 - length^2 cos^2 t), where that is real: complete elliptic integrals of
    I. S. Gradshteyn and I. M. Ryzhik, Table of Integrals, Series, and Products, 8.11. 1 / (pi length) of long ones.
    """
    long = np.maximum(length, 1.0 + 1e-12)  # at 1 the second integral is infinite, times nothing
    beyond = long * (special.ellipe(long**-2) - (1.0 - long**-2) * special.ellipk(long**-2))
    beyond = np.where(long > 1e3, 0.25 * pi / long, beyond)  # the two would cancel
    return (2.0 / pi) ** 2 * np.where(length < 1.0, special.ellipe(np.minimum(length, 1.0) ** 2), beyond)


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
