"""The invented population: what its recipe promises, and that it does not depend on how much of it is made."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shells.debris.demo import FAMILIES, SIZES, demo_debris
from shells.errors import InputError
from shells.schema import OBJECTS

# --- closed form ---


def test_closed_form_shares_of_families_and_kinds():
    objects = demo_debris(count=40_000, seed=5)
    share = sum(family.share for family in FAMILIES)
    assert share == pytest.approx(1.0, abs=1e-12)
    for kind, expected in (
        ("payload", sum(family.share * family.payload for family in FAMILIES)),
        ("rocket body", sum(family.share * family.rocket_body for family in FAMILIES)),
    ):
        # five standard deviations of a binomial share
        found = (objects["kind"] == kind).mean().item()
        assert found == pytest.approx(expected, abs=5 * np.sqrt(expected * (1 - expected) / 40_000))
    for kind, recipe in SIZES.items():
        ratio = objects["area_to_mass"].values[objects["kind"].values == kind]
        # five standard deviations of the mean of a normal sample
        tolerance = 5 * recipe.area_to_mass_spread / np.sqrt(ratio.size)
        assert np.log(ratio).mean() == pytest.approx(np.log(recipe.area_to_mass), abs=tolerance)


def test_closed_form_uniform_angles():
    objects = demo_debris(count=40_000, seed=5)
    perigee = np.degrees(np.arctan2(objects["eccentricity_y"], objects["eccentricity_x"])) % 360.0
    for angle in (objects["raan"], objects["mean_argument_of_latitude"], perigee):
        # Kolmogorov's bound for 1e-6 chance: sup |F - u| < sqrt(ln(2e6) / 2 n)
        u = np.sort(angle.values) / 360.0
        assert np.abs(u - (np.arange(u.size) + 0.5) / u.size).max() < np.sqrt(np.log(2e6) / (2 * u.size))


def test_recipe_in_the_documentation_is_the_recipe():
    rows = re.findall(
        r"^ *(\d\.\d\d) +(\d+) \+- (\d+) +([\d.]+) \+- ([\d.]+) +([\d.]+), ln \+- ([\d.]+) +([\d.]+) +([\d.]+)$",
        demo_debris.__doc__ or "",
        re.MULTILINE,
    )
    assert [tuple(float(cell) for cell in row) for row in rows] == [tuple(family) for family in FAMILIES]
    sizes = re.findall(
        r"^ *([a-z ]+?) +([\d.]+), ln \+- ([\d.]+) +([\d.]+), ln \+- ([\d.]+)$", demo_debris.__doc__ or "", re.MULTILINE
    )
    assert {kind: tuple(float(cell) for cell in cells) for kind, *cells in sizes} == {
        kind: tuple(recipe) for kind, recipe in SIZES.items()
    }


# --- property ---


@settings(max_examples=30, deadline=None)
@given(count=st.integers(1, 300), more=st.integers(0, 300), seed=st.integers(0, 2**63))
def test_property_a_smaller_population_begins_a_larger_one(count, more, seed):
    small, large = demo_debris(count=count, seed=seed), demo_debris(count=count + more, seed=seed)
    assert small.drop_attrs().equals(large.isel(object=slice(count)).drop_attrs())


@settings(max_examples=30, deadline=None)
@given(count=st.integers(1, 2000), seed=st.integers(0, 2**63))
def test_property_orbits_are_possible(count, seed):
    objects = demo_debris(count=count, seed=seed)
    OBJECTS.check(objects, stage="test")
    eccentricity = np.hypot(objects["eccentricity_x"], objects["eccentricity_y"])
    assert (objects["semi_major_axis"] * (1 - eccentricity) - 6378.137).min() >= 200.0 - 1e-9
    assert eccentricity.max() <= 0.75 + 1e-12
    assert (objects["hard_body_radius"] >= 0.05).all()
    np.testing.assert_allclose(objects["drag_area"] / objects["mass"], objects["area_to_mass"], rtol=1e-12)


def test_property_seeds_differ():
    one, other = demo_debris(count=100, seed=1), demo_debris(count=100, seed=2)
    assert not (one["raan"].values == other["raan"].values).any()


# --- limits ---


def test_names_numbers_and_epoch():
    objects = demo_debris(count=100_001, seed=0, epoch="2030-06-01T00:00:00Z")
    assert objects["name"].values[[0, 99_998, 100_000]].tolist() == ["DEMO 00001", "DEMO 99999", "DEMO 100001"]
    assert objects["object"].values[[0, -1]].tolist() == [1, 100_001]
    assert objects["epoch"].values == np.datetime64("2030-06-01")


# --- errors ---


def test_errors_all_at_once():
    with pytest.raises(InputError) as caught:
        demo_debris(count=0, seed=-1)
    assert str(caught.value) == (
        "demo_debris:\n  - count = 0; expected 1 to 9999999\n  - seed = -1; expected an integer of 0 or more"
    )
    with pytest.raises(InputError, match=r"count = 2\.5; expected 1 to 9999999"):
        demo_debris(count=2.5, seed=1)
    with pytest.raises(InputError, match="demo_debris: epoch = 'soon'; expected a UTC time between 1957 and 2200"):
        demo_debris(count=2, seed=1, epoch="soon")
