"""Equal node rates: small trims of the inclination that keep stacked planes turning together.

Planes at different heights turn at different rates under the oblateness, so a stacked pattern shears; an inclination
trimmed by hundredths of a degree undoes that. First-order J2 in closed form (`shells.motion.secular`), constants of
EGM96.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.constants import DAY, GRAVITATIONAL_PARAMETER, REFERENCE_RADIUS, YEAR, zonal_coefficients
from shells.errors import Faults
from shells.fleet.elements import note, read_planes, reshape
from shells.fleet.quantities import read_number
from shells.motion.secular import j2_rates
from shells.motion.shape import mean_radius, semi_major_axis

#: The semi-major axis belonging to a mean radius depends on the inclination so weakly (J2) that each turn of the fixed
#: point gains three digits; a few more than double precision needs.
_TURNS = 8


def match_node_rates(fleet: xr.Dataset, *, years: Any = 1.0) -> xr.Dataset:
    """Trim the inclination of each plane so that all nodes turn at the fleet's mean rate.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    years : float or Quantity
        Time over which the spread of the nodes is reported [Julian years].

    Returns
    -------
    Dataset
        OBJECTS: mean radius kept, inclination trimmed, semi-major axis of both; what was frozen stays frozen. The
        provenance gains "match_node_rates": `largest_trim_deg`, and the spread of the nodes (largest less smallest
        change over `years`) before and after, `spread_before_deg` and `spread_left_deg`. Exactly polar planes all
        stand still and need no trim.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        No inclination gives a plane that node rate; a trim into the neighbourhood of a critical inclination for a
        frozen fleet.

    Notes
    -----
    The target is the mean over satellites of -k cos i, k = (3/2) J2 (R / p)^2 n; each plane gets
    cos i = -target / k(a(r_m, i), e).
    """
    planes = read_planes(fleet, stage="match_node_rates")
    faults = Faults("match_node_rates: arguments cannot be used")
    span_years = read_number(faults, "years", years, "yr", low=0.0)
    faults.raise_if_any()
    days = span_years * YEAR.value / DAY.value
    before = _node_rate(fleet)
    inclination = fleet["inclination"].values
    radius = mean_radius(fleet["semi_major_axis"].values, inclination)
    eccentricity = np.hypot(fleet["eccentricity_x"].values, fleet["eccentricity_y"].values)
    trimmed = _inclination_for_rate(before.mean(), radius, eccentricity, inclination)
    unreachable = np.unique(planes.number[planes.index[np.isnan(trimmed)]])
    faults.require(
        unreachable.size == 0,
        f"node rate: no inclination gives planes {unreachable.tolist()} the fleet's mean of {before.mean():.6f} "
        "deg/day; allowed: mean radii whose rates overlap; narrow the stack, or move the inclination away from 0 and "
        "180 deg",
    )
    faults.raise_if_any()
    matched = reshape(fleet, radius, trimmed, stage="match_node_rates")
    report = {
        "years": span_years,
        "largest_trim_deg": float(np.abs(trimmed - inclination).max()),
        "spread_before_deg": float(np.ptp(before) * days),
        "spread_left_deg": float(np.ptp(_node_rate(matched)) * days),
        "model": "first-order J2",
    }
    return note(matched, match_node_rates=report)


def _node_rate(fleet: xr.Dataset) -> NDArray[np.float64]:
    """Return the node rate of each satellite [deg/day]."""
    eccentricity = np.hypot(fleet["eccentricity_x"].values, fleet["eccentricity_y"].values)
    return _rate(fleet["semi_major_axis"].values, eccentricity, fleet["inclination"].values)


def _rate(
    semi_major_axis_km: NDArray[np.float64], eccentricity: NDArray[np.float64], inclination_deg: NDArray[np.float64]
) -> NDArray[np.float64]:
    return j2_rates(
        semi_major_axis_km,
        eccentricity,
        inclination_deg,
        mu=GRAVITATIONAL_PARAMETER.value,
        radius=REFERENCE_RADIUS.value,
        j2=float(zonal_coefficients()[2]),
    ).node


def _inclination_for_rate(
    target: float, radius: NDArray[np.float64], eccentricity: NDArray[np.float64], inclination: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the inclination at which the node turns at the target rate, mean radius kept; NaN where there is none."""
    trimmed = inclination
    for _ in range(_TURNS):
        # the rate at zero inclination is -k
        cosine = target / _rate(semi_major_axis(radius, trimmed), eccentricity, np.zeros_like(radius))
        trimmed = np.degrees(np.arccos(np.where(np.abs(cosine) <= 1.0, cosine, np.nan)))
    return trimmed
