"""Number and probability of collisions: clusters, scenarios, groups and resampled errors against closed forms."""

import numpy as np
import pytest

from shells.errors import InputError
from shells.risk.aggregation import COLLISION_RISK, collision_risk
from shells.risk.numbers import NUMBERS, encounter_numbers, rate_numbers
from shells.risk.probability import collision_probability
from shells.schema import RATES
from tests.populations import EPOCH, objects_of, random_elements
from tests.risk.test_probability import FIRST, SECOND, approaches


def numbers(number, *, satellite=1, other=None, plane=0, other_plane=-1, year=0, phase="held", other_phase=""):
    number = np.atleast_1d(np.asarray(number, dtype=float))
    count = number.size
    return NUMBERS.build(
        {
            "encounter": np.arange(count),
            "satellite": np.broadcast_to(satellite, count),
            "other": np.arange(count) + 100 if other is None else np.broadcast_to(other, count),
            "plane": np.broadcast_to(plane, count),
            "other_plane": np.broadcast_to(other_plane, count),
            "phase": np.broadcast_to(phase, count),
            "other_phase": np.broadcast_to(other_phase, count),
            "year": np.broadcast_to(year, count),
            "approaches": np.ones(count, dtype=np.int64),
            "number": number,
            "independent_number": number,
        }
    )


def probabilities(events, values):
    found = collision_probability(
        events, covariance_first_m2=FIRST, covariance_second_m2=SECOND, hard_body_radius_m=12.0
    )
    return found.assign(collision_probability=("approach", values, {"units": "1"}))


def meetings(first, second, hours):
    times = EPOCH + (np.asarray(hours) * 3600.0 * 1e9).astype("timedelta64[ns]")
    names = {"first": first, "second": second, "time": times, "start": times, "end": times}
    events = approaches(len(first), angle=np.linspace(40.0, 120.0, len(first)))
    return events.assign({name: ("approach", np.asarray(value)) for name, value in names.items()})


def debris(*ids):
    return objects_of(random_elements(np.random.default_rng(9), len(ids))).assign_coords(object=("object", list(ids)))


def fleet():
    return objects_of(random_elements(np.random.default_rng(8), 4), kind="fleet", plane=[0, 0, 1, 1], held=True)


def test_clusters_count_once():
    # By hand: revolutions of 97 min at 600 km; the pair 1-200 meets three times on successive revolutions, then two
    # days later; 1-201 once between.
    events = meetings([1, 1, 1, 1, 1], [200, 201, 200, 200, 200], [10.0, 10.8, 11.6, 13.2, 61.0])
    found = encounter_numbers(events, probabilities(events, [1e-4, 2e-4, 4e-4, 3e-4, 5e-4]), fleet(), debris(200, 201))
    assert found["other"].values.tolist() == [200, 200, 201]
    assert found["approaches"].values.tolist() == [3, 1, 1]
    np.testing.assert_allclose(found["number"], [8e-4, 5e-4, 2e-4], rtol=1e-12)
    np.testing.assert_allclose(-np.expm1(-found["independent_number"]), [4e-4, 5e-4, 2e-4], rtol=1e-12)
    risk = collision_risk(found)
    np.testing.assert_allclose(risk["number"], [15e-4], rtol=1e-12)
    np.testing.assert_allclose(risk["probability"], [1.0 - (1 - 4e-4) * (1 - 5e-4) * (1 - 2e-4)], rtol=1e-10)


def test_labels():
    # By hand: planes, years of 365.25 days, phases of life; a satellite released after a year.
    satellites = fleet()
    until = satellites["held_until"].values.copy()
    until[2] = EPOCH + np.timedelta64(365, "D")
    satellites = satellites.assign(held_until=("object", until))
    events = meetings([1, 3, 3], [3, 4, 2], [24 * 366.0, 24 * 10.0, 24 * 800.0])
    found = encounter_numbers(events, probabilities(events, [1e-4, 2e-4, 4e-4]), satellites)
    assert found["plane"].values.tolist() == [0, 1, 1]
    assert found["other"].values.tolist() == [3, 2, 4]
    assert found["other_plane"].values.tolist() == [1, 0, 1]
    assert found["year"].values.tolist() == [1, 2, 0]
    assert found["phase"].values.tolist() == ["held", "free", "held"]
    assert found["other_phase"].values.tolist() == ["free", "held", "held"]
    # the same identifiers outside the fleet
    against = encounter_numbers(events, probabilities(events, [1e-4, 2e-4, 4e-4]), satellites, debris(2, 3, 4))
    assert against["other_plane"].values.tolist() == [-1, -1, -1]
    assert against["other_phase"].values.tolist() == ["", "", ""]
    # a certain collision has a finite number
    sure = encounter_numbers(events, probabilities(events, [1.0, 0.0, 0.0]), satellites)
    np.testing.assert_allclose(collision_risk(sure)["probability"], [1.0], rtol=1e-15)


def test_rare_scenarios():
    # Closed form: one scenario of ten carries a number of 5; the average of 1 - exp(-N) is far below 1 - exp(-average).
    scenarios = [numbers([3.0, 2.0])] + [numbers([])] * 9
    risk = collision_risk(*scenarios)
    COLLISION_RISK.check(risk, stage="test")
    np.testing.assert_allclose(risk["number"], [0.5], rtol=1e-14)
    np.testing.assert_allclose(risk["probability"], [-np.expm1(-5.0) / 10.0], rtol=1e-14)
    assert risk["probability"] < 0.3 * -np.expm1(-0.5)


def test_groups():
    # By hand: a collision of two satellites counts for both planes, once within a plane and for the fleet.
    rows = numbers(
        [1.0, 2.0, 4.0, 8.0],
        satellite=[1, 1, 3, 2],
        other=[2, 3, 200, 200],
        plane=[0, 0, 1, 0],
        other_plane=[0, 1, -1, -1],
        year=[0, 1, 1, 0],
        phase=["held", "held", "free", "held"],
        other_phase=["held", "free", "", ""],
    )

    def found(*by):
        risk = collision_risk(rows, by=by)
        keys = zip(*(risk[name].values.tolist() for name in by), strict=True)
        return dict(zip(keys, risk["number"].values.tolist(), strict=True))

    assert found("plane") == {(0,): 11.0, (1,): 6.0}
    assert found("satellite") == {(1,): 3.0, (2,): 9.0, (3,): 6.0}
    assert found("year") == {(0,): 9.0, (1,): 6.0}
    assert found("phase") == {("free",): 6.0, ("held",): 11.0}
    assert found("plane", "year") == {(0, 0): 9.0, (0, 1): 2.0, (1, 1): 6.0}
    assert found("encounter") == {(0,): 1.0, (1,): 2.0, (2,): 4.0, (3,): 8.0}
    assert collision_risk(rows)["number"].values.tolist() == [15.0]


def test_resampled_errors():
    # Closed forms: objects alone, sqrt(sum x^2), the deviation of a compound Poisson number (W. Feller 1968, An
    # Introduction to Probability Theory and Its Applications 1, XII.2); scenarios alone, that of a mean (B. Efron 1979,
    # section 2); all within four relative errors 1 / sqrt(2 samples). Small numbers: probabilities have the same.
    rng = np.random.default_rng(6)
    tolerance = 4.0 / np.sqrt(1600.0)
    values = 1e-6 * rng.exponential(size=60)
    twice = numbers(np.repeat(values, 2) / 2.0, other=np.repeat(np.arange(60) + 100, 2))
    by_objects = collision_risk(twice, samples=800)
    np.testing.assert_allclose(by_objects["number_error"], [np.sqrt((values**2).sum())], rtol=tolerance)
    np.testing.assert_allclose(by_objects["probability_error"], by_objects["number_error"], rtol=1e-3)
    equal = collision_risk(numbers(np.full(20, 1e-6)), samples=800)
    np.testing.assert_allclose(equal["number_error"] / equal["number"], [1.0 / np.sqrt(20.0)], rtol=tolerance)
    alone = collision_risk(numbers(1e-6), samples=800)
    np.testing.assert_allclose(alone["number_error"], alone["number"], rtol=4.0 * np.sqrt(0.75 / 800.0))  # kurtosis 4
    planes = [numbers(value).drop_vars("other") for value in values]
    by_scenarios = collision_risk(*planes, samples=800)
    np.testing.assert_allclose(by_scenarios["number_error"], [values.std() / np.sqrt(60.0)], rtol=tolerance)
    # no sample at all
    for risk in (collision_risk(planes[0]), collision_risk(numbers([]))):
        assert np.isnan(risk["number_error"]).all()
        assert np.isnan(risk["probability_error"]).all()


def test_errors_of_whole_populations():
    # Monte Carlo: of 1000 objects each is met with a chance of 2 %, and brings a lognormal number; the errors stated,
    # which know of the objects met only, against the spread of 400 populations (itself known to 1 / sqrt(800)).
    rng = np.random.default_rng(21)
    met = [1e-6 * rng.lognormal(0.0, 0.5, rng.binomial(1000, 0.02)) for _ in range(400)]
    risks = [collision_risk(numbers(values), samples=20, seed=k) for k, values in enumerate(met)]
    stated = np.sqrt(np.mean([risk["number_error"].values ** 2 for risk in risks]))
    np.testing.assert_allclose(stated, np.std([values.sum() for values in met]), rtol=4.0 / np.sqrt(800.0))


def test_order_and_seed():
    # Property: the order of rows changes no bit; another seed changes the errors only.
    rng = np.random.default_rng(12)
    satellites, others, years = rng.integers(0, 9, 500), rng.integers(100, 130, 500), rng.integers(0, 3, 500)
    rows = numbers(rng.exponential(size=500), satellite=satellites, other=others, year=years)
    shuffled = rows.isel(encounter=rng.permutation(500))
    found = collision_risk(rows, by=("satellite", "year"), seed=4)
    assert collision_risk(shuffled, by=("satellite", "year"), seed=4).identical(found)
    other = collision_risk(rows, by=("satellite", "year"), seed=5)
    assert not np.array_equal(other["number_error"], found["number_error"])
    np.testing.assert_array_equal(other["number"], found["number"])


def test_rates():
    # By hand: rates times the length of each year, the last cut short; a pair of planes for both planes, once in all.
    rate = np.arange(1.0, 13.0).reshape(2, 3, 2, 1) * 1e-3
    by_object = RATES.build(
        {"object": [7, 9], "plane": [0, 1, 2], "year": [0, 1], "within_km": [0.01], "rate": rate},
        dims=("object", "plane", "year", "within_km"),
    )
    found = rate_numbers(by_object, within_km=0.01, years=1.25)
    risk = collision_risk(found, by=("plane",))
    np.testing.assert_allclose(risk["number"], (rate[..., 0] * [1.0, 0.25]).sum(axis=(0, 2)), rtol=1e-14)
    np.testing.assert_allclose(risk["probability"], -np.expm1(-risk["number"]), rtol=1e-14)
    assert set(found["other"].values.tolist()) == {7, 9}
    between = np.zeros((3, 3, 1))
    between[0, 1], between[0, 2], between[1, 2] = 1e-3, 2e-3, 4e-3
    pairs = RATES.build(
        {"plane": [0, 1, 2], "other_plane": [0, 1, 2], "within_km": [0.01], "rate": between},
        dims=("plane", "other_plane", "within_km"),
    )
    rows = rate_numbers(pairs, within_km=0.01, years=10.0)
    np.testing.assert_allclose(collision_risk(rows, by=("plane",))["number"], [0.03, 0.05, 0.06], rtol=1e-14)
    np.testing.assert_allclose(collision_risk(rows)["number"], [0.07], rtol=1e-14)
    assert "other" not in rows
    assert np.isnan(collision_risk(rows)["number_error"]).all()
    with pytest.raises(InputError) as error:
        rate_numbers(pairs.isel(plane=0, other_plane=0, drop=True), within_km=2.0, years=-1.0)
    assert str(error.value).splitlines() == [
        "rate_numbers: arguments cannot be used:",
        "  - years: -1 yr found; allowed: at least 0 yr",
        "  - rates: neither by object nor by plane: nothing to add up",
        "  - within_km: 2.0 km is not among the thresholds of the rates; ask for it there",
    ]
    with pytest.raises(InputError, match="by: year is not known in all scenarios"):
        collision_risk(rows, by=("year",))


def test_nothing_met():
    assert collision_risk(numbers([]))["number"].values.tolist() == [0.0]
    assert collision_risk(numbers([]), by=("plane",)).sizes["group"] == 0
    events = approaches(0)
    assert encounter_numbers(events, probabilities(events, []), fleet()).sizes["encounter"] == 0


def test_errors():
    with pytest.raises(InputError) as error:
        collision_risk(numbers(1.0), numbers(1.0), by=("encounter", "shell"), samples=1)
    assert str(error.value).splitlines() == [
        "collision_risk: arguments cannot be used:",
        "  - by: shell found; allowed: satellite, plane, year, phase, encounter",
        "  - by: encounters of different scenarios are not the same; ask for them one scenario at a time",
        "  - samples: 1 found; allowed: from 2",
    ]
    with pytest.raises(InputError, match="scenarios: none found"):
        collision_risk()
    events = meetings([1, 7], [200, 200], [-1.0, 2.0])
    with pytest.raises(InputError) as error:
        encounter_numbers(events, probabilities(events, [0.1, 0.2]).isel(approach=[0]), fleet(), debris(201))
    assert str(error.value).splitlines() == [
        "encounter_numbers: arguments cannot be used:",
        "  - probabilities: 1 found for 2 approaches",
        "  - first: objects [7] are not in their population",
        "  - second: objects [200] are not in their population",
        "  - time: approaches before 2026-03-01T06:00:00.000000000, the start of the fleet",
    ]
