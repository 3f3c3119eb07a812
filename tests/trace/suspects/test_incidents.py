"""Holds on incidents of which the truth is known: a small version of `tests.bench holding`."""

import numpy as np
import pytest

from tests.bench.flow import CANS_PER_PALLET, Flow, flow
from tests.bench.holding import at_risk, judged_incidents, score, stated_and_true

DAYS = (2, 11)


@pytest.fixture(scope="module")
def line() -> Flow:
    return flow(7, days=10)


def test_the_flow_loses_no_cans(line: Flow) -> None:
    made = line.strokes.sum() * 0.985
    put = sum(float(one.cans.sum()) for one in line.pallets)
    assert put == pytest.approx(len(line.pallets) * CANS_PER_PALLET, rel=1e-6)
    # The rest lies on conveyors and in accumulators.
    assert 0 <= made - put < 200_000


@pytest.mark.parametrize("learned", [False, True])
def test_at_a_risk_of_one_percent_hardly_a_suspect_can_is_missed(line: Flow, learned: bool) -> None:
    judged = judged_incidents([line], 40, learned, DAYS)
    found = score(judged, at_risk(judged, 0.01))
    everything = score(judged, [np.ones(len(one.suspect), dtype=np.bool_) for one in judged])
    assert found.missed <= 0.01 * found.suspect
    assert found.worst <= 0.01
    assert found.left_wrongly <= 0.01 * found.left
    assert found.in_vain < 0.6 * everything.in_vain


def test_a_stated_chance_of_none_is_not_too_high(line: Flow) -> None:
    judged = judged_incidents([line], 60, learned=True, days=DAYS)
    for low, _high, pallets, stated, true in stated_and_true(judged):
        if low >= 0.5 and pallets > 200:
            assert true > stated - 0.1
