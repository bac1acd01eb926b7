"""A catalogue file as objects: the public stage.

Elements are the library's mean elements at one common time, fitted to what SGP4 propagates from the element sets
(`shells.debris.fit`). Frame: catalogue element sets are TEME, true equator and mean equinox of their epoch, and taken
as the frame of the library. That neglects the equation of the equinoxes (up to 17 arc seconds: 0.6 km at 7,000 km, but
the same turn for all objects) and the precession between `at` and the study epoch (50 arc seconds a year).
"""

from __future__ import annotations

import json
from collections import Counter
from datetime import datetime
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from sgp4.api import SGP4_ERRORS

from shells import constants
from shells.debris.element_sets import ElementSets, read_element_sets
from shells.debris.fit import FittedElements, fit_mean_elements
from shells.debris.instants import utc_instant
from shells.debris.kinds import HARD_BODY_RADII, kind_of_name
from shells.debris.records import Rejected
from shells.errors import CatalogueError, InputError
from shells.schema import OBJECTS, provenance

#: Range of drag coefficient times area-to-mass ratio [m2 kg-1] that a B* is believed in; catalogues fit B* to whatever
#: moves the orbit, thrust included, so that it can be zero, negative or absurd.
BELIEVED_BALLISTIC = (1e-4, 5.0)

#: Highest eccentricity that the library's motion is made for.
HIGHEST_ECCENTRICITY = 0.95


def read_catalogue(path: str | Path, *, at: np.datetime64 | datetime | str | None = None) -> xr.Dataset:
    """Read a catalogue of element sets as objects.

    Parameters
    ----------
    path : str or Path
        TLE or 3LE, CCSDS OMM as KVN, XML, CSV or JSON, plain or gzip; recognised from the content, whatever the name.
    at : datetime64, datetime or str, optional
        Time of the elements, UTC. By default the median epoch of the element sets, rounded down to the start of its UTC
        day. SGP4 carries every set from its own epoch to this time: keep it within days of the epochs.

    Returns
    -------
    Dataset
        Schema Objects, in the order of the file. Where several sets are of one object, the one whose epoch is closest
        to `at`. Area-to-mass is 2 B*/rho0 over the drag coefficient, the default of `shells.constants` where B* is not
        believable; kinds are told from names, hard-body radii assumed by kind; masses and areas are not known. The
        attribute `provenance` holds file, checksum, epochs, counts, and every record left out (`rejected_records`).

    Raises
    ------
    CatalogueError
        The file cannot be read or holds no usable object.
    InputError
        `at` is no time between 1957 and 2200.
    """
    instant = None if at is None else utc_instant(at, where="read_catalogue: at")
    sets = read_element_sets(path)
    if instant is None:
        instant = np.sort(sets.epochs)[len(sets) // 2].astype("datetime64[D]").astype("datetime64[ns]")
    read = len(sets)
    sets = sets.nearest_to(instant)
    ballistic, believed = _ballistic(sets.drag_terms)
    sunlight = constants.DEFAULT_REFLECTIVITY_COEFFICIENT.value / constants.DEFAULT_DRAG_COEFFICIENT.value * ballistic
    fitted = fit_mean_elements(sets.satellites, np.column_stack([ballistic, sunlight]), instant)
    kept, sets = _usable(sets, fitted)
    if not len(sets):
        first = sets.rejected[0]
        raise CatalogueError(
            f"{path}: none of {read} element sets can be used at {instant}; the first: {first.reason} "
            f"({first.detail}); choose `at` nearer to the epochs"
        )
    ages = np.abs((sets.epochs - instant) / np.timedelta64(1, "D"))
    facts = provenance(
        stage="read_catalogue",
        file=sets.file,
        file_sha256=sets.file_sha256,
        format=sets.format,
        at=str(instant),
        epochs=[str(sets.epochs.min()), str(sets.epochs.max())],
        days_from_epoch={"median": round(float(np.median(ages)), 3), "largest": round(float(ages.max()), 3)},
        read=read,
        kept=len(sets),
        area_to_mass={"from_bstar": int(believed[kept].sum()), "default": int((~believed[kept]).sum())},
        hard_body_radius_m={kind: radius.value for kind, radius in HARD_BODY_RADII.items()},
        assumed=["hard_body_radius", "reflectivity_coefficient", "drag_coefficient"],
        rejected_by_reason=dict(Counter(record.reason for record in sets.rejected)),
        rejected=sets.rejected,
    )
    return OBJECTS.build(_values(sets, fitted.elements[kept], ballistic[kept], instant), attributes=facts)


def rejected_records(objects: xr.Dataset) -> list[Rejected]:
    """Return the records of the catalogue file that are not among the objects.

    Parameters
    ----------
    objects : Dataset
        As `read_catalogue` gives it.

    Returns
    -------
    list of Rejected
        Line, identifier, name, text, reason and detail of each, in the order of the file.

    Raises
    ------
    InputError
        The Dataset does not come from a catalogue.
    """
    facts = json.loads(objects.attrs.get("provenance", "{}"))
    if "rejected" not in facts:
        raise InputError(
            "rejected_records: the attribute 'provenance' names no rejected records; expected a Dataset of "
            "read_catalogue with its attributes kept"
        )
    return [Rejected(*record) for record in facts["rejected"]]


def _ballistic(drag_terms: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return drag coefficient times area-to-mass ratio [m2 kg-1], and where it comes from B*."""
    from_bstar = 2.0 * drag_terms / constants.SGP4_REFERENCE_DENSITY.value
    believed = (from_bstar >= BELIEVED_BALLISTIC[0]) & (from_bstar <= BELIEVED_BALLISTIC[1])
    default = constants.DEFAULT_DRAG_COEFFICIENT.value * constants.DEFAULT_AREA_TO_MASS.value
    return np.where(believed, from_bstar, default), believed


def _usable(sets: ElementSets, fitted: FittedElements) -> tuple[NDArray[np.bool_], ElementSets]:
    """Return which sets have elements to go on with, and these sets with the others rejected."""
    wrong = fitted.sgp4_errors != 0
    left_out = wrong | ~fitted.fitted
    eccentricity = np.hypot(fitted.elements[:, 1], fitted.elements[:, 2])
    kept = ~left_out & (eccentricity < HIGHEST_ECCENTRICITY)
    codes = (int(code) for code in fitted.sgp4_errors[wrong])
    reduced = sets.without(wrong, "SGP4 error in the span", (f"error {code}: {SGP4_ERRORS[code]}" for code in codes))
    unfitted = (left_out & ~wrong)[~wrong]
    detail = "no mean elements fit SGP4's states: the orbit ends, or decays fast, within the span"
    reduced = reduced.without(unfitted, "no fit", (detail for _ in range(int(unfitted.sum()))))
    beyond = (~kept & ~left_out)[~left_out]
    details = (f"{found:.4f}, expected below {HIGHEST_ECCENTRICITY}" for found in eccentricity[~kept & ~left_out])
    return kept, reduced.without(beyond, "eccentricity too high", details)


def _values(
    sets: ElementSets, elements: NDArray[np.float64], ballistic: NDArray[np.float64], instant: np.datetime64
) -> dict[str, object]:
    kinds = [kind_of_name(name) for name in sets.names]
    count = len(sets)
    unknown = np.full(count, np.nan)
    never = np.full(count, np.datetime64("NaT", "ns"))
    return {
        "object": sets.identifiers,
        "epoch": instant,
        "semi_major_axis": elements[:, 0],
        "eccentricity_x": elements[:, 1],
        "eccentricity_y": elements[:, 2],
        "inclination": np.degrees(elements[:, 3]),
        "raan": np.degrees(elements[:, 4]),
        "mean_argument_of_latitude": np.degrees(elements[:, 5]),
        "mass": unknown,
        "drag_area": unknown,
        "radiation_area": unknown,
        "area_to_mass": ballistic / constants.DEFAULT_DRAG_COEFFICIENT.value,
        "drag_coefficient": np.full(count, constants.DEFAULT_DRAG_COEFFICIENT.value),
        "reflectivity_coefficient": np.full(count, constants.DEFAULT_REFLECTIVITY_COEFFICIENT.value),
        "hard_body_radius": [HARD_BODY_RADII[kind].value for kind in kinds],
        "plane": np.full(count, -1),
        "slot": np.full(count, -1),
        "held_from": never,
        "held_until": never,
        "kind": kinds,
        "name": sets.names,
    }
