"""Screening volumes against the sampled path of the second object in the frame of the first."""

import numpy as np
import pytest

from shells.approaches.search import find_approaches
from shells.approaches.volumes import Box, Ellipsoid
from shells.errors import InputError
from shells.motion.propagation import positions, propagate
from tests.approaches.test_relative_motion import CLASSES, DAY
from tests.populations import objects_of, random_elements, small_fleet


def smallest_gauge(orbits, volume, event):
    """Return how deep the second object gets along the encounter, 1 at the border, from densely sampled positions."""
    time, start, end = (event[name].values for name in ("time", "start", "end"))
    if np.isnat(start):
        start, end = time - np.timedelta64(60, "s"), time + np.timedelta64(60, "s")
    start, end = max(start, orbits["time"].values[0]), min(end, orbits["time"].values[-1])
    times = start + ((end - start) * np.linspace(0.0, 1.0, 10_001)).astype("timedelta64[ns]")
    states = positions(orbits.sel(object=[event["first"].item(), event["second"].item()]), times)
    (r, other), (v, _) = states["position"].values, states["velocity"].values
    radial = r / np.linalg.norm(r, axis=1)[:, None]
    normal = np.cross(r, v)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    frame = np.stack([radial, np.cross(normal, radial), normal], axis=1)
    place = np.einsum("tij,tj->ti", frame, other - r)
    scaled = np.abs(place) / [volume.radial_km, volume.in_track_km, volume.cross_track_km]
    gauge = scaled.max(axis=1) if isinstance(volume, Box) else np.linalg.norm(scaled, axis=1)
    return gauge.min()


def assert_exact(orbits, volume):
    """Those of the sphere's approaches that enter the volume along the real path are kept, no others."""
    sphere = find_approaches(orbits, within_km=volume.reach_km)
    kept = find_approaches(orbits, within_km=volume)
    columns = ("first", "second", "time")
    names = set(zip(*(kept[name].values.tolist() for name in columns), strict=True))
    entered = 0
    for j in range(sphere.sizes["approach"]):
        event = sphere.isel(approach=j)
        gauge = smallest_gauge(orbits, volume, event)
        if abs(gauge - 1.0) > 0.03:  # the path is sampled every 12 ms or 2 s, less than 0.2 km
            entered += gauge < 1.0
            assert (tuple(event[name].values.item() for name in columns) in names) == (gauge < 1.0)
    assert kept.sizes["approach"] < sphere.sizes["approach"]
    return entered


@pytest.mark.parametrize("shape", [Box, Ellipsoid])
def test_short_encounters(shape):
    rng = np.random.default_rng(31)
    fleet = small_fleet(planes=3, satellites=10, step=0.6)
    debris = objects_of(random_elements(rng, 60, perigee=(1050.0, 1062.0), eccentricity=(0.0, 0.002)), first=1001)
    orbits = propagate(objects_from(fleet, debris), years=DAY).compute(scheduler="threads")
    assert assert_exact(orbits, shape(radial_km=2.0, in_track_km=14.0, cross_track_km=9.0)) > 3


@pytest.mark.parametrize("shape", [Box, Ellipsoid])
def test_lasting_encounters(shape):
    rng = np.random.default_rng(32)
    rows = np.concatenate([CLASSES["formation"][0](rng, 5), CLASSES["in one plane"][0](rng, 7)])
    orbits = propagate(objects_of(rows), years=0.2 * DAY, node_days=0.2).compute(scheduler="threads")
    assert assert_exact(orbits, shape(radial_km=0.3, in_track_km=7.0, cross_track_km=1.0)) > 3


def objects_from(*parts):
    import xarray as xr

    return xr.concat(parts, "object", data_vars="minimal", coords="minimal", compat="override")


def test_enclosing_spheres():
    assert Box(radial_km=2.0, in_track_km=3.0, cross_track_km=6.0).reach_km == pytest.approx(7.0, rel=1e-15)
    assert Ellipsoid(radial_km=2.0, in_track_km=3.0, cross_track_km=6.0).reach_km == 6.0


def test_faults_are_named():
    with pytest.raises(InputError, match=r"(?s)Box.*radial_km 0.0; expected more than zero.*cross_track_km -1.0"):
        Box(radial_km=0.0, in_track_km=3.0, cross_track_km=-1.0)
    with pytest.raises(InputError, match=r"radial_km '2'; expected more than zero, and finite"):
        Ellipsoid(radial_km="2", in_track_km=3.0, cross_track_km=1.0)
