"""Phase-averaged rates: expected approaches per year, from kilometres down to hard-body radii.

For each passage of a mutual node the unknown phase is integrated over instead of tested: with p(x) the density of the
radius difference at the node and trains passing at f_A and f_B per second, expected approaches within d per second
and node are

``f_A f_B  integral over |x| < d / c of  p(x) 2 sqrt(d^2 - c^2 x^2) / v_perp dx``

(package methods; averaged over perigee and for small d this is E. J. Opik 1951, Proc. R. Irish Acad. 54A, 165). It
holds only where the relative phase of the two trains really drifts; planes held in phase are a fixed geometry and
are marked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches import kernels
from shells.approaches.trains import Trains, trains_of
from shells.errors import Faults
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.propagation import field_of, node_clock
from shells.schema import ORBITS, RATES

Floats = NDArray[np.float64]

#: Most nodes of the quadrature over x; the substitution x = middle + half sin t makes the rule converge exponentially.
_QUADRATURE = 128

#: Nodes that resolve a normal density: so many, and so many more for each standard deviation of the half range, more so
#: the farther out in the tail, where the density falls by exp(-gap / sigma) in one standard deviation.
_NODES, _NODES_PER_SIGMA = 5, 8

#: Beyond so many standard deviations a normal density is below the smallest double.
_FAR = 38.6

#: Geometry of two planes of one fleet is sampled this often [day]; it drifts over months.
_SAMPLE_DAYS = 30.0


def expected_chord(difference: RadiusDifference, gap_km: Floats, c: Floats, distance_km: float) -> Floats:
    """Return the mean of 2 sqrt(d^2 - c^2 x^2) over the radius difference, zero beyond the root.

    Parameters
    ----------
    difference : RadiusDifference
        Distribution of x about the gap.
    gap_km, c : ndarray, same shape
        Gap of the two reference orbits at the node [km], c factor [1].
    distance_km : float
        Threshold d [km].

    Returns
    -------
    ndarray, same shape
        [km]; exactly zero where the support does not reach the threshold, and true in relative terms in normal tails.
    """
    if difference.is_point:
        return 2.0 * np.sqrt(np.maximum(distance_km**2 - (c * gap_km) ** 2, 0.0))
    reach = difference.bounded_support_km + _FAR * difference.normal_km
    low = np.maximum(-distance_km / c, gap_km - reach)
    high = np.minimum(distance_km / c, gap_km + reach)
    half = 0.5 * np.maximum(high - low, 0.0)
    nodes = _QUADRATURE
    if difference.normal_km > 0.0:
        sigmas = half.max(initial=0.0) / difference.normal_km
        steepness = min(_FAR, np.abs(gap_km).max(initial=0.0) / difference.normal_km) / 4.0
        nodes = min(nodes, int(_NODES + _NODES_PER_SIGMA * sigmas * max(1.0, steepness)))
    angles = (np.arange(nodes) + 0.5) / nodes * np.pi - 0.5 * np.pi
    x = 0.5 * (low + high)[..., None] + half[..., None] * np.sin(angles)
    root = np.sqrt(np.maximum(distance_km**2 - (c[..., None] * x) ** 2, 0.0))
    weight = half[..., None] * np.cos(angles) * np.pi / nodes
    chord: Floats = (2.0 * root * difference.density(x - gap_km[..., None]) * weight).sum(axis=-1)
    return chord


@dataclass(frozen=True)
class Crossings:
    """Geometry at the mutual nodes of all pairs of trains of one fleet, sampled in time.

    Parameters
    ----------
    pairs : ndarray, shape (pairs, 2)
        Numbers of the trains.
    gap, c, v_perp : ndarray, shape (pairs, instants, 2)
        Gap of the reference orbits at both nodes [km], c factor [1], v_perp [km/s].
    passages : ndarray, shape (pairs,)
        Product of the passages per second of both trains [s-2].
    locked : ndarray, shape (pairs,)
        Whether the relative phase drifts by less than one slot over the span.
    crossing : ndarray, shape (pairs,)
        Whether the linear picture at the node holds at all instants.
    """

    pairs: NDArray[np.int64]
    gap: Floats
    c: Floats
    v_perp: Floats
    passages: Floats
    locked: NDArray[np.bool_]
    crossing: NDArray[np.bool_]


def crossings_of(orbits: xr.Dataset, trains: Trains, *, within_km: float, slots: int | None = None) -> Crossings:
    """Return the geometry at the mutual nodes of all pairs of trains.

    Parameters
    ----------
    orbits : Orbits (object, time)
    trains : Trains
        Of these orbits.
    within_km : float
        Largest threshold that is asked of the geometry [km].
    slots : int, optional
        Satellites of each plane, where the orbits hold only one of them; by default those of the trains.

    Returns
    -------
    Crossings
    """
    _, spacing, count = node_clock(orbits)
    span = spacing * (count - 1)
    number = trains.leaders.size
    pairs = np.array([(a, b) for a in range(number) for b in range(a + 1, number)], dtype=np.int64).reshape(-1, 2)
    instants = np.linspace(0.0, span, max(2, int(np.ceil(span / (_SAMPLE_DAYS * constants.DAY.value))) + 1))
    geometry = np.full((len(pairs), instants.size, 2, kernels.FIELDS), np.nan)
    sines = np.empty((len(pairs), instants.size))
    field = field_of(orbits)
    kernels.crossings(trains.arrays(), trains.arrays(), pairs, instants, spacing, within_km, field, geometry, sines)

    lead = trains.leaders[pairs]
    phase = trains.values[lead, -1, 5] - trains.values[lead, 0, 5]
    pace = phase / span
    sizes = trains.sizes[pairs]
    most = sizes.max(axis=1) if slots is None else slots
    return Crossings(
        pairs,
        geometry[..., kernels.X],
        geometry[..., kernels.C],
        geometry[..., kernels.V_PERP],
        (sizes * pace).prod(axis=1) / (2.0 * np.pi) ** 2,
        np.abs(phase[:, 0] - phase[:, 1]) < (2.0 * np.pi) / most,
        (sines > within_km / (kernels.REACH * trains.values[lead, 0, 0].min(axis=1))[:, None]).all(axis=1),
    )


def rates_between_planes(crossings: Crossings, difference: RadiusDifference, within_km: Sequence[float]) -> Floats:
    """Return the expected approaches per year of each pair of trains.

    Parameters
    ----------
    crossings : Crossings
    difference : RadiusDifference
        Of two satellites, about the gap.
    within_km : sequence of float
        Thresholds [km].

    Returns
    -------
    ndarray, shape (pairs, thresholds)
        [1/year]; zero for pairs that do not cross (in one plane), which are a fixed geometry.
    """
    per_year = crossings.passages[:, None, None] * constants.YEAR.value / crossings.v_perp
    rates = np.empty((len(crossings.pairs), len(within_km)))
    for j, distance in enumerate(within_km):
        chord = expected_chord(difference, crossings.gap, crossings.c, distance)
        # trapezium in time, sum over both nodes
        averaged = 0.5 * (per_year * chord)[:, 1:] + 0.5 * (per_year * chord)[:, :-1]
        rates[:, j] = averaged.mean(axis=1).sum(axis=1)
    rates[~crossings.crossing] = 0.0
    return rates


def approach_rates(
    orbits: xr.Dataset,
    others: xr.Dataset | None = None,
    *,
    within_km: Sequence[float],
    difference: RadiusDifference | None = None,
) -> xr.Dataset:
    """Return phase-averaged rates of approaches.

    Parameters
    ----------
    orbits : Orbits (object, time)
        A fleet, whose planes are trains.
    others : Orbits (object, time), optional
        The other side (debris, a neighbour) on the same nodes; left out, the planes of the fleet against each other.
    within_km : sequence of float
        Thresholds, in any order [km].
    difference : RadiusDifference, optional
        Departures of two satellites of the fleet from their reference orbits, see `radius_difference`; none by default.
        Against others the drift of the geometry outweighs them and they are left out.

    Returns
    -------
    Rates (plane, other_plane, within_km) or (object, plane, year, within_km)
        Expected approaches per year, of all satellites of a plane together. In the first form each pair of planes
        stands once, at plane < other_plane, with `phase_locked` where the average does not hold. Windows outside the
        linear picture, and those in which an object re-enters, count as no approaches; in the second form
        `skipped_windows` counts them.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        No threshold or one not positive, satellites without a plane, planes that are not one train, different nodes.
    """
    ORBITS.check(orbits, stage="approach_rates")
    if others is not None:
        ORBITS.check(others, stage="approach_rates")
        others = others.compute(scheduler="threads")
    orbits = orbits.compute(scheduler="threads")
    distances = np.sort(np.asarray(within_km, dtype=np.float64))
    trains = trains_of(orbits)
    planes = orbits["plane"].values[trains.leaders]
    faults = Faults("approach_rates")
    faults.require(
        distances.size > 0 and bool((distances > 0.0).all()), f"within_km {within_km}; expected thresholds > 0"
    )
    faults.require(
        bool((planes >= 0).all()) and np.unique(planes).size == planes.size,
        "satellites of a plane do not share one orbit, or have no plane; expected whole planes, as from `walker`, "
        "propagated without `control`: averages take departures from tolerances",
    )
    if others is not None:
        faults.require(
            np.array_equal(orbits["time"].values, others["time"].values),
            "the nodes of both sides differ; propagate both with the same start, years and node_days",
        )
    faults.raise_if_any()
    if others is None:
        return _between_planes(
            orbits, trains, planes, distances, difference or RadiusDifference(0.0, (0.0, 0.0), (0.0, 0.0))
        )
    return _against_others(orbits, others, trains, planes, distances)


def _between_planes(
    orbits: xr.Dataset, trains: Trains, planes: NDArray[np.int64], distances: Floats, difference: RadiusDifference
) -> xr.Dataset:
    crossings = crossings_of(orbits, trains, within_km=float(distances[-1]))
    rate = np.zeros((planes.size, planes.size, distances.size))
    locked = np.zeros((planes.size, planes.size), dtype=bool)
    rows, columns = crossings.pairs.T
    rate[rows, columns] = rates_between_planes(crossings, difference, distances.tolist())
    locked[rows, columns] = crossings.locked | ~crossings.crossing
    return RATES.build(
        {"plane": planes, "other_plane": planes, "within_km": distances, "rate": rate, "phase_locked": locked},
        dims=("plane", "other_plane", "within_km"),
    )


def _against_others(
    orbits: xr.Dataset, others: xr.Dataset, trains: Trains, planes: NDArray[np.int64], distances: Floats
) -> xr.Dataset:
    _, spacing, count = node_clock(orbits)
    second = trains_of(others)
    middles = (np.arange(count - 1) + 0.5) * spacing / constants.YEAR.value
    years = np.floor(middles).astype(np.int64)
    number = np.zeros((second.leaders.size, planes.size, years[-1] + 1, distances.size))
    skipped = np.zeros((second.leaders.size, planes.size), dtype=np.int64)
    field = field_of(orbits, others)
    kernels.average(trains.arrays(), second.arrays(), spacing, years, distances, field, number, skipped)
    length = np.bincount(years) * spacing / constants.YEAR.value
    rate = number / length[:, None]
    # a train of others counts for its members in equal parts
    sizes = second.sizes
    train_of_member = np.repeat(np.arange(sizes.size), sizes)
    by_object = np.empty((others.sizes["object"], *rate.shape[1:]))
    by_object[second.members] = (rate / sizes[:, None, None, None])[train_of_member]
    skipped_by_object = np.empty((others.sizes["object"], planes.size), dtype=np.int64)
    skipped_by_object[second.members] = skipped[train_of_member]
    return RATES.build(
        {
            "object": others["object"].values,
            "plane": planes,
            "year": np.arange(length.size),
            "within_km": distances,
            "rate": by_object,
            "skipped_windows": skipped_by_object,
        },
        dims=("object", "plane", "year", "within_km"),
    )


def total_rate(rates: xr.Dataset) -> xr.Dataset:
    """Add up rates over objects, with the standard error of resampling the objects.

    Parameters
    ----------
    rates : Rates (…, object, …)
        Rates of single objects.

    Returns
    -------
    Rates
        Without the dimension `object`. The standard error is that of the bootstrap over objects in the limit of many
        samples, sqrt(sum (x - mean)^2) (B. Efron 1979, Annals of Statistics 7, 1, section 2): objects that return again
        and again are one draw each.
    """
    rate = rates["rate"]
    mean = rate.mean("object")
    variance = ((rate - mean) ** 2).sum("object")
    dims = tuple(str(dim) for dim in rate.dims if dim != "object")
    coordinates = {dim: rates[dim].values for dim in dims}
    return RATES.build(
        {**coordinates, "rate": rate.sum("object").values, "standard_error": np.sqrt(variance.values)}, dims=dims
    )
