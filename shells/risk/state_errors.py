"""Errors of predicted positions: radial, in-track and cross-track deviations by kind, altitude and age of the orbit.

Deviations are at the time of the orbit determination; with age the in-track one grows in proportion (an error of the
semi-major axis) and with the square (an error of the drag), the others in proportion. The parts are independent and add
in squares. The defaults stand with their sources, or as assumed, in `state_errors.csv` beside this file.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from shells.errors import Faults
from shells.risk.covariances import named, read_from_zero
from shells.risk.encounter import places_of
from shells.schema import APPROACHES, Schema, Variable, provenance

Floats = NDArray[np.float64]

#: Columns of numbers, in the order of `ErrorClass`.
_COLUMNS = (
    "altitude_from_km",
    "altitude_to_km",
    "radial_m",
    "in_track_m",
    "cross_track_m",
    "radial_m_per_day",
    "in_track_m_per_day",
    "cross_track_m_per_day",
    "in_track_m_per_day2",
)

_EVENT = ("approach",)
_MATRIX = ("approach", "axis", "other_axis")

ENCOUNTER_ERRORS = Schema(
    "Encounter errors",
    "Covariances and combined radius of each approach, named as the arguments of `collision_probability`.",
    {
        "covariance_first_m2": Variable(_MATRIX, "float64", "m2", "position covariance of first in its own frame"),
        "covariance_second_m2": Variable(_MATRIX, "float64", "m2", "position covariance of second in its own frame"),
        "hard_body_radius_m": Variable(_EVENT, "float64", "m", "sum of both hard-body radii", (0.0, None)),
    },
)


@dataclass(frozen=True)
class ErrorClass:
    """Errors of some kinds of object in a band of altitude.

    Parameters
    ----------
    kinds : tuple of str
        Kinds of object.
    altitude_from_km, altitude_to_km : float
        Radius less 6378.137 km, from (included) to (excluded) [km].
    radial_m, in_track_m, cross_track_m : float
        Deviations at the time of the orbit determination [m].
    radial_m_per_day, in_track_m_per_day, cross_track_m_per_day : float
        Growth in proportion to age [m/day].
    in_track_m_per_day2 : float
        Growth with its square [m/day2].
    source : str
        Where the numbers come from, or that they are assumed.
    """

    kinds: tuple[str, ...]
    altitude_from_km: float
    altitude_to_km: float
    radial_m: float
    in_track_m: float
    cross_track_m: float
    radial_m_per_day: float
    in_track_m_per_day: float
    cross_track_m_per_day: float
    in_track_m_per_day2: float
    source: str

    def deviations(self, age_days: ArrayLike) -> Floats:
        """Return the radial, in-track and cross-track deviations.

        Parameters
        ----------
        age_days : array_like, shape (n,)
            Age of the orbit [day].

        Returns
        -------
        ndarray, shape (n, 3)
            [m].
        """
        age = np.asarray(age_days, dtype=np.float64)
        radial = np.hypot(self.radial_m, self.radial_m_per_day * age)
        in_track = np.hypot(np.hypot(self.in_track_m, self.in_track_m_per_day * age), self.in_track_m_per_day2 * age**2)
        return np.stack([radial, in_track, np.hypot(self.cross_track_m, self.cross_track_m_per_day * age)], axis=-1)


def error_classes(path: str | Path | None = None) -> tuple[ErrorClass, ...]:
    """Return the classes of an error model.

    Parameters
    ----------
    path : str or Path, optional
        A file like `state_errors.csv` of this package, which is the default.

    Returns
    -------
    tuple of ErrorClass

    Raises
    ------
    InputError
        Columns missing, numbers that are none or negative, no source; all faults at once, with their rows.
    """
    file = files("shells.risk").joinpath("state_errors.csv") if path is None else Path(path)
    lines = [line for line in file.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    reader = csv.DictReader(lines)
    faults = Faults(f"error model {path or 'state_errors.csv'}: cannot be used")
    missing = [name for name in ("kinds", *_COLUMNS, "source") if name not in (reader.fieldnames or ())]
    faults.require(not missing, f"columns missing: {', '.join(missing)}")
    faults.raise_if_any()
    classes = [_read_class(faults, f"row {number}", row) for number, row in enumerate(reader, 1)]
    faults.raise_if_any()
    return tuple(classes)


def encounter_errors(
    approaches: xr.Dataset,
    objects: xr.Dataset,
    others: xr.Dataset | None = None,
    *,
    age_first_days: Any,
    age_second_days: Any,
    classes: tuple[ErrorClass, ...] | None = None,
) -> xr.Dataset:
    """Return covariances and combined radii of approaches from an error model.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES.
    objects, others : Dataset
        OBJECTS or ORBITS of the first and of the second objects of the approaches, as of `find_approaches`: their kinds
        and hard-body radii. Left out, the second objects are among the first.
    age_first_days, age_second_days : array_like or Quantity, shape () or (approach,)
        Age of the orbits of first and second at the approach, since the last measurement that somebody who decides
        would have [day].
    classes : tuple of ErrorClass, optional
        The error model; that of `error_classes` by default. The first class that fits an object is taken.

    Returns
    -------
    Dataset
        ENCOUNTER_ERRORS, in the order of the approaches, for ``collision_probability(approaches, **errors)``.

    Raises
    ------
    SchemaError
        The Dataset is not APPROACHES.
    InputError
        Objects that are not in their population, kinds or altitudes without a class, ages that are none; all at once.
    """
    APPROACHES.check(approaches, stage="encounter_errors")
    model = error_classes() if classes is None else classes
    faults = Faults("encounter_errors: arguments cannot be used")
    altitude = approaches["radius_altitude"].values
    covariances, radius = [], np.zeros(altitude.size)
    sides = (("first", objects, age_first_days), ("second", objects if others is None else others, age_second_days))
    for name, population, age in sides:
        ids = approaches[name].values
        place, member = places_of(ids, population)
        faults.require(
            bool(member.all()),
            f"{name}: objects {np.unique(ids[~member])[:5].tolist()} at {named(~member)} are not in their population",
        )
        kinds = np.where(member, population["kind"].values[place], "")
        ages = read_from_zero(faults, f"age_{name}_days", age, altitude.size, "day", "days")
        deviation = _deviations(faults, name, model, kinds, altitude, ages)
        covariances.append(deviation[:, :, None] ** 2 * np.eye(3))
        radius += population["hard_body_radius"].values[place]
    faults.raise_if_any()
    return ENCOUNTER_ERRORS.build(
        {
            "covariance_first_m2": covariances[0],
            "covariance_second_m2": covariances[1],
            "hard_body_radius_m": radius,
        },
        attributes=provenance(error_classes=[vars(each) for each in model]),
    )


def _read_class(faults: Faults, where: str, row: dict[str, str]) -> ErrorClass:
    numbers = []
    for name in _COLUMNS:
        try:
            number = float(row[name])
        except (TypeError, ValueError):
            number = math.nan
        wrong = not number >= 0.0 or (math.isinf(number) and name != "altitude_to_km")
        faults.require(not wrong, f"{where}, {name}: {row[name]!r} found; allowed: numbers from 0")
        numbers.append(number)
    faults.require(bool(row["source"]), f"{where}, source: none found; give one, or the word assumed")
    values = dict(zip(_COLUMNS, numbers, strict=True))
    return ErrorClass(kinds=tuple(row["kinds"].split(";")), **values, source=row["source"])


def _deviations(
    faults: Faults, name: str, model: tuple[ErrorClass, ...], kinds: NDArray[np.str_], altitude: Floats, age: Floats
) -> Floats:
    """Return deviations of each object, shape (n, 3) [m]; objects of no kind are told of elsewhere."""
    deviation = np.zeros((kinds.size, 3))
    left = kinds != ""
    for each in model:
        fits = (
            left & np.isin(kinds, each.kinds) & (altitude >= each.altitude_from_km) & (altitude < each.altitude_to_km)
        )
        deviation[fits] = each.deviations(age[fits])
        left &= ~fits
    faults.require(
        not left.any(),
        f"{name}: no error class for kinds {np.unique(kinds[left]).tolist()} at {named(left)}, altitudes "
        f"{altitude[left].min(initial=np.inf):.0f} to {altitude[left].max(initial=-np.inf):.0f} km; add one to the "
        "model",
    )
    return deviation
