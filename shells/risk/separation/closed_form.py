"""The closed form: collisions of shells as circles that cross, and the separation that a target asks for.

Of two planes of N satellites each on circles of radius a, with a crossing angle I and radii that differ by x at their
node,

    collisions a second = N^2 n / (pi^2 a cos(I / 2)) integral over |x| < R of sqrt(R^2 - x^2) p(x) dx,

half of it at each of the two nodes; n [rad/s] is the mean motion and R the sum of the hard-body radii. Averaged over
crossing angles it is N1 N2 (2 n / pi a) <1 / cos(beta / 2)> integral sqrt(R^2 - x^2) p dx with n in revolutions (E. J.
Opik 1951, Proc. R. Irish Acad. 54A, 165, for two circles). p(x) is that of the departures about the gap that the
surfaces leave. The ripple is a sine over a day as large as its largest; under normal departures that it is small
against, one more normal term with its RMS is nearer to the truth. Both are too careful, so the smaller number counts.
The separation is about five standard deviations of the combined radial scatter for a normal tail, and no more than the
support for a bounded one, where control faults take over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells import constants
from shells.errors import Faults
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.risk.separation.solving import least_step
from shells.risk.separation.states import State, contact, narrowest_km, states_of

Floats = NDArray[np.float64]

#: Nodes over the hard bodies and over the sine of the ripple, by Gauss-Chebyshev rules.
_NODES = 16


@dataclass(frozen=True)
class Shells:
    """Pairs of shells as the closed form sees them.

    Parameters
    ----------
    satellites : int
        Of each plane.
    radius_km : float
        Mean radius of the stack [km].
    bodies_km : float
        Sum of the hard-body radii of two satellites [km].
    crossing_angle_deg : ndarray, shape (pairs,)
        Angle between the two planes [deg], more than 0 and less than 180.
    steps : ndarray, shape (pairs,)
        How many steps apart in mean radius the two are.
    taken_km : ndarray, shape (pairs, 2)
        What the surfaces take of the difference of mean radii at each node [km]; negative where they add to it.
    ripple_km, largest_ripple_km : ndarray, shape (pairs, 2)
        Difference of the ripple of the two satellites there: RMS, and the most by which it brings them together [km].
    """

    satellites: int
    radius_km: float
    bodies_km: float
    crossing_angle_deg: Floats
    steps: Floats
    taken_km: Floats
    ripple_km: Floats
    largest_ripple_km: Floats

    @classmethod
    def of(
        cls,
        *,
        satellites: int,
        radius_km: float,
        hard_body_radius_m: float,
        crossing_angle_deg: ArrayLike,
        steps: ArrayLike = 1.0,
        taken_km: ArrayLike = 0.0,
        ripple_km: ArrayLike = 0.0,
        largest_ripple_km: ArrayLike = 0.0,
    ) -> Shells:
        """Return pairs from numbers that may be the same for all pairs and nodes.

        Parameters
        ----------
        satellites, radius_km, crossing_angle_deg, steps, taken_km, ripple_km, largest_ripple_km
            The fields; one number, one a pair, or one a pair and node.
        hard_body_radius_m : float
            Of each satellite [m].

        Returns
        -------
        Shells

        Raises
        ------
        InputError
            No satellites, a radius or body that is none, planes that do not cross; all faults at once.
        """
        angle = np.atleast_1d(np.asarray(crossing_angle_deg, dtype=np.float64))
        faults = Faults("Shells.of")
        faults.require(satellites > 0, f"satellites {satellites}; expected more than zero")
        faults.require(0.0 < radius_km < np.inf, f"radius_km {radius_km}; expected more than zero")
        faults.require(
            0.0 < hard_body_radius_m < np.inf, f"hard_body_radius_m {hard_body_radius_m}; expected more than zero"
        )
        faults.require(
            bool(((angle > 0.0) & (angle < 180.0)).all()),
            f"crossing_angle_deg {angle.tolist()}; expected more than 0 and less than 180",
        )
        faults.raise_if_any()

        def at_nodes(value: ArrayLike) -> Floats:
            found = np.asarray(value, dtype=np.float64)
            return np.broadcast_to(found[..., None] if found.ndim == 1 else found, (angle.size, 2))

        return cls(
            satellites,
            radius_km,
            2.0 * hard_body_radius_m / 1000.0,
            angle,
            np.broadcast_to(np.asarray(steps, dtype=np.float64), angle.shape),
            at_nodes(taken_km),
            at_nodes(ripple_km),
            at_nodes(largest_ripple_km),
        )

    @property
    def most_taken_km(self) -> Floats:
        """Largest of what surfaces and ripple take at the two nodes, zero at least, shape (pairs,) [km]."""
        taken: Floats = (self.taken_km + np.maximum(self.largest_ripple_km, 0.0)).max(axis=-1)
        return np.maximum(taken, 0.0)

    def collisions(self, separation_km: Floats, states: Sequence[State]) -> Floats:
        """Return expected collisions.

        Parameters
        ----------
        separation_km : ndarray, shape (pairs,)
            Difference of the mean radii of each pair [km].
        states : sequence of State
            Of control.

        Returns
        -------
        ndarray, shape (pairs,)
            Of all satellites of a pair, weighted with the shares of the states [1/year].
        """
        motion = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / self.radius_km**3)
        each = self.satellites**2 * motion / (np.pi**2 * self.radius_km) * constants.YEAR.value
        per_node = 0.5 * each / np.cos(np.radians(0.5 * self.crossing_angle_deg))
        gap = separation_km[:, None] - self.taken_km
        density = np.zeros(gap.shape)
        for state in states:
            density += state.share * self._density(gap, state)
        found: Floats = per_node * 0.5 * np.pi * self.bodies_km**2 * density.sum(axis=1)
        return found

    def _density(self, gap_km: Floats, state: State) -> Floats:
        """Return the density of contact at the nodes [1/km]."""
        sine = self.largest_ripple_km[..., None] * np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
        density: Floats = contact(state.difference, self.bodies_km).density(gap_km[..., None] - sine).mean(axis=-1)
        if state.difference.bounded_support_km > 0.0 or state.difference.is_point:
            return density
        sigma = np.hypot(state.difference.normal_km, self.ripple_km)[..., None]
        # the half ellipse of the bodies by the Gauss-Chebyshev rule of the second kind
        angle = np.pi * np.arange(1, _NODES + 1) / (_NODES + 1)
        weight = 2.0 * np.sin(angle) ** 2 / (_NODES + 1)
        z = (gap_km[..., None] - self.bodies_km * np.cos(angle)) / sigma
        normal = (np.exp(-0.5 * z**2) * weight / (sigma * np.sqrt(2.0 * np.pi))).sum(axis=-1)
        return np.where(density < normal, density, normal)


def collisions_for(
    step_km: float, shells: Shells, tolerances: Tolerances, faults: ControlFaults | None = None
) -> tuple[float, float]:
    """Return the expected collisions of a stack in closed form.

    Parameters
    ----------
    step_km : float
        Difference of mean radius between neighbouring shells [km].
    shells : Shells
        The pairs of planes.
    tolerances : Tolerances
        Of every satellite.
    faults : ControlFaults, optional
        None by default.

    Returns
    -------
    control, fault : float
        Expected collisions a year of all pairs: inside the tolerances, and with a satellite in a control fault.
    """
    states = states_of(tolerances, faults or ControlFaults(0.0), shells.radius_km)
    separation = step_km * shells.steps
    control, fault = (
        float(shells.collisions(separation, [state for state in states if state.fault == wanted]).sum())
        for wanted in (False, True)
    )
    return control, fault


def separation_for(
    target_per_year: float, shells: Shells, tolerances: Tolerances, faults: ControlFaults | None = None
) -> float:
    """Return the step that a target asks for in closed form.

    Parameters
    ----------
    target_per_year : float
        Expected collisions a year of all pairs together, without avoidance.
    shells : Shells
        The pairs of planes.
    tolerances : Tolerances
        Of every satellite.
    faults : ControlFaults, optional
        None by default.

    Returns
    -------
    float
        Smallest step [km] from which on the closed form meets the target; 0 where it does at any step, NaN where at
        none up to 1,000 km.

    Raises
    ------
    InputError
        A target that is not above zero, no pair of shells that a step takes apart.
    """
    checks = Faults("separation_for")
    checks.require(0.0 < target_per_year < np.inf, f"target_per_year {target_per_year}; expected more than zero")
    checks.require(bool((shells.steps > 0.0).any()), "steps: none above zero; expected pairs that a step takes apart")
    checks.raise_if_any()
    states = states_of(tolerances, faults or ControlFaults(0.0), shells.radius_km)
    return least_step(
        lambda step: float(shells.collisions(step * shells.steps, states).sum()),
        target_per_year,
        steps=shells.steps,
        from_km=shells.most_taken_km,
        width_km=narrowest_km(states, shells.bodies_km),
    )
