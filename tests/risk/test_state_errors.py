"""The error model: by hand, its file, and what is refused."""

import numpy as np
import pytest
from astropy import units

from shells.errors import InputError
from shells.risk.probability import collision_probability
from shells.risk.state_errors import ENCOUNTER_ERRORS, encounter_errors, error_classes
from tests.populations import objects_of, random_elements
from tests.risk.test_probability import approaches


def events_of(first, second, **options):
    return approaches(len(first), **options).assign(first=("approach", first), second=("approach", second))


def populations():
    rng = np.random.default_rng(3)
    fleet = objects_of(random_elements(rng, 2), kind="fleet", radius=4.0)
    debris = objects_of(random_elements(rng, 2), kind="debris", radius=0.5, first=2)
    return fleet.isel(object=[0]), debris


def test_by_hand():
    # Closed form: quadrature sums of the numbers in the file, fleet and debris between 500 and 800 km.
    events = events_of([1, 1], [2, 3], angle=[60.0, -30.0])
    found = encounter_errors(events, *populations(), age_first_days=2.0, age_second_days=[0.5, 12.0] * units.h)
    ENCOUNTER_ERRORS.check(found, stage="test")
    fleet = [5.0**2 + 4.0**2, 15.0**2 + 200.0**2 + 200.0**2, 5.0**2 + 4.0**2]
    age = np.array([0.5 / 24.0, 0.5])
    radial, cross = 115.0**2 + (20.0 * age) ** 2, 137.0**2 + (10.0 * age) ** 2
    debris = np.stack([radial, 517.0**2 + (1000.0 * age) ** 2 + (100.0 * age**2) ** 2, cross], axis=1)
    np.testing.assert_allclose(found["covariance_first_m2"], np.tile(np.diag(fleet), (2, 1, 1)), rtol=1e-14)
    np.testing.assert_allclose(found["covariance_second_m2"], [np.diag(row) for row in debris], rtol=1e-14)
    np.testing.assert_array_equal(found["hard_body_radius_m"], [4.5, 4.5])
    # the names are those of the arguments
    assert (collision_probability(events, **found)["collision_probability"] > 0.0).all()


def test_every_class_has_its_source():
    # Property: bands of altitude without gap or overlap for each group of kinds, each with a source or "assumed".
    classes = error_classes()
    assert all("assumed" in each.source or "20" in each.source for each in classes)
    for kinds in {each.kinds for each in classes}:
        bands = [(each.altitude_from_km, each.altitude_to_km) for each in classes if each.kinds == kinds]
        assert bands[0][0] == 0.0
        assert bands[-1][1] == np.inf
        assert [high for _, high in bands[:-1]] == [low for low, _ in bands[1:]]
    known = {"fleet", "neighbour", "payload", "rocket body", "debris", "fragment", "unknown"}
    assert {kind for each in classes for kind in each.kinds} == known


def test_altitude_class_decides():
    # Property: air is thicker below, so the same age costs more.
    events = events_of([1, 1, 1], [2, 3, 2]).assign(
        radius_altitude=("approach", [450.0, 600.0, 1100.0], {"units": "km"})
    )
    found = encounter_errors(events, *populations(), age_first_days=3.0, age_second_days=3.0)
    in_track = found["covariance_second_m2"].values[:, 1, 1]
    assert (np.diff(in_track) < 0.0).all()


def test_errors(tmp_path):
    events = events_of([1, 1], [2, 9], angle=[60.0, -30.0])
    fleet, debris = populations()
    debris = debris.assign(kind=("object", ["balloon", "debris"]))
    with pytest.raises(InputError) as error:
        encounter_errors(events, fleet, debris, age_first_days=-1.0, age_second_days=[1.0, 2.0, 3.0])
    assert str(error.value).splitlines() == [
        "encounter_errors: arguments cannot be used:",
        "  - age_first_days: [-1.] days at approaches [0, 1] (2 of 2); allowed: finite, from 0 days",
        "  - second: objects [9] at approaches [1] (1 of 2) are not in their population",
        "  - age_second_days: shape (3,) found; allowed: () or (2,)",
        "  - second: no error class for kinds ['balloon'] at approaches [0] (1 of 2), altitudes 600 to 600 km; "
        "add one to the model",
    ]
    own = tmp_path / "errors.csv"
    head = (
        "kinds,altitude_from_km,altitude_to_km,radial_m,in_track_m,cross_track_m,radial_m_per_day,in_track_m_per_day,"
    )
    own.write_text(head + "cross_track_m_per_day,in_track_m_per_day2,source\nfleet,0,inf,-1,2,x,1,1,1,1,\n")
    with pytest.raises(InputError) as error:
        error_classes(own)
    assert str(error.value).splitlines()[1:] == [
        "  - row 1, radial_m: '-1' found; allowed: numbers from 0",
        "  - row 1, cross_track_m: 'x' found; allowed: numbers from 0",
        "  - row 1, source: none found; give one, or the word assumed",
    ]
    own.write_text("kinds,source\nfleet,assumed\n")
    with pytest.raises(InputError, match="columns missing: altitude_from_km, altitude_to_km"):
        error_classes(str(own))
