"""Collisions with debris, added up over blocks: nothing is lost or counted twice."""

import numpy as np
import pytest

from shells.risk.aggregation import collision_risk
from shells.risk.numbers import NUMBERS
from shells.risk.workload import WORKLOAD
from shells.study import encounters
from tests.populations import EPOCH, objects_of, random_elements
from tests.risk import test_workload
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
    values = {name: [rate] if variable.dims else rate for name, variable in WORKLOAD.variables.items()}
    return WORKLOAD.build({**values, "threshold": [1e-4], "lasting": 0})


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
    assert found["workload"]["encounters_above"].item() == pytest.approx(0.2)
    assert encounters.conclude(study, [{}, {}]) == {}


@pytest.mark.parametrize("age", [7.0, 20.0])
def test_collisions_do_not_hang_on_the_age_of_orbits(tmp_path, age):
    # Monte Carlo: misses uniform over the search; so many go through the body as its disc has of the search, however
    # wide the errors. Within three standard errors, of single encounters.
    study = fakes.study(tmp_path, ("[sweep]", f"[avoidance]\ndebris_age_days = {age}\n\n[sweep]"))
    count = np.arange(4000)
    events = test_workload.encounters(count.size, study.search_km, seed=2)
    names = {
        "first": count % 40,
        "second": 1000 + count % 500,
        "time": EPOCH + (count * 3 * 3600 * 10**9).astype("timedelta64[ns]"),
    }
    events = events.assign({name: ("approach", values) for name, values in names.items()})
    rng = np.random.default_rng(14)
    fleet = objects_of(random_elements(rng, 40), kind="fleet", plane=np.zeros(40, int), held=True, first=0, radius=4.0)
    debris = objects_of(random_elements(rng, 500), first=1000, radius=3.0)
    weighed = encounters.weigh(study, events, fleet, debris)
    number = weighed["numbers"]["number"].values
    expected, spread = 4000 * (0.007 / study.search_km) ** 2, np.sqrt((number**2).sum())
    assert abs(number.sum() - expected) < 3.0 * spread
    # what the search found falls short of it
    assert number.sum() * weighed["workload"]["share_found"].item() < expected - 3.0 * spread
    # all counted, half of them given an area
    assert weighed["workload"]["encounters"].item() == pytest.approx(4000 / study.satellites / study.study.years)
