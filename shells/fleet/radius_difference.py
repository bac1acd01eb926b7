"""Probability density of the radius difference of two held satellites at their mutual node.

At a node each satellite is off its reference orbit by dr - r (de . n): its departure dr in mean radius and the
component of its departure in the eccentricity vector along the node. Two satellites depart independently, so the
difference is a sum of independent terms, symmetric about zero; the gap between the two reference orbits is added
by who asks.

Normal tolerances give a normal difference. Bounded ones give uniform terms (dead-bands, excursions) and two whose
density is a half ellipse (a uniformly filled disc seen edge on; E. Wigner 1955, Annals of Mathematics 62, 548-564): a
density of bounded support. Errors of orbit determination and of manoeuvres, and control faults, add normal terms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache, cached_property
from math import pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells.fleet.tolerances import ControlFaults, Tolerances

#: Cells over the support of a bounded difference.
_CELLS = 4096

#: exp(-45) is below the rounding of the rest of an integral of a log-concave density.
_NEGLIGIBLE_EXPONENT = 45.0

#: Gauss-Legendre panels and nodes of the convolution with a normal, and how many values of x are done at a time: 4 MB.
_PANELS, _NODES, _BLOCK = 64, 8, 1024


@dataclass(frozen=True)
class RadiusDifference:
    """Distribution of the radius difference x about the gap of the two reference orbits.

    Parameters
    ----------
    normal_km : float
        Standard deviation of the normal part [km], 0 for none.
    uniform_km : tuple of float
        Half widths of the uniform parts [km], 0 for none.
    ellipse_km : tuple of float
        Half widths of the half-ellipse parts [km], 0 for none.
    """

    normal_km: float
    uniform_km: tuple[float, ...]
    ellipse_km: tuple[float, ...]

    @property
    def is_point(self) -> bool:
        """Whether nothing departs: all probability lies at x = 0 and there is no density."""
        return self.normal_km == 0.0 and self.bounded_support_km == 0.0

    @property
    def bounded_support_km(self) -> float:
        """Half width of the support of the bounded part [km]."""
        return sum(self.uniform_km) + sum(self.ellipse_km)

    @property
    def support_km(self) -> float:
        """Largest possible absolute difference [km]: infinite with a normal part, 0 for a point."""
        return np.inf if self.normal_km else self.bounded_support_km

    @property
    def scale_km(self) -> float:
        """Standard deviation of the difference [km]."""
        uniform = sum(b**2 / 3.0 for b in self.uniform_km)
        ellipse = sum(r**2 / 4.0 for r in self.ellipse_km)
        return sqrt(self.normal_km**2 + uniform + ellipse)

    def density(self, x_km: ArrayLike) -> NDArray[np.float64]:
        """Return the probability density.

        Parameters
        ----------
        x_km : array_like
            Radius difference less the gap of the reference orbits [km].

        Returns
        -------
        ndarray
            Density [1/km]. Exactly zero outside the support. Of a point: infinite at 0, zero elsewhere.

        Notes
        -----
        One uniform, two uniform and one half-ellipse term are exact, and so is a normal part alone. Other bounded sums
        are computed once on 4096 cells: 1e-5 relative in the bulk, 1e-3 where 1/40 of the half width is left to the
        edge, and features narrower than 1/2048 of the support are smoothed to that width. With a normal part the
        convolution is a sum of positive terms, good to 1e-5 relative however far out.
        """
        x = np.asarray(x_km, dtype=np.float64)
        if self.is_point:
            return np.where(x == 0.0, np.inf, 0.0)
        if self.normal_km == 0.0:
            return self._bounded(x)
        if self.bounded_support_km == 0.0:
            return _normal(x / self.normal_km) / self.normal_km
        return self._spread(x.ravel()).reshape(x.shape)

    def _bounded(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        uniform, ellipse = _positive(self.uniform_km), _positive(self.ellipse_km)
        if not ellipse and len(uniform) <= 2:
            return _trapezium(x, uniform)
        if len(ellipse) == 1 and not uniform:
            return _half_ellipse(x, ellipse[0])
        nodes, density = self._table
        return np.interp(x, nodes, density, left=0.0, right=0.0)

    @cached_property
    def _table(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Nodes [km] and density [1/km] of the sum of all bounded terms; straight between nodes, 0 at both ends."""
        half = self.bounded_support_km
        cell = 2.0 * half / _CELLS
        masses = np.ones(1)
        # direct convolution of positive masses: a Fourier transform would leave noise where the density is small
        for width in _positive(self.uniform_km):
            masses = np.convolve(masses, _masses(_uniform_excess, width, cell))
        for width in _positive(self.ellipse_km):
            masses = np.convolve(masses, _masses(_ellipse_excess, width, cell))
        middle, inside = masses.size // 2, _CELLS // 2
        # the terms were spread over whole cells, which may reach past the support by a few
        masses = masses[middle - inside + 1 : middle + inside]
        density = np.concatenate([[0.0], masses / (masses.sum() * cell), [0.0]])
        return np.linspace(-half, half, _CELLS + 1), density

    def _spread(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the convolution of the bounded part with the normal part."""
        blocks = [self._convolve(np.abs(x[start : start + _BLOCK])) for start in range(0, x.size, _BLOCK)]
        return np.concatenate(blocks) if blocks else np.zeros(0)

    def _convolve(self, distance: NDArray[np.float64]) -> NDArray[np.float64]:
        lowest = (distance - self.bounded_support_km) / self.normal_km
        highest = (distance + self.bounded_support_km) / self.normal_km
        # the integrand is log-concave and no larger than its normal factor: what lies beyond can be left out
        cut = np.sqrt(np.maximum(lowest, 0.0) ** 2 + 2.0 * _NEGLIGIBLE_EXPONENT)
        low, high = np.maximum(lowest, -cut), np.minimum(highest, cut)
        positions, weights = _unit_rule()
        z = low[:, None] + (high - low)[:, None] * positions
        values = _normal(z) * self._bounded(distance[:, None] - self.normal_km * z)
        return (high - low) * (values @ weights)


def radius_difference(
    first: Tolerances,
    second: Tolerances,
    *,
    first_radius_km: float,
    second_radius_km: float,
    faults: ControlFaults | None = None,
    faulty: int = 1,
) -> RadiusDifference:
    """Return the distribution of the radius difference of two satellites at their mutual node.

    Parameters
    ----------
    first, second : Tolerances
        Of the two satellites, which depart independently.
    first_radius_km, second_radius_km : float
        Their mean radii [km]; a departure de of the eccentricity vector moves the radius by up to r de.
    faults : ControlFaults, optional
        Somebody is outside the tolerances, by the offset of these faults.
    faulty : int
        How many of the two are then outside, 1 or 2, independently.

    Returns
    -------
    RadiusDifference
        About the gap of the two reference orbits.
    """
    variance = faulty * faults.offset_km**2 if faults else 0.0
    uniform: list[float] = []
    ellipse: list[float] = []
    for own, radius_km in ((first, first_radius_km), (second, second_radius_km)):
        radial, swing = [own.mean_radius_m / 1000.0, own.excursion_km], radius_km * own.eccentricity
        variance += (own.orbit_determination_m**2 + own.manoeuvre_m**2) / 1e6
        if own.distribution == "normal":
            variance += sum(size**2 for size in radial) + swing**2
        else:
            uniform += radial
            ellipse.append(swing)
    return RadiusDifference(sqrt(variance), tuple(_positive(uniform)), tuple(_positive(ellipse)))


def _positive(widths: Iterable[float]) -> list[float]:
    return [width for width in widths if width > 0.0]


def _normal(z: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.exp(-0.5 * z**2) / sqrt(2.0 * pi)


def _trapezium(x: NDArray[np.float64], widths: list[float]) -> NDArray[np.float64]:
    """Return the density of one uniform term or of the sum of two."""
    wide = max(widths)
    if len(widths) == 1:
        return np.where(np.abs(x) <= wide, 0.5 / wide, 0.0)
    return np.clip((sum(widths) - np.abs(x)) / (4.0 * widths[0] * widths[1]), 0.0, 0.5 / wide)


def _half_ellipse(x: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Return the density of the projection of a uniformly filled disc of radius `width`."""
    return 2.0 / (pi * width) * np.sqrt(np.maximum(1.0 - (x / width) ** 2, 0.0))


def _uniform_excess(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return E[max(Y - t, 0)] for Y uniform on [-1, 1] and 0 <= t <= 1."""
    return 0.25 * (1.0 - t) ** 2


def _ellipse_excess(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return E[max(Y - t, 0)] for Y of half-ellipse density on [-1, 1] and 0 <= t <= 1."""
    root = np.sqrt((1.0 - t) * (1.0 + t))
    return (2.0 / pi) * (root**3 / 3.0 - 0.5 * t * (np.arccos(t) - t * root))


def _masses(
    excess: Callable[[NDArray[np.float64]], NDArray[np.float64]], width: float, cell: float
) -> NDArray[np.float64]:
    """Return the exact masses of a symmetric term on nodes `cell` apart, each cell shared linearly by its two nodes.

    The mass at node m is E[max(0, 1 - |Y / cell - m|)]: the second difference of E[max(Y - x, 0)], whose straight part
    max(-x, 0) gives one unit at m = 0.
    """
    reach = int(np.ceil(width / cell)) + 1
    nodes = np.abs(np.arange(-reach, reach + 1)) * (cell / width)
    height = excess(np.minimum(nodes, 1.0)) * (width / cell)
    masses = np.diff(height, n=2)
    masses[reach - 1] += 1.0
    return np.maximum(masses, 0.0)


@cache
def _unit_rule() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes and weights of a composite Gauss-Legendre rule on [0, 1]."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    starts = np.arange(_PANELS)[:, None]
    return ((starts + 0.5 * (nodes + 1.0)) / _PANELS).ravel(), np.tile(0.5 * weights / _PANELS, _PANELS)
