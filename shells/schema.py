"""The Datasets passed between the rooms: variables, dimensions, units, and one check.

A `Schema` is the single description of a Dataset type. It serves five uses: the check at the door of a stage
(`Schema.check`), filling an output with CF attributes (`Schema.build`), the encoding of the store (`Schema.encoding`),
the documentation table (`Schema.table`) and test strategies. Units are set explicitly on every output, never inherited.

Frame of all orbital quantities: true equator and equinox of the study epoch, treated as inertial. Time: UTC.
"""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from shells.errors import Faults, SchemaError

CONVENTIONS = "CF-1.11"
REFERENCE_FRAME = "true equator and equinox of the study epoch"
GRAVITY_MODEL = "EGM96, zonals to 15"

_KINDS = {"float64": "f", "int64": "i", "bool": "b", "datetime64[ns]": "M", "str": "UTO"}


@dataclass(frozen=True)
class Variable:
    """One variable of a Dataset.

    Parameters
    ----------
    dims : tuple of str
        Dimensions in order.
    dtype : str
        "float64", "int64", "bool", "datetime64[ns]" or "str".
    units : str
        UDUNITS spelling; "1" when dimensionless, "" for names, flags and times.
    long_name : str
        What it is, as in the glossary.
    valid : tuple of two float or None
        Closed interval of allowed values; None leaves that side open.
    missing : str
        What NaN or NaT means; empty when missing values are not allowed.
    standard_name : str
        CF standard name, empty when the CF table has none.
    required : bool
        Whether a Dataset must have it.
    """

    dims: tuple[str, ...]
    dtype: str
    units: str
    long_name: str
    valid: tuple[float | None, float | None] = (None, None)
    missing: str = ""
    standard_name: str = ""
    required: bool = True

    @property
    def attributes(self) -> dict[str, str]:
        """CF attributes of the variable."""
        attributes = {"long_name": self.long_name}
        if self.units:
            attributes["units"] = self.units
        if self.standard_name:
            attributes["standard_name"] = self.standard_name
        return attributes


@dataclass(frozen=True)
class Schema:
    """Description of one Dataset type.

    Parameters
    ----------
    name : str
        Name of the type, as in the documentation.
    purpose : str
        One sentence.
    variables : mapping of str to Variable
        Data variables and coordinates alike; a variable named like its only dimension is the index coordinate.
    coordinates : tuple of str
        Which variables are coordinates.
    free_dims : tuple of str
        Dimensions of which each variable may have any subset, in this order, in place of those of its `dims`.
    """

    name: str
    purpose: str
    variables: Mapping[str, Variable]
    coordinates: tuple[str, ...] = ()
    free_dims: tuple[str, ...] = field(default=())

    def check(self, dataset: xr.Dataset, *, stage: str, values: bool = True) -> None:
        """Raise unless the Dataset meets this schema.

        Parameters
        ----------
        dataset : Dataset
            What a stage was given. Lazy (dask) variables are checked for dimensions, type and units only.
        stage : str
            Name of the stage, for the message.
        values : bool
            Whether to look at values too; a stage that has more to say of wrong ones looks at them itself.

        Raises
        ------
        SchemaError
            Names every fault: missing variable, wrong dimensions, type, units, values out of range, missing values.
        """
        faults = Faults(f"{stage}: Dataset does not meet schema '{self.name}'", SchemaError)
        for name, variable in self.variables.items():
            if name in dataset.variables:
                self._check_variable(faults, name, variable, dataset[name], values)
            elif variable.required:
                faults.add(f"{name}: missing; expected dims {variable.dims}, units '{variable.units}'")
        faults.raise_if_any()

    def _check_variable(self, faults: Faults, name: str, variable: Variable, found: xr.DataArray, values: bool) -> None:
        if not self._dims_agree(variable, found.dims):
            faults.add(f"{name}: dims {found.dims}, expected {variable.dims}")
        if found.dtype.kind not in _KINDS[variable.dtype]:
            faults.add(f"{name}: dtype {found.dtype}, expected {variable.dtype}")
            return
        units = found.attrs.get("units", "")
        if units != variable.units:
            faults.add(f"{name}: units '{units}', expected '{variable.units}'")
        if values and found.chunks is None and variable.dtype in ("float64", "int64", "datetime64[ns]"):
            _check_values(faults, name, variable, found)

    def _is_free(self, variable: Variable) -> bool:
        return len(variable.dims) > 1 and set(variable.dims) <= set(self.free_dims)

    def _dims_agree(self, variable: Variable, dims: tuple[Hashable, ...]) -> bool:
        if self._is_free(variable):
            return list(dims) == [dim for dim in variable.dims if dim in dims]
        return dims == variable.dims

    def build(
        self, values: Mapping[str, Any], *, attributes: Mapping[str, str] | None = None, dims: tuple[str, ...] = ()
    ) -> xr.Dataset:
        """Make a Dataset of this type, with its units and names set.

        Parameters
        ----------
        values : mapping of str to array
            Arrays by variable name; every required variable must be there and no unknown one.
        attributes : mapping of str to str, optional
            Further attributes of the Dataset; strings only, structured provenance as one JSON string.
        dims : tuple of str
            The subset of `free_dims` that variables on free dimensions have here.

        Returns
        -------
        Dataset
            Meets this schema.

        Raises
        ------
        SchemaError
            An unknown name, or values that do not meet the schema.
        """
        unknown = [name for name in values if name not in self.variables]
        if unknown:
            raise SchemaError(f"schema '{self.name}' has no variable {unknown}; it has {list(self.variables)}")
        arrays = {}
        for name, value in values.items():
            variable = self.variables[name]
            own = tuple(dim for dim in dims if dim in variable.dims) if self._is_free(variable) else variable.dims
            arrays[name] = (own, _typed(value, variable.dtype), variable.attributes)
        coords = {name: arrays.pop(name) for name in self.coordinates if name in arrays}
        common = {"Conventions": CONVENTIONS, "reference_frame": REFERENCE_FRAME, "time_scale": "UTC"}
        dataset = xr.Dataset(arrays, coords=coords, attrs={**common, **(attributes or {})})
        self.check(dataset, stage=f"building {self.name}")
        return dataset

    def encoding(self, dataset: xr.Dataset) -> dict[Hashable, dict[str, Any]]:
        """Return the encoding with which a Dataset of this type is stored: times exact to the nanosecond, one chunk.

        Parameters
        ----------
        dataset : Dataset
            Meets this schema.

        Returns
        -------
        dict
            For `Dataset.to_zarr(encoding=…)`.
        """
        encoding: dict[Hashable, dict[str, Any]] = {}
        for name, variable in self.variables.items():
            if name not in dataset.variables:
                continue
            shape = tuple(max(1, size) for size in dataset[name].shape)
            encoding[name] = {"chunks": shape} if shape else {}
            if variable.dtype == "datetime64[ns]":
                encoding[name] |= {"units": "nanoseconds since 1970-01-01", "dtype": "int64"}
        return encoding

    def table(self) -> str:
        """Return the Markdown table of the documentation."""
        lines = [
            f"### {self.name}",
            "",
            self.purpose,
            "",
            "| variable | dims | type | unit | meaning |",
            "| --- | --- | --- | --- | --- |",
        ]
        for name, variable in self.variables.items():
            meaning = variable.long_name + (f"; missing: {variable.missing}" if variable.missing else "")
            if not variable.required:
                meaning += " (optional)"
            dims = ", ".join(variable.dims)
            lines.append(f"| {name} | {dims} | {variable.dtype} | {variable.units} | {meaning} |")
        return "\n".join(lines)


def _typed(value: Any, dtype: str) -> Any:
    if hasattr(value, "chunks"):
        return value
    return np.asarray(value, dtype=np.str_ if dtype == "str" else dtype)


def _check_values(faults: Faults, name: str, variable: Variable, found: xr.DataArray) -> None:
    values = found.values
    missing = np.isnat(values) if values.dtype.kind == "M" else np.isnan(values.astype(float))
    low, high = variable.valid
    bad = np.zeros(values.shape, dtype=bool)
    if low is not None:
        bad |= values < low
    if high is not None:
        bad |= values > high
    if missing.any() and not variable.missing:
        faults.add(
            f"{name}: missing value at {_where(missing, found)} ({missing.sum()} of {missing.size}); none allowed"
        )
    if bad.any():
        value = values[tuple(np.argwhere(bad)[0])]
        place = f"{_where(bad, found)} outside [{low}, {high}] ({bad.sum()} of {bad.size})"
        faults.add(f"{name}: {value} {variable.units} at {place}")


def _where(mask: np.ndarray, found: xr.DataArray) -> dict[str, int]:
    return {str(dim): int(index) for dim, index in zip(found.dims, np.argwhere(mask)[0], strict=True)}


def provenance(**facts: Any) -> dict[str, str]:
    """Return the one attribute that carries structured provenance as a JSON string.

    Parameters
    ----------
    **facts
        Anything JSON can hold: seeds, force model, file names and hashes.

    Returns
    -------
    dict
        ``{"provenance": "<json>"}``, for the attributes of a Dataset.
    """
    return {"provenance": json.dumps(facts, sort_keys=True, default=str)}


_OBJECT = ("object",)
_NODE = ("object", "time")
_UNKNOWN = "not known"

_MEMBERSHIP = {
    "object": Variable(_OBJECT, "int64", "", "identifier of the object: catalogue number, or running number"),
    "name": Variable(_OBJECT, "str", "", "name of the object"),
    "kind": Variable(_OBJECT, "str", "", "fleet, neighbour, payload, rocket body, debris, fragment or unknown"),
    "plane": Variable(_OBJECT, "int64", "1", "number of the orbital plane, -1 for none", (-1, None)),
    "slot": Variable(_OBJECT, "int64", "1", "number of the slot in the plane, -1 for none", (-1, None)),
    "held_from": Variable(_OBJECT, "datetime64[ns]", "", "station-kept from this time", missing="never held"),
    "held_until": Variable(_OBJECT, "datetime64[ns]", "", "station-kept until this time", missing="never held"),
    "hard_body_radius": Variable(_OBJECT, "float64", "m", "radius of the sphere around the object", (0.0, None)),
}

OBJECTS = Schema(
    "Objects",
    "Who is up there at `epoch`: mean elements, size, membership.",
    {
        "object": _MEMBERSHIP["object"],
        "epoch": Variable((), "datetime64[ns]", "", "time of the elements, UTC"),
        "semi_major_axis": Variable(_OBJECT, "float64", "km", "mean semi-major axis", (1000.0, None)),
        "eccentricity_x": Variable(_OBJECT, "float64", "1", "mean e cos(argument of perigee)", (-0.99, 0.99)),
        "eccentricity_y": Variable(_OBJECT, "float64", "1", "mean e sin(argument of perigee)", (-0.99, 0.99)),
        "inclination": Variable(_OBJECT, "float64", "degree", "mean inclination", (0.0, 180.0)),
        "raan": Variable(_OBJECT, "float64", "degree", "mean right ascension of the ascending node", (0.0, 360.0)),
        "mean_argument_of_latitude": Variable(
            _OBJECT, "float64", "degree", "argument of perigee plus mean anomaly, mean", (0.0, 360.0)
        ),
        "mass": Variable(_OBJECT, "float64", "kg", "mass", (0.0, None), _UNKNOWN),
        "drag_area": Variable(_OBJECT, "float64", "m2", "mean cross-section against the air", (0.0, None), _UNKNOWN),
        "radiation_area": Variable(
            _OBJECT, "float64", "m2", "mean cross-section against sunlight", (0.0, None), _UNKNOWN
        ),
        "area_to_mass": Variable(_OBJECT, "float64", "m2 kg-1", "area-to-mass ratio used for drag", (0.0, None)),
        "drag_coefficient": Variable(_OBJECT, "float64", "1", "drag coefficient", (0.0, None)),
        "reflectivity_coefficient": Variable(_OBJECT, "float64", "1", "radiation pressure coefficient", (0.0, None)),
        "hard_body_radius": _MEMBERSHIP["hard_body_radius"],
        "plane": _MEMBERSHIP["plane"],
        "slot": _MEMBERSHIP["slot"],
        "held_from": _MEMBERSHIP["held_from"],
        "held_until": _MEMBERSHIP["held_until"],
        "kind": _MEMBERSHIP["kind"],
        "name": _MEMBERSHIP["name"],
    },
    coordinates=("object", "epoch"),
)

_AFTER_END = "the object has re-entered"

ORBITS = Schema(
    "Orbits",
    "Mean elements and their rates at nodes in time; between nodes they are cubic Hermite polynomials.",
    {
        **_MEMBERSHIP,
        "time": Variable(("time",), "datetime64[ns]", "", "node, UTC"),
        "semi_major_axis": Variable(_NODE, "float64", "km", "mean semi-major axis", missing=_AFTER_END),
        "eccentricity_x": Variable(_NODE, "float64", "1", "mean e cos(argument of perigee)", missing=_AFTER_END),
        "eccentricity_y": Variable(_NODE, "float64", "1", "mean e sin(argument of perigee)", missing=_AFTER_END),
        "inclination": Variable(_NODE, "float64", "degree", "mean inclination", missing=_AFTER_END),
        "raan": Variable(
            _NODE, "float64", "degree", "mean right ascension of the node, continuous", missing=_AFTER_END
        ),
        "mean_argument_of_latitude": Variable(
            _NODE, "float64", "degree", "mean argument of latitude, continuous", missing=_AFTER_END
        ),
        "semi_major_axis_rate": Variable(
            _NODE, "float64", "km day-1", "rate of the semi-major axis", missing=_AFTER_END
        ),
        "eccentricity_x_rate": Variable(_NODE, "float64", "day-1", "rate of e cos(perigee)", missing=_AFTER_END),
        "eccentricity_y_rate": Variable(_NODE, "float64", "day-1", "rate of e sin(perigee)", missing=_AFTER_END),
        "inclination_rate": Variable(_NODE, "float64", "degree day-1", "rate of the inclination", missing=_AFTER_END),
        "raan_rate": Variable(_NODE, "float64", "degree day-1", "rate of the node", missing=_AFTER_END),
        "mean_argument_of_latitude_rate": Variable(
            _NODE, "float64", "degree day-1", "rate of the mean argument of latitude", missing=_AFTER_END
        ),
        "alive": Variable(_NODE, "bool", "", "false after re-entry"),
        "reentry": Variable(_OBJECT, "datetime64[ns]", "", "time of re-entry", missing="stays up for the whole span"),
    },
    coordinates=("object", "time"),
)

_STATE = ("object", "instant", "axis")

STATES = Schema(
    "States",
    "Osculating position and velocity.",
    {
        "object": _MEMBERSHIP["object"],
        "instant": Variable(("instant",), "datetime64[ns]", "", "time of the state, UTC"),
        "axis": Variable(("axis",), "str", "", "x to the equinox, z to the pole"),
        "position": Variable(_STATE, "float64", "km", "osculating position", missing=_AFTER_END),
        "velocity": Variable(_STATE, "float64", "km s-1", "osculating velocity", missing=_AFTER_END),
    },
    coordinates=("object", "instant", "axis"),
)

_EVENT = ("approach",)

APPROACHES = Schema(
    "Approaches",
    "Local minima of distance below a threshold, one for an encounter that lasts; second as seen from first, in the "
    "frame of first (radial, completing in-track, orbit normal), inertial velocity.",
    {
        "first": Variable(_EVENT, "int64", "", "identifier of the first object"),
        "second": Variable(_EVENT, "int64", "", "identifier of the second object"),
        "time": Variable(_EVENT, "datetime64[ns]", "", "time of closest approach, UTC"),
        "start": Variable(_EVENT, "datetime64[ns]", "", "start of a lasting approach", missing="not lasting"),
        "end": Variable(_EVENT, "datetime64[ns]", "", "end of a lasting approach", missing="not lasting"),
        "miss_distance": Variable(_EVENT, "float64", "km", "distance at closest approach", (0.0, None)),
        "radial": Variable(_EVENT, "float64", "km", "relative position, radial"),
        "in_track": Variable(_EVENT, "float64", "km", "relative position, in-track"),
        "cross_track": Variable(_EVENT, "float64", "km", "relative position, cross-track"),
        "relative_velocity_radial": Variable(_EVENT, "float64", "km s-1", "relative velocity, radial"),
        "relative_velocity_in_track": Variable(_EVENT, "float64", "km s-1", "relative velocity, in-track"),
        "relative_velocity_cross_track": Variable(_EVENT, "float64", "km s-1", "relative velocity, cross-track"),
        "geocentric_latitude": Variable(_EVENT, "float64", "degree", "geocentric latitude of first", (-90.0, 90.0)),
        "radius_altitude": Variable(_EVENT, "float64", "km", "radius of first less 6378.137 km"),
        "crossing_angle": Variable(_EVENT, "float64", "degree", "angle between the orbital planes", (0.0, 180.0)),
    },
)


def _axis(name: str, dtype: str, units: str, long_name: str) -> Variable:
    return Variable((name,), dtype, units, long_name, required=False)


RATE_DIMS = ("layout", "object", "plane", "other_plane", "kind", "year", "altitude_band", "latitude_band", "within_km")

RATES = Schema(
    "Rates",
    "Expected approaches per year, phase-averaged.",
    {
        "layout": _axis("layout", "int64", "", "number of the layout, -1 for all planes at one altitude"),
        "object": _axis("object", "int64", "", "identifier of the other object"),
        "plane": _axis("plane", "int64", "1", "number of the orbital plane"),
        "other_plane": _axis("other_plane", "int64", "1", "number of the other orbital plane"),
        "kind": _axis("kind", "str", "", "population"),
        "year": _axis("year", "int64", "1", "year of the mission, from 0"),
        "altitude_band": _axis("altitude_band", "float64", "km", "lower edge of the band of altitude"),
        "latitude_band": _axis("latitude_band", "float64", "degree", "lower edge of the band of latitude"),
        "within_km": _axis("within_km", "float64", "km", "threshold of distance"),
        "rate": Variable(RATE_DIMS, "float64", "year-1", "expected approaches per year", (0.0, None)),
        "standard_error": Variable(
            RATE_DIMS,
            "float64",
            "year-1",
            "resampled standard error",
            (0.0, None),
            "nothing to resample",
            required=False,
        ),
        "resampled_rate": Variable(
            ("resample", *RATE_DIMS),
            "float64",
            "year-1",
            "expected approaches per year with the objects drawn anew",
            (0.0, None),
            required=False,
        ),
        "duration": Variable(
            ("year",), "float64", "year", "length of the year, the last may be cut short", (0.0, None), required=False
        ),
        "phase_locked": Variable(
            ("layout", "plane", "other_plane"),
            "bool",
            "",
            "the relative phase drifts by less than one slot over the span: a fixed geometry, no average over phase",
            required=False,
        ),
        "nodes_at_random": Variable(
            ("object", "plane"),
            "bool",
            "",
            "the nodes turn by a full circle against each other within the span, as kinetic theory assumes",
            required=False,
        ),
    },
    coordinates=RATE_DIMS,
    free_dims=("resample", *RATE_DIMS),
)

_CASE = ("case",)
_PLANE = ("plane",)

PLANES = Schema(
    "Planes",
    "The shells of one case: where each plane lies and how far its satellites may stray.",
    {
        "plane": Variable(_PLANE, "int64", "1", "number of the orbital plane", (0, None)),
        "mean_radius_altitude": Variable(_PLANE, "float64", "km", "mean radius less 6378.137 km"),
        "radius_low": Variable(
            _PLANE, "float64", "km", "lowest radius of a held satellite at a fixed place, same zero"
        ),
        "radius_high": Variable(
            _PLANE, "float64", "km", "highest radius of a held satellite at a fixed place, same zero"
        ),
        "inclination": Variable(_PLANE, "float64", "degree", "mean inclination", (0.0, 180.0)),
        "raan": Variable(_PLANE, "float64", "degree", "right ascension of the node at the start", (0.0, 360.0)),
        "raan_rate": Variable(_PLANE, "float64", "degree day-1", "rate of the node"),
        "eccentricity": Variable(_PLANE, "float64", "1", "mean eccentricity", (0.0, 1.0)),
        "satellites": Variable(_PLANE, "int64", "1", "satellites in the plane", (1, None)),
    },
    coordinates=("plane",),
)

_UNCROSSED = "no two planes cross: they coincide or oppose each other"

DECISION = Schema(
    "Decision",
    "The sweep: what each case costs, which meet the target, which is chosen. Fleet totals, no avoidance.",
    {
        "case": Variable(_CASE, "int64", "", "number of the case", (0, None)),
        "within_km": RATES.variables["within_km"],
        "term": Variable(("term",), "str", "", "term of the gap"),
        "layout": Variable(_CASE, "int64", "", "number of the layout: step and order", (0, None)),
        "step": Variable(_CASE, "float64", "km", "altitude step between neighbouring shells", (0.0, None)),
        "order": Variable(_CASE, "str", "", "order of the planes in altitude"),
        "upwards": Variable(_CASE, "str", "", "numbers of the planes from the lowest up"),
        "tolerances": Variable(_CASE, "str", "", "set of tolerances"),
        "faults": Variable(_CASE, "str", "", "set of assumed control faults"),
        "scenario": Variable(_CASE, "int64", "", "number of the scenario: solar activity and seeds", (0, None)),
        "solar_activity": Variable(_CASE, "str", "", "solar activity"),
        "solar_seed": Variable(_CASE, "int64", "", "seed of drawn solar cycles", (0, None)),
        "seed": Variable(_CASE, "int64", "", "seed of invented debris", (0, None)),
        "locked_pairs": Variable(
            _CASE, "int64", "1", "pairs of planes whose phases drift by less than one slot over the study", (0, None)
        ),
        "band_width": Variable(_CASE, "float64", "km", "highest less lowest mean radius", (0.0, None)),
        "smallest_gap": Variable(
            _CASE, "float64", "km", "smallest radial gap of two reference orbits at a mutual node", missing=_UNCROSSED
        ),
        "smallest_distance": Variable(
            _CASE,
            "float64",
            "km",
            "distance left when both satellites use their whole tolerance, negative on overlap",
            missing=_UNCROSSED,
        ),
        "closest_expected": Variable(
            _CASE,
            "float64",
            "km",
            "distance that two satellites of the fleet come within during the mission with an even chance",
            (0.0, None),
            "farther than the largest threshold",
        ),
        "fleet_approaches": Variable(
            ("case", "within_km"),
            "float64",
            "year-1",
            "expected approaches per year among satellites of the fleet inside their tolerances",
            (0.0, None),
        ),
        "debris_approaches": Variable(
            ("case", "within_km"),
            "float64",
            "year-1",
            "expected approaches of fleet and debris per year",
            (0.0, None),
            "study without debris",
        ),
        "debris_approaches_error": Variable(
            ("case", "within_km"), "float64", "year-1", "standard error, objects resampled", (0.0, None), "no debris"
        ),
        "extra_debris_approaches": Variable(
            ("case", "within_km"),
            "float64",
            "year-1",
            "approaches with debris more than with all planes at the middle altitude",
            missing="no debris",
        ),
        "extra_debris_approaches_error": Variable(
            ("case", "within_km"), "float64", "year-1", "standard error, objects resampled", (0.0, None), "no debris"
        ),
        "collisions_control": Variable(
            _CASE, "float64", "year-1", "expected collisions among satellites inside their tolerances", (0.0, None)
        ),
        "collisions_fault": Variable(
            _CASE,
            "float64",
            "year-1",
            "expected collisions with a satellite of another plane that has left its tolerances",
            (0.0, None),
        ),
        "collisions_own_plane": Variable(
            _CASE,
            "float64",
            "year-1",
            "expected collisions with a satellite of the same plane that has left its tolerances, whatever the step",
            (0.0, None),
        ),
        "fault_share": Variable(
            _CASE,
            "float64",
            "1",
            "share of the control faults in the expected collisions of the fleet",
            (0.0, 1.0),
            "no collision is expected",
        ),
        "collisions_debris": Variable(
            _CASE, "float64", "year-1", "expected collisions with debris", (0.0, None), "study without debris"
        ),
        "collisions_debris_error": Variable(
            _CASE, "float64", "year-1", "standard error, objects resampled", (0.0, None), "no debris"
        ),
        "gap_term": Variable(
            ("case", "term"),
            "float64",
            "km",
            "size of a term of the gap, of the two planes with the least left",
            missing=_UNCROSSED,
        ),
        "largest_trim": Variable(
            _CASE, "float64", "degree", "largest trim of an inclination", (0.0, None), "node rates are not matched"
        ),
        "untrimmed_node_spread": Variable(
            _CASE,
            "float64",
            "degree",
            "by how much the nodes part over the mission without trims",
            (0.0, None),
        ),
        "phase_drift": Variable(
            _CASE, "float64", "degree day-1", "largest relative rate of phase of neighbouring shells", (0.0, None)
        ),
        "raising_velocity": Variable(
            _CASE, "float64", "m s-1", "velocity change from injection to the shell, mean of the fleet", (0.0, None)
        ),
        "holding_velocity": Variable(
            _CASE, "float64", "m s-1 year-1", "velocity change to hold a satellite, mean of the fleet", (0.0, None)
        ),
        "propellant": Variable(
            _CASE,
            "float64",
            "kg",
            "propellant of a satellite to be raised and held over the mission, of the plane that needs most",
            (0.0, None),
        ),
        "number": Variable(
            _CASE, "float64", "1", "expected collisions over years and scope of the target", (0.0, None)
        ),
        "probability": Variable(
            _CASE, "float64", "1", "probability of a collision over years and scope of the target", (0.0, 1.0)
        ),
        "target_quantity": Variable(
            _CASE, "float64", "1", "the quantity that the target limits, over its years", (0.0, None)
        ),
        "meets_target": Variable(_CASE, "bool", "", "whether the target is met"),
        "smallest": Variable(
            _CASE, "bool", "", "the smallest step that meets the target under the assumptions of the case"
        ),
        "chosen": Variable(_CASE, "bool", "", "the smallest step that meets the target"),
    },
    coordinates=("case", "within_km", "term"),
)

_HOLDING = {
    "semi_major_axis": "to make up for drag",
    "eccentricity": "to hold the eccentricity vector",
    "plane": "to hold inclination and node against Sun and Moon, zero where they drift",
    "total": "in all: the larger of the two in the plane, and that of the plane",
}

_PARAMETER = ("parameter",)
_BEYOND = "no step up to the largest looked at"

SENSITIVITY = Schema(
    "Sensitivity",
    "What drives the decision: one assumption at a time doubled, in the chosen layout, largest change of step first.",
    {
        "parameter": Variable(_PARAMETER, "str", "", "assumption that is doubled"),
        "stated": Variable(_PARAMETER, "float64", "", "its value, in the unit of the study file"),
        "expected": Variable(
            _PARAMETER, "float64", "1", "the quantity that the target limits, in the chosen layout", (0.0, None)
        ),
        "required_step": Variable(_PARAMETER, "float64", "km", "step that just meets the target", (0.0, None), _BEYOND),
        "change": Variable(
            _PARAMETER, "float64", "km", "its change from that of the stated assumptions", missing=_BEYOND
        ),
        "stated_required_step": Variable(
            (), "float64", "km", "step that just meets the target under the stated assumptions", (0.0, None), _BEYOND
        ),
    },
    coordinates=("parameter",),
)

STATION_KEEPING = Schema(
    "Station-keeping",
    "Velocity change that holding a satellite of each plane takes, by year of the mission and over all of it.",
    {
        "plane": PLANES.variables["plane"],
        "year": Variable(("year",), "int64", "1", "year of the mission, from 0; the last may be cut short", (0, None)),
        **{
            f"velocity_change_{part}": Variable(
                ("plane", "year"), "float64", "m s-1 year-1", f"velocity change a year {purpose}", (0.0, None)
            )
            for part, purpose in _HOLDING.items()
        },
        **{
            f"mean_velocity_change_{part}": Variable(
                _PLANE, "float64", "m s-1 year-1", f"velocity change a year {purpose}; mean over the span", (0.0, None)
            )
            for part, purpose in _HOLDING.items()
        },
    },
    coordinates=("plane", "year"),
)

_SURFACE = ("plane", "latitude")
_BEYOND_APEX = "latitude that the plane does not reach"

FROZEN_SURFACES = Schema(
    "Frozen surfaces",
    "Radius of the frozen orbit of each plane against latitude, on ascending and descending passes alike.",
    {
        "plane": PLANES.variables["plane"],
        "latitude": Variable(("latitude",), "float64", "degree", "geocentric latitude", (-90.0, 90.0)),
        "frozen_radius": Variable(_SURFACE, "float64", "km", "radius of the frozen orbit", missing=_BEYOND_APEX),
        "lowest_radius": Variable(
            _SURFACE, "float64", "km", "lowest radius occupied with the departure in eccentricity", missing=_BEYOND_APEX
        ),
        "highest_radius": Variable(
            _SURFACE,
            "float64",
            "km",
            "highest radius occupied with the departure in eccentricity",
            missing=_BEYOND_APEX,
        ),
        "plane_above": Variable(_PLANE, "int64", "1", "number of the next plane above, -1 for the top", (-1, None)),
        "gap_above": Variable(
            _SURFACE,
            "float64",
            "km",
            "radius of the frozen orbit of the next plane above less that of this one",
            missing="top plane, or a latitude that one of the two does not reach",
        ),
    },
    coordinates=("plane", "latitude"),
)

_ORDER = ("order",)
_ORDERED = ("order", "shell")
_TOP = "top shell"

PLANE_ORDERS = Schema(
    "Plane orders",
    "Orders of the planes in altitude, what each costs in expected collisions among the fleet, and why.",
    {
        "order": Variable(_ORDER, "str", "", "name of the order"),
        "shell": Variable(("shell",), "int64", "1", "number of the shell, from 0 at the lowest", (0, None)),
        "term": Variable(("term",), "str", "", "term of the expected collisions"),
        "plane": Variable(_ORDERED, "int64", "1", "number of the orbital plane in this shell", (0, None)),
        "collisions_fleet": Variable(
            _ORDER, "float64", "year-1", "expected collisions among the fleet, closed form, no avoidance", (0.0, None)
        ),
        "contribution": Variable(
            ("order", "term"), "float64", "year-1", "what this term adds to the collisions of the terms before it"
        ),
        "reduction": Variable(
            _ORDER, "float64", "1", "share of the collisions of this order that the best one avoids", (0.0, 1.0)
        ),
        "crossing_angle_above": Variable(
            _ORDERED, "float64", "degree", "angle to the next plane above, mean of the mission", (0.0, 180.0), _TOP
        ),
        "node_drift_above": Variable(
            _ORDERED,
            "float64",
            "degree",
            "by how much the node of the next plane above moves against that of this one over the mission",
            missing=_TOP,
        ),
        "ripple_difference_above": Variable(
            _ORDERED,
            "float64",
            "km",
            "RMS difference of tesseral ripple to the next plane above at their nodes, at the start",
            (0.0, None),
            _TOP,
        ),
    },
    coordinates=("order", "shell", "term"),
)

SCHEMAS = (
    OBJECTS,
    ORBITS,
    STATES,
    APPROACHES,
    RATES,
    PLANES,
    STATION_KEEPING,
    FROZEN_SURFACES,
    PLANE_ORDERS,
    DECISION,
    SENSITIVITY,
)
