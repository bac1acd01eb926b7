import pytest

from shells.fleet.tolerances import ControlFaults
from shells.study.cases import Block, cut, expand, scenarios_of, searched_case
from tests.study import fakes


def test_cases_are_every_step_with_every_order(tmp_path):
    study = fakes.study(tmp_path, ('"interleaved"]', "[3, 0, 1, 2]]"))
    cases = expand(study)
    assert [case.number for case in cases] == list(range(6))
    assert [case.layout.step_km for case in cases] == [1.0, 2.0, 3.0] * 2
    assert [case.layout.order for case in cases] == ["monotone"] * 3 + [(3, 0, 1, 2)] * 3
    assert [case.layout.order_name for case in cases][::3] == ["monotone", "3-0-1-2"]
    assert {case.assumptions for case in cases} == {(0, "stated", "stated")}


SWEPT = """
solar_activity = ["drawn", "low"]
solar_seed = [4, 9]
seed = [7, 8]
[[sweep.tolerances]]
name = "tight"
[[sweep.tolerances]]
name = "wide"
eccentricity = 1.0e-4
[[sweep.faults]]
name = "many"
per_satellite_year = 0.5
"""


def test_cases_are_every_layout_under_every_combination_of_assumptions(tmp_path):
    study = fakes.study(tmp_path, ('"interleaved"]\n', f'"interleaved"]{SWEPT}'))
    scenarios = scenarios_of(study)
    # seeds of cycles count for drawn ones only
    suns = [("drawn", 4), ("drawn", 9), ("low", 0)]
    assert [(one.solar_activity, one.solar_seed, one.seed) for one in scenarios] == [
        (*sun, seed) for sun in suns for seed in (7, 8)
    ]
    cases = expand(study)
    assert len(cases) == 6 * 2 * 1 * 6
    assert len(set(cases)) == len({case.number for case in cases}) == len(cases)
    assert [case.tolerances for case in cases[:12]] == ["tight"] * 6 + ["wide"] * 6
    # keys left out of a set are as in the table of that name
    assert [one.eccentricity for one in study.tolerance_sets.values()] == [5e-5, 1e-4]
    assert [one.mean_radius_m for one in study.tolerance_sets.values()] == [150.0, 150.0]
    assert study.fault_sets["many"] == ControlFaults(0.5)
    blocks = cut(study, 25)
    assert [block.scenario for block in blocks if block.kind == "fleet"] == list(range(6))
    assert sum(block.last - block.first for block in blocks) == 6 * 25


@pytest.mark.parametrize("count", [0, 1, 9, 10, 11, 25])
def test_blocks_cover_every_object_once(tmp_path, count):
    fleet, *debris = cut(fakes.study(tmp_path), count)
    assert fleet == Block(0, "fleet", 0, 0, 0)
    assert [block.number for block in debris] == list(range(1, len(debris) + 1))
    assert all(block.kind == "debris" for block in debris)
    objects = [k for block in debris for k in range(block.first, block.last)]
    assert objects == list(range(count))
    assert all(block.last - block.first <= 10 for block in debris)


def test_searched_case(tmp_path):
    study = fakes.study(tmp_path)
    assert searched_case(fakes.decision(study)) == 1  # 2 km, monotone
    assert searched_case(fakes.decision(study, met=False)) == 2  # none chosen: the largest step
    turned = fakes.decision(study).isel(case=slice(None, None, -1))
    assert searched_case(turned) == 1
