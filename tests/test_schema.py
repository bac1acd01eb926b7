"""Schemas, constants, errors and the glossary."""

import numpy as np
import pytest

from shells import constants, glossary
from shells.errors import Faults, InputError, SchemaError
from shells.schema import APPROACHES, OBJECTS, RATES
from tests.populations import objects_of

ROW = [7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]


def test_zonals_equal_the_published_unnormalised_values():
    # J_n = -sqrt(2 n + 1) C_n0 of EGM96 (Lemoine et al. 1998), J2, J3 and J6
    zonals = constants.zonal_coefficients()
    np.testing.assert_allclose(zonals[[2, 3, 6]], [1.0826266836e-3, -2.5326564853e-6, 5.4068123911e-7], rtol=1e-9)
    assert zonals[0] == zonals[1] == 0.0


def test_drag_term_of_element_sets():
    # Cd A/m = 12.741621 B* m2/kg, published to eight digits
    assert 2.0 / constants.SGP4_REFERENCE_DENSITY.value == pytest.approx(12.741621, rel=1e-7)


def test_every_constant_has_unit_and_source():
    found = [value for value in vars(constants).values() if isinstance(value, constants.Constant)]
    assert len(found) > 8
    assert all(constant.unit and constant.source for constant in found)


def test_all_faults_of_a_dataset_are_told_at_once():
    objects = objects_of([ROW, ROW])
    broken = objects.assign(
        inclination=("object", [86.5, 400.0], {"units": "degree"}), raan=("object", [30.0, np.nan], {"units": "rad"})
    ).drop_vars("mass")
    with pytest.raises(SchemaError) as caught:
        OBJECTS.check(broken, stage="propagate")
    assert str(caught.value) == (
        "propagate: Dataset does not meet schema 'Objects':\n"
        "  - inclination: 400.0 degree at {'object': 1} outside [0.0, 180.0] (1 of 2)\n"
        "  - raan: units 'rad', expected 'degree'\n"
        "  - raan: missing value at {'object': 1} (1 of 2); none allowed\n"
        "  - mass: missing; expected dims ('object',), units 'kg'"
    )


def test_unknown_names_and_wrong_dimensions():
    with pytest.raises(SchemaError, match="schema 'Approaches' has no variable"):
        APPROACHES.build({"distance": [1.0]})
    with pytest.raises(SchemaError, match=r"rate: dims \('within_km', 'plane'\)"):
        RATES.build({"within_km": [1.0], "plane": [0, 1], "rate": np.ones((1, 2))}, dims=("within_km", "plane"))


def test_units_and_names_are_set():
    objects = objects_of([ROW])
    assert objects["semi_major_axis"].attrs == {"units": "km", "long_name": "mean semi-major axis"}
    assert objects.attrs["Conventions"].startswith("CF")


def test_faults_are_collected():
    faults = Faults("somewhere")
    faults.raise_if_any()
    faults.require(False, "one")
    faults.add("two")
    with pytest.raises(InputError, match="somewhere:\n  - one\n  - two"):
        faults.raise_if_any()


def test_glossary_is_up_to_date():
    assert glossary.FILE.read_text(encoding="utf-8") == glossary.render(), "run: python -m shells.glossary"
