"""Walker patterns; published values are in tests/published/test_fleet.py."""

import datetime
import json

import numpy as np
import pytest
from astropy import units
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st

from shells.errors import InputError
from shells.fleet.patterns import walker
from shells.motion.shape import mean_radius
from shells.schema import OBJECTS

STAR = {"total": 60, "planes": 6, "pattern": "star", "altitude_km": 1200.0, "inclination_deg": 87.9}


@given(st.integers(1, 12), st.integers(1, 9), st.integers(0, 11), st.sampled_from(["star", "delta"]))
def test_spacing(planes, per_plane, phasing, pattern):
    # Closed form: 180/p or 360/p between planes, 360 p/t in a plane, f 360/t from plane to plane.
    total, phasing = planes * per_plane, phasing % planes
    fleet = walker(
        total=total,
        planes=planes,
        phasing=phasing,
        pattern=pattern,
        altitude_km=600,
        inclination_deg=70,
        raan_deg=350.0,
    )
    OBJECTS.check(fleet, stage="test")
    plane, slot = fleet["plane"].values, fleet["slot"].values
    span = 180.0 if pattern == "star" else 360.0
    np.testing.assert_allclose(fleet["raan"], (350.0 + plane * span / planes) % 360.0, rtol=0, atol=1e-10)
    phase = (slot * 360.0 * planes / total + phasing * plane * 360.0 / total) % 360.0
    off = np.abs(fleet["mean_argument_of_latitude"].values - phase)
    np.testing.assert_allclose(np.minimum(off, 360.0 - off), 0.0, rtol=0, atol=1e-9)
    np.testing.assert_array_equal(fleet["object"], np.arange(1, total + 1))


def test_altitude_is_that_of_the_mean_radius():
    # Definition: mean radius less 6378.137 km; the semi-major axis is 4.3 km lower here.
    fleet = walker(**STAR)
    radius = mean_radius(fleet["semi_major_axis"].values, fleet["inclination"].values)
    np.testing.assert_allclose(radius - 6378.137, 1200.0, rtol=0, atol=1e-9)
    np.testing.assert_allclose(fleet["semi_major_axis"].values - 6378.137, 1195.7, rtol=0, atol=0.05)


def test_satellites():
    fleet = walker(**STAR, eccentricity=0.001, mass_kg=250.0, drag_area_m2=5.0, radiation_area_m2=7.0, name="polar")
    assert (fleet["eccentricity_x"] == 0.0).all()
    assert (fleet["eccentricity_y"] == 0.001).all()
    assert (fleet["area_to_mass"] == 0.02).all()
    assert (fleet["radiation_area"] == 7.0).all()
    assert (fleet["kind"] == "fleet").all()
    assert (fleet["held_from"] == fleet["epoch"]).all()
    assert (fleet["held_until"] == np.datetime64("2200-01-01")).all()
    assert fleet["name"].values[[0, -1]].tolist() == ["polar 0/0", "polar 5/9"]
    assert json.loads(fleet.attrs["provenance"])["walker"]["total"] == 60


def test_quantities_give_the_same_fleet():
    # Property: a Quantity is its value in the unit of the name.
    options = {"mass_kg": 0.2 * units.t, "drag_area_m2": 2e4 * units.cm**2, "hard_body_radius_m": 200.0 * units.cm}
    other = walker(**{**STAR, "altitude_km": 1200e3 * units.m, "inclination_deg": 87.9 * units.deg, **options})
    assert other.equals(walker(**STAR, mass_kg=200.0, drag_area_m2=2.0, hard_body_radius_m=2.0))


@pytest.mark.parametrize(
    "epoch",
    [
        "2027-03-01T12:00:00",
        "2027-03-01T12:00:00Z",
        datetime.datetime(2027, 3, 1, 12),
        np.datetime64("2027-03-01T12", "s"),
        Time("2027-03-01T12:00:00", scale="utc").tai,
    ],
)
def test_epochs(epoch):
    assert walker(**STAR, epoch=epoch)["epoch"].values == np.datetime64("2027-03-01T12:00:00", "ns")


def test_best_phasing_depends_on_the_eccentricity():
    # The circular best and the eccentric best of 53:1584/22 differ (values in tests/published).
    design = {"total": 1584, "planes": 22, "pattern": "delta", "altitude_km": 550, "inclination_deg": 53}
    chosen = [
        json.loads(walker(**design, phasing="best", eccentricity=e).attrs["provenance"])["walker"]["phasing"]
        for e in (0.0, 1.0294e-3)
    ]
    assert chosen == [17, 7]


def test_best_phasing_of_equals_is_the_smallest():
    # 87.9:720/18 star: 9, 11 and 13 are equally good, to rounding.
    fleet = walker(**{**STAR, "total": 720, "planes": 18}, phasing="best")
    assert json.loads(fleet.attrs["provenance"])["walker"]["phasing"] == 9


def test_lone_satellite():
    # Limit: one plane of one satellite has the phasing 0, best or not.
    one = walker(**{**STAR, "total": 1, "planes": 1}, phasing="best")
    assert one["mean_argument_of_latitude"].values.tolist() == [0.0]


def test_every_fault_at_once():
    with pytest.raises(InputError) as error:
        walker(
            total=1585,
            planes=22,
            phasing=33,
            pattern="rose",
            altitude_km=100.0,
            inclination_deg=190.0,
            eccentricity=0.5,
            raan_deg=np.nan,
            epoch="soon",
            mass_kg="heavy",
            drag_area_m2=-1.0,
            radiation_area_m2=-2.0,
            drag_coefficient=-2.0,
            reflectivity_coefficient=2.5,
            hard_body_radius_m=1.0 * units.s,
        )
    assert str(error.value).splitlines() == [
        "walker: arguments cannot be used:",
        "  - epoch: 'soon' found; allowed: a UTC time such as '2026-01-01T12:00:00', before 2200",
        "  - total: 1585 found with planes = 22; allowed: multiples of 22 (nearest 1584 and 1606), or planes that "
        "divide "
        "1585 (nearest 1, 5, 317, 1585)",
        "  - phasing: 33 found; allowed: whole numbers from 0 to planes - 1 = 21, or 'best'",
        "  - pattern: 'rose' found; allowed: 'star', 'delta'",
        "  - altitude_km: 100 km found; allowed: at least 160 km",
        "  - inclination_deg: 190 deg found; allowed: 0 to 180 deg",
        "  - eccentricity: 0.5 found; allowed: 0 to 0.02",
        "  - raan_deg: nan deg found; allowed: any finite number deg",
        "  - drag_area_m2: -1 m2 found; allowed: at least 0 m2",
        "  - radiation_area_m2: -2 m2 found; allowed: at least 0 m2",
        "  - mass_kg: 'heavy' found; allowed: one number in kg, bare or as a Quantity",
        "  - drag_coefficient: -2 found; allowed: at least 0",
        "  - reflectivity_coefficient: 2.5 found; allowed: 0 to 2",
        "  - hard_body_radius_m: <Quantity 1. s> found; allowed: one number in m, bare or as a Quantity",
    ]


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        (
            {"eccentricity": 0.01, "altitude_km": 200.0},
            "eccentricity: 0.01 found, which takes the perigee to 134.2 km; allowed at 200 km: 0 to 0.00608 (perigee "
            "from "
            "160 km)",
        ),
        ({"total": 0}, "total: 0 found; allowed: whole numbers from 1"),
        ({"planes": 2.0}, "planes: 2.0 found; allowed: whole numbers from 1"),
        ({"total": True}, "total: True found; allowed: whole numbers from 1"),
        ({"phasing": -1}, "phasing: -1 found; allowed: whole numbers from 0 to planes - 1 = 5, or 'best'"),
        ({"phasing": "good"}, "phasing: 'good' found; allowed: whole numbers from 0 to planes - 1 = 5, or 'best'"),
        (
            {"total": 4, "planes": 6},
            "total: 4 found with planes = 6; allowed: multiples of 6 (nearest 6), or planes that divide 4 (nearest "
            "1, 2, 4)",
        ),
        (
            {"epoch": "2200-01-01"},
            "epoch: '2200-01-01' found; allowed: a UTC time such as '2026-01-01T12:00:00', before 2200",
        ),
    ],
)
def test_single_faults(changes, fault):
    with pytest.raises(InputError) as error:
        walker(**{**STAR, **changes})
    assert str(error.value) == f"walker: arguments cannot be used:\n  - {fault}"
