import pytest

from shells.study.cases import Block, cut, expand, searched_case
from tests.study import fakes


def test_cases_are_every_step_with_every_order(tmp_path):
    study = fakes.study(tmp_path, ('"interleaved"]', "[3, 0, 1, 2]]"))
    cases = expand(study)
    assert [case.number for case in cases] == list(range(6))
    assert [case.step_km for case in cases] == [1.0, 2.0, 3.0] * 2
    assert [case.order for case in cases] == ["monotone"] * 3 + [(3, 0, 1, 2)] * 3
    assert [case.order_name for case in cases][::3] == ["monotone", "3-0-1-2"]


@pytest.mark.parametrize("count", [0, 1, 9, 10, 11, 25])
def test_blocks_cover_every_object_once(tmp_path, count):
    fleet, *debris = cut(fakes.study(tmp_path), count)
    assert fleet == Block(0, "fleet", 0, 0)
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
