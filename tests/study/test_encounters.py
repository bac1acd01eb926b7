"""Collisions with debris, added up over blocks: nothing is lost or counted twice."""

import numpy as np
import pytest

from shells.risk.aggregation import collision_risk
from shells.risk.numbers import NUMBERS
from shells.risk.workload import WORKLOAD
from shells.study import encounters
from tests.study import fakes


def numbers(count, seed):
    """Return encounters of some objects with planes 0 to 3 in two years."""
    rng = np.random.default_rng(seed)
    number = rng.exponential(1e-3, count)
    return NUMBERS.build(
        {
            "encounter": np.arange(count),
            "other": rng.integers(100 * seed, 100 * seed + 9, count),
            "plane": rng.integers(0, 4, count),
            "year": rng.integers(0, 2, count),
            "number": number,
            "independent_number": 0.7 * number,
        }
    )


def workload(rate):
    level = [1e-4]
    values = {name: [rate] for name in WORKLOAD.variables if name not in ("threshold", "lasting")}
    return WORKLOAD.build({**values, "threshold": level, "lasting": 0})


def test_blocks_add_up_to_the_whole(tmp_path):
    study = fakes.study(tmp_path)
    parts = [numbers(300, 1), numbers(200, 2)]
    blocks = [{"numbers": encounters._by_object(part), "workload": workload(0.1)} for part in parts]
    assert blocks[0]["numbers"].sizes["encounter"] < 300  # each object, plane and year once
    found = encounters.conclude(study, [*blocks, {}])  # one block without an approach
    for name, by in (("risk_of_fleet", ()), ("risk_by_plane", ("plane",)), ("risk_by_year", ("year",))):
        # other method: scenario risks of all encounters, objects of the two parts apart
        sums = sum(collision_risk(part, by=by)["number"].values for part in parts)
        np.testing.assert_allclose(found[name]["number"], sums, rtol=1e-12)
        # Poisson, the clusters counted once
        np.testing.assert_allclose(found[name]["probability"], -np.expm1(-0.7 * sums), rtol=1e-12)
        assert (found[name]["number_error"] > 0.0).all()
    assert found["workload"]["manoeuvres"].item() == pytest.approx(0.2)
    assert encounters.conclude(study, [{}, {}]) == {}
