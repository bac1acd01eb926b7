import json

import numpy as np
import pytest

from shells.study.caution import CAUTION
from shells.study.configuration import study_hash
from shells.study.found import count, total
from shells.study.summary import force_model, start_of, summarise
from tests.study import fakes

MANIFEST = {
    "sessions": [
        {"start": "2031-01-01T00:00:00Z", "end": "2031-01-01T00:01:00Z"},
        {"start": "2031-01-02T00:00:00Z", "end": None},  # killed: nobody knows when
        {"start": "2031-01-03T00:00:00Z", "end": "2031-01-03T00:00:30Z"},
    ]
}


def summary(directory, *, met=True, debris=None, decision=None):
    study = fakes.study(directory)
    blocks = [(fakes.approaches([0, 1], [2, 3], [1.0, 400.0], [0.9, 0.5]), None)]
    if debris is not None:
        blocks.append((fakes.approaches([0], [50001], [5.0], [0.25]), debris))
    found = total(count(*block, start=start_of(study), years=2.0) for block in blocks)
    decision = fakes.decision(study, met=met) if decision is None else decision
    return summarise(study, decision, fakes.sensitivity(), found, {}, debris, MANIFEST, searched=1 if met else 2)


def test_chosen_case(tmp_path):
    result = summary(tmp_path, debris=fakes.debris(3))
    assert result["study"] == "trial" and result["hash"] == study_hash(fakes.study(tmp_path))
    assert result["force_model"] == (
        "gravity EGM96, zonals to 15; Sun, Moon, sunlight; air NRLMSISE-00, solar activity mean"
    )
    decision = result["decision"]
    # 10 years of 2e-6 + 1e-6 collisions a year against a target of 1e-4
    assert decision["step_km"] == 2.0 and decision["order"] == "monotone"
    assert decision["target_quantity"] == pytest.approx(3e-5)
    assert decision["margin_factor"] == pytest.approx(1e-4 / 3e-5)
    assert decision["smallest_distance_km"] == pytest.approx(0.8)
    assert decision["target"] == {
        "quantity": "collisions",
        "value": 1e-4,
        "years": 10.0,
        "scope": "fleet",
        "avoidance": False,
    }
    assert decision["largest_term"] == {"name": "eccentricity", "km": 0.55}
    assert decision["terms"] == {
        "control of the mean radius": 0.3,
        "eccentricity": 0.55,
        "ripple, λ terms": 0.25,
    }
    assert [one["name"] for one in decision["drivers"]] == [
        "tolerances.eccentricity",
        "faults.per_satellite_year",
        "fleet.hard_body_radius_m",
    ]
    assert decision["drivers"][2]["required_step_km"] is None  # no step is enough
    assert decision["required_step_km"] == 1.8
    assert decision["price"]["largest_trim_deg"] == pytest.approx(0.02)
    assert result["under_other_assumptions"] == [
        {
            "tolerances": "stated",
            "faults": "stated",
            "solar_activity": "mean",
            "solar_seed": 0,
            "seed": 7,
            "step_km": 2.0,
            "order": "monotone",
        }
    ]
    assert result["searched_case"] == 1
    assert result["approaches"] == {
        "within_km": 5.0,
        "total": 3,
        "by_kind": {"fleet": 2, "debris": 0, "payload": 1, "rocket body": 0},
        "smallest_miss_km": 0.25,
    }
    assert result["debris"] == {
        "source": "demo",
        "epoch": "2031-04-01T00:00:00",
        "objects": 3,
        "by_kind": {"debris": 1, "payload": 1, "rocket body": 1},
        "read": None,
        "rejected": {},
    }
    assert result["seconds"] == 90.0
    assert result["caution"] == CAUTION
    json.dumps(result, allow_nan=False)


def test_force_model_names_the_seed_of_drawn_cycles_only(tmp_path):
    for activity, told in (("high", "solar activity high"), ("drawn", "solar activity drawn from seed 41")):
        table = f'[forces]\nsolar_activity = "{activity}"\nsolar_seed = 41\n[debris]'
        assert force_model(fakes.study(tmp_path, ("[debris]", table))).endswith(f"; air NRLMSISE-00, {told}")


def test_cases_keep_zero_and_missing_apart(tmp_path):
    cases = summary(tmp_path)["cases"]
    assert [case["step_km"] for case in cases] == [1.0, 2.0, 3.0] * 2
    assert cases[2]["fleet_approaches_within_5_km_per_year"] == 0.0
    assert cases[2]["debris_approaches_within_5_km_per_year"] is None
    assert cases[2]["collisions_debris_per_year"] is None
    assert cases[1]["fleet_approaches_within_2_km_per_year"] == pytest.approx(4e-3)
    assert [case["chosen"] for case in cases] == [False, True, False, False, False, False]
    assert [case["meets_target"] for case in cases] == [False, True, True] * 2


def test_no_case_meets_the_target(tmp_path):
    result = summary(tmp_path, met=False)
    decision = result["decision"]
    assert decision["step_km"] is None and decision["order"] is None and decision["margin_factor"] is None
    # the rest is that of the searched case, the largest step
    assert result["searched_case"] == 2
    assert decision["smallest_distance_km"] == pytest.approx(1.8)
    assert decision["target_quantity"] == pytest.approx(1e4 * 2e-6 / 3.0)
    assert result["debris"] is None


def test_nothing_expected_has_no_margin(tmp_path):
    decision = fakes.decision(fakes.study(tmp_path))
    decision["target_quantity"][1] = 0.0
    assert summary(tmp_path, decision=decision)["decision"]["margin_factor"] is None


def test_single_plane_has_no_gap(tmp_path):
    decision = fakes.decision(fakes.study(tmp_path))
    decision["smallest_gap"][:] = np.inf
    decision["smallest_distance"][:] = np.inf
    result = summary(tmp_path, decision=decision)
    assert result["decision"]["smallest_distance_km"] is None
    json.dumps(result, allow_nan=False)
