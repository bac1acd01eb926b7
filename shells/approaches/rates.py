"""Phase-averaged rates: expected approaches per year, from kilometres down to hard-body radii.

For each passage of a mutual node the unknown phase is integrated over instead of tested: with p(x) the density of the
radius difference at the node and trains passing at f_A and f_B per second, expected approaches within d per second
and node are

``f_A f_B  integral over |x| < d / c of  p(x) 2 sqrt(d^2 - c^2 x^2) / v_perp dx``

(package methods; averaged over perigee and for small d this is E. J. Opik 1951, Proc. R. Irish Acad. 54A, 165). Where
the encounter is no longer short against the orbit (planes nearly one or opposed, large thresholds) the relative
motion of the two orbits over both phases takes its place, threshold by threshold: see `averages.kernels`. It counts
entries into the distance, so that an approach that lasts for some revolutions counts once.

The average holds only where the relative phase of the two trains really drifts. Pairs of planes whose phases drift by
less than a slot over the span are a fixed geometry, are marked, and are counted with their phases as they are: there
every minimum of distance counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.asked import require_same_nodes, require_whole_planes, thresholds_of
from shells.approaches.averages.against import Averager
from shells.approaches.averages.bands import Bands, bands_of
from shells.approaches.averages.between import numbers_between_planes, years_of
from shells.approaches.averages.spread import no_departures, tabulate
from shells.approaches.trains import Trains, trains_of
from shells.errors import Faults
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.propagation import node_clock
from shells.schema import ORBITS, RATE_DIMS, RATES

Floats = NDArray[np.float64]

#: What rates of a fleet against itself and against others may be kept apart by.
AMONG_ITSELF = ("plane", "other_plane", "year", "altitude_band", "latitude_band")
AGAINST_OTHERS = ("object", "plane", "kind", "year", "altitude_band", "latitude_band")

#: How often objects are drawn anew for standard errors, which are then true to one part in 16.
DRAWS = 128

#: Most numbers that resampled rates may fill [byte].
_LARGEST_BYTES = 2_000_000_000


def approach_rates(
    orbits: xr.Dataset,
    others: xr.Dataset | None = None,
    *,
    within_km: Sequence[float],
    by: Sequence[str] | None = None,
    difference: RadiusDifference | None = None,
    satellites: int | None = None,
    altitude_step_km: float = 25.0,
    latitude_step_deg: float = 10.0,
) -> xr.Dataset:
    """Return phase-averaged rates of approaches.

    Parameters
    ----------
    orbits : Orbits (object, time)
        A fleet, whose planes are trains.
    others : Orbits (object, time), optional
        The other side (debris, a neighbour) on the same nodes, taken chunk by chunk; left out, the planes of the fleet
        against each other.
    within_km : sequence of float
        Thresholds, from hard bodies to tens of kilometres, in any order [km].
    by : sequence of str, optional
        What is kept apart, in any order; the rest is added up. Without others: plane, other_plane, year, altitude_band,
        latitude_band, by default the two planes. Against others: object or kind, plane, year, altitude_band,
        latitude_band, by default plane, kind and year.
    difference : RadiusDifference, optional
        Departures of the radius difference of two objects from that of their mean orbits, see `radius_difference` and
        `with_uncertainty`; none by default.
    satellites : int, optional
        Satellites of each plane, evenly spaced, where the orbits hold only one of them: a plane moves as a whole.
    altitude_step_km, latitude_step_deg : float
        Widths of the bands [km], [deg].

    Returns
    -------
    Rates (the dimensions asked for, within_km)
        Expected approaches per year, of all satellites of a plane together; of a fleet against itself each pair of
        planes stands once, at plane < other_plane, and satellites of one plane on the diagonal. `phase_locked` says
        which pairs of planes keep their phases, whose rates are those of the phases as they are. Against others
        `standard_error` is that of drawing the objects anew (B. Efron 1979, Annals of Statistics 7, 1), and
        `resampled_rate` carries the draws through sums, see `total_rate`; rates of single objects have none.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        No threshold or one not positive, no satellites or some without a plane, planes that are not one train,
        different nodes, unknown dimensions, bands of no width, all faults at once; an object on both sides.

    Notes
    -----
    Of a fleet against itself each gap is followed as it bends, and rates of one pair of planes are true to some tenths
    of a per cent, far out in a normal tail too.

    The nodes and the mean ellipses of others are followed through windows in which gaps that come within reach drift
    evenly to 0.5 km and crossing angles change by a fifth at most. Rates of one pair are true to some tenths of a per
    cent where gaps pass through the threshold without departures, to some per cent while an orbit decays or in the tail
    of departures, and those of many pairs, whose errors have no common sign, to less than that; approaches that begin
    or end all at once do so within a window, at most from one node in time to the next.
    """
    ORBITS.check(orbits, stage="approach_rates")
    if others is not None:
        ORBITS.check(others, stage="approach_rates")
    orbits = _in_order(orbits).compute(scheduler="threads")
    kept = tuple(by) if by is not None else ("plane", "other_plane") if others is None else ("plane", "kind", "year")
    trains = trains_of(orbits)
    steps = (altitude_step_km, latitude_step_deg)
    distances = _checked_thresholds(orbits, others, trains, within_km, kept, satellites, steps)
    lead = trains.leaders
    axis, e = (
        orbits["semi_major_axis"].values[lead],
        np.hypot(orbits["eccentricity_x"].values[lead], orbits["eccentricity_y"].values[lead]),
    )
    bands = bands_of(
        kept,
        float(np.nanmin(axis * (1.0 - e))),
        float(np.nanmax(axis * (1.0 + e))),
        altitude_step_km=altitude_step_km,
        latitude_step_deg=latitude_step_deg,
    )
    departures = difference or no_departures()
    if others is None:
        return _among_itself(orbits, trains, distances, departures, satellites, bands, kept)
    sizes = trains.sizes if satellites is None else np.full(lead.size, satellites)
    averager = Averager(orbits, trains, sizes, distances, tabulate(departures), bands, "plane" in kept, "year" in kept)
    return _against_others(averager, _in_order(others), orbits["plane"].values[lead], kept)


def _in_order(orbits: xr.Dataset) -> xr.Dataset:
    """Return orbits in the order of their identifiers, so that sums do not depend on how they were handed over."""
    names = orbits["object"].values
    return orbits if bool((np.diff(names) > 0).all()) else orbits.isel(object=np.argsort(names, kind="stable"))


def _checked_thresholds(
    orbits: xr.Dataset,
    others: xr.Dataset | None,
    trains: Trains,
    within_km: Sequence[float],
    kept: tuple[str, ...],
    satellites: int | None,
    steps: tuple[float, float],
) -> Floats:
    """Return ascending thresholds [km] where everything that was asked for is possible."""
    faults = Faults("approach_rates")
    distances = thresholds_of(faults, within_km)
    require_whole_planes(faults, orbits["plane"].values[trains.leaders])
    allowed = AMONG_ITSELF if others is None else AGAINST_OTHERS
    unknown = [name for name in kept if name not in allowed]
    faults.require(
        not unknown and len(set(kept)) == len(kept), f"by {kept}; expected each of {', '.join(allowed)} at most once"
    )
    faults.require(not {"object", "kind"} <= set(kept), f"by {kept}; expected object or kind, as objects have one kind")
    faults.require(
        satellites is None or (satellites > 0 and bool((trains.sizes == 1).all())),
        f"satellites {satellites}, with up to {trains.sizes.max(initial=0)} in a plane of the orbits; expected more "
        "than zero, and one in each plane",
    )
    for name, step in zip(("altitude_step_km", "latitude_step_deg"), steps, strict=True):
        faults.require(0.0 < step < np.inf, f"{name} {step}; expected more than zero")
    if others is not None:
        require_same_nodes(faults, orbits, others)
    faults.raise_if_any()
    return distances


def _among_itself(
    orbits: xr.Dataset,
    trains: Trains,
    distances: Floats,
    difference: RadiusDifference,
    satellites: int | None,
    bands: Bands,
    kept: tuple[str, ...],
) -> xr.Dataset:
    numbers = numbers_between_planes(
        orbits,
        trains,
        distances=distances,
        difference=difference,
        satellites=satellites,
        bands=bands,
        yearly="year" in kept,
    )
    # pairs stand by the order of trains, which is that of identifiers
    order = np.argsort(orbits["plane"].values[trains.leaders])
    planes = orbits["plane"].values[trains.leaders][order]
    number, locked = _upper(numbers.number, order), _upper(numbers.locked, order)
    dims = ("plane", "other_plane", "year", "altitude_band", "latitude_band", "within_km")
    axes = {"plane": planes, "other_plane": planes, **_bands_and_distances(bands, distances)}
    duration = np.diff(numbers.windows) / constants.YEAR.value
    values = _values(number, dims, axes, duration, kept)
    if {"plane", "other_plane"} <= set(kept):
        values["phase_locked"] = locked
    return RATES.build(values, dims=_in_schema_order(kept))


def _upper(values: NDArray[Any], order: NDArray[np.int64]) -> NDArray[Any]:
    """Return values of pairs of planes in another order of the planes, each pair again in the upper triangle."""
    turned = values[np.ix_(order, order)]
    rows, columns = np.tril_indices(order.size, -1)
    turned[columns, rows] += turned[rows, columns]
    turned[rows, columns] = 0
    return turned


def _against_others(
    averager: Averager, others: xr.Dataset, planes: NDArray[np.int64], kept: tuple[str, ...]
) -> xr.Dataset:
    names = others["object"].values
    kinds, groups = np.unique(others["kind"].values, return_inverse=True)
    if "object" in kept:
        groups = np.arange(names.size)
    elif "kind" not in kept:
        groups = np.zeros(names.size, dtype=np.int64)
    count = names.size if "object" in kept else kinds.size if "kind" in kept else 1
    draws = 0 if "object" in kept else DRAWS
    faults = Faults("approach_rates")
    size = 8.0 * (draws + 1) * count * np.prod(averager.shape)
    faults.require(
        bool(size <= _LARGEST_BYTES),
        f"by {kept}: {size / 1e9:.3g} GB of rates and their draws; expected at most {_LARGEST_BYTES / 1e9:g} GB: ask "
        "for fewer dimensions, wider bands or fewer thresholds",
    )
    faults.raise_if_any()
    numbers = averager.run(others, groups.astype(np.int64), count, draws)
    group = "object" if "object" in kept else "kind"
    dims = (group, "plane", "year", "altitude_band", "latitude_band", "within_km")
    axes = {
        "object": names,
        "kind": kinds,
        "plane": planes,
        **_bands_and_distances(averager.bands, averager.distances),
    }
    _, spacing, nodes = node_clock(averager.orbits)
    years = (
        years_of(np.linspace(0.0, spacing * (nodes - 1), nodes))
        if averager.by_year
        else np.zeros(nodes - 1, dtype=np.int64)
    )
    duration = np.bincount(years).astype(np.float64) * (spacing / constants.YEAR.value)
    values = _values(numbers.total, dims, axes, duration, kept)
    if draws:
        resampled = _values(numbers.resampled, ("resample", *dims), axes, duration, kept)["rate"]
        values["resampled_rate"], values["standard_error"] = resampled, resampled.std(axis=0, ddof=1)
    return RATES.build(values, dims=("resample", *_in_schema_order(kept)))


def _bands_and_distances(bands: Bands, distances: Floats) -> dict[str, Any]:
    return {"altitude_band": bands.altitudes, "latitude_band": bands.latitudes, "within_km": distances}


def _in_schema_order(kept: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dim for dim in RATE_DIMS if dim in (*kept, "within_km"))


def _values(
    number: Floats, dims: tuple[str, ...], axes: dict[str, Any], duration: Floats, kept: tuple[str, ...]
) -> dict[str, Any]:
    """Return rates and coordinates of the dimensions kept, the others added up, in the order of the schema."""
    array = xr.DataArray(number, dims=dims)
    rate = array / xr.DataArray(duration, dims="year")
    order = _in_schema_order(kept)
    leading = tuple(dim for dim in dims if dim == "resample")
    # what is missing must not count as none
    rate = rate.sum([dim for dim in dims if dim not in (*leading, *order)], skipna=False).transpose(*leading, *order)
    values: dict[str, Any] = {dim: axes[dim] for dim in order if dim != "year"}
    if "year" in order:
        values |= {"year": np.arange(duration.size), "duration": duration}
    return {**values, "rate": rate.values}


def total_rate(rates: xr.Dataset, over: Sequence[str] = ("object",)) -> xr.Dataset:
    """Add up rates over some dimensions, years weighted with their length, and carry the standard error along.

    Parameters
    ----------
    rates : Rates
        From `approach_rates`.
    over : sequence of str
        Dimensions to add up over.

    Returns
    -------
    Rates
        Without these dimensions. The standard error is that of drawing the objects anew (B. Efron 1979, Annals of
        Statistics 7, 1): from the draws that the rates carry, or of rates of single objects added up over `object` its
        limit of many draws, sqrt(sum (x - mean)^2). Objects that return again and again are one draw each.

    Raises
    ------
    InputError
        A dimension that the rates do not have.
    """
    missing = [name for name in over if name not in rates["rate"].dims]
    faults = Faults("total_rate")
    faults.require(not missing, f"over {tuple(over)}; expected dimensions of the rates, {rates['rate'].dims}")
    faults.raise_if_any()
    rate = _added(rates, "rate", [name for name in over if name != "object"])
    values: dict[str, Any] = {}
    if "object" in over:
        departure = rate - rate.mean("object", skipna=False)
        values["standard_error"] = (departure**2).sum("object", skipna=False).values ** 0.5
        rate = rate.sum("object", skipna=False)
    elif "resampled_rate" in rates:
        draws = _added(rates, "resampled_rate", list(over))
        values |= {"resampled_rate": draws.values, "standard_error": draws.std("resample", ddof=1).values}
    dims = tuple(str(dim) for dim in rate.dims)
    values |= {dim: rates[dim].values for dim in dims}
    if "year" in dims and "duration" in rates:
        values["duration"] = rates["duration"].values
    return RATES.build({**values, "rate": rate.values}, dims=("resample", *dims))


def _added(rates: xr.Dataset, name: str, over: list[str]) -> xr.DataArray:
    """Return a variable added up over dimensions other than objects; years are averaged by their length."""
    found = rates[name]
    if "year" in over:
        found = found.weighted(rates["duration"]).mean("year", skipna=False)
    return found.sum([dim for dim in over if dim != "year"], skipna=False)
