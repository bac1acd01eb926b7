"""Kinetic theory: an estimate of rates that knows nothing of nodes and phases.

Flux is density times relative speed times cross-section, with the density in radius and latitude of the actual orbits:
the arcsine law of latitude for a phase at random (D. J. Kessler 1981, Icarus 48, 39-48), and the radius that each orbit
has there at the times of the span. A perigee is spread evenly only as far as it circulates: the densities that assume
it are wrong by orders of magnitude for frozen shells.

It holds where the nodes of the two orbits are at random against each other, which `nodes_at_random` says.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.approaches.asked import require_same_nodes, require_whole_planes, thresholds_of
from shells.approaches.averages import kernels
from shells.approaches.averages.spread import no_departures, tabulate
from shells.approaches.trains import trains_of
from shells.constants import YEAR
from shells.errors import Faults
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.propagation import element_array, field_of
from shells.schema import ORBITS, RATES

Floats = NDArray[np.float64]

#: What an orbit at the equator is taken to be inclined by [rad].
_LEAST_INCLINATION = 1e-7

#: Instants through the span and points over latitude of the quadrature.
_INSTANTS, _LATITUDES = 257, 64


def kinetic_rates(
    orbits: xr.Dataset,
    others: xr.Dataset,
    *,
    within_km: Sequence[float],
    difference: RadiusDifference | None = None,
) -> xr.Dataset:
    """Return rates of approaches by kinetic theory.

    Parameters
    ----------
    orbits : Orbits (object, time)
        A fleet, whose planes are trains.
    others : Orbits (object, time)
        The other side on the same nodes; the fleet itself for its planes against each other.
    within_km : sequence of float
        Thresholds, in any order [km].
    difference : RadiusDifference, optional
        Departures of the radius difference of two objects from that of their mean orbits; none by default.

    Returns
    -------
    Rates (object, plane, within_km)
        Expected entries into the distance per year, of all satellites of a plane together with each object, while both
        are up. `nodes_at_random` says where the nodes turn by a full circle or more against each other within the span:
        elsewhere the rate is that of nodes which are not known, not of those of these orbits.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        No threshold or one not positive, different nodes, no satellites or some without a plane, planes that are not
        one train, all at once; orbits of both sides at the equator.
    """
    for side in (orbits, others):
        ORBITS.check(side, stage="kinetic_rates")
    orbits = orbits.compute(scheduler="threads")
    trains = trains_of(orbits)
    faults = Faults("kinetic_rates")
    distances = thresholds_of(faults, within_km)
    require_whole_planes(faults, orbits["plane"].values[trains.leaders])
    require_same_nodes(faults, orbits, others)
    faults.raise_if_any()
    nodes = np.unique(np.linspace(0, orbits.sizes["time"] - 1, _INSTANTS).astype(np.int64))
    planes = element_array(orbits.isel(object=trains.leaders, time=nodes))
    objects = element_array(others.isel(time=nodes).compute(scheduler="threads"))
    # at the equator, where latitude does not vary, as next to it
    flat = [(np.sin(elements[..., 3]) < _LEAST_INCLINATION).any(axis=1) for elements in (planes, objects)]
    faults.require(
        not (flat[0].any() and flat[1].any()),
        f"planes {orbits['plane'].values[trains.leaders[flat[0]]].tolist()} and objects "
        f"{others['object'].values[flat[1]].tolist()} at the equator; expected one side inclined",
    )
    faults.raise_if_any()
    for elements in (planes, objects):
        elements[..., 3] = np.clip(elements[..., 3], _LEAST_INCLINATION, np.pi - _LEAST_INCLINATION)
    field, spread = field_of(orbits, others), tabulate(difference or no_departures())
    rate = np.zeros((len(objects), len(planes), distances.size))
    random = np.zeros(rate.shape[:2], dtype=bool)
    for row, second in enumerate(objects):
        for column, first in enumerate(planes):
            up = int(np.isfinite(first[:, 0] + second[:, 0]).sum())
            if up < 2:
                continue
            kernels.kinetic(first[:up], second[:up], distances, _LATITUDES, spread, field, rate[row, column])
            rate[row, column] *= trains.sizes[column] * (up - 1) / (nodes.size - 1) * YEAR.value
            turn = np.ptp(first[:up, 4] - second[:up, 4])
            random[row, column] = turn >= 2.0 * np.pi
    return RATES.build(
        {
            "object": others["object"].values,
            "plane": orbits["plane"].values[trains.leaders],
            "within_km": distances,
            "rate": rate,
            "nodes_at_random": random,
        },
        dims=("object", "plane", "within_km"),
    )
