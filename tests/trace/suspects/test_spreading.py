"""The model of the way onto pallets, on lines whose figures can be worked out by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracelog.trace.suspects.spreading import (
    CAUGHT_SHARE,
    Edges,
    Making,
    Spread,
    delays,
    running_clock,
    spread_over,
    standing_between,
    still_under_way,
)
from tracelog.trace.transit import FloatArray, Way, usual_way

# 100 strokes a minute of the machine, 400 of the line; a pallet of 1,600 cans takes 4 minutes.
MINUTES = np.arange(0.0, 3001.0)
MAKING = Making(MINUTES, 100 * MINUTES, 400 * MINUTES)
CANS = 1600.0
FIXED = Way(np.array([30.0, 30.001]), np.ones(1), "")
PLANT = usual_way((20, 95))


def pallets(first: float, last: float, width: float = 4.0) -> tuple[FloatArray, ...]:
    starts = np.arange(first, last, width)
    return starts, starts + width, np.full(len(starts), CANS)


def spread(window: Edges, way: Way = PLANT, first: float = 0, last: float = 2800) -> Spread:
    starts, ends, cans = pallets(first, last)
    return spread_over(MAKING, window, (starts, ends, cans), way)


def test_well_inside_a_pallet_holds_the_machine_s_share_and_surely_some() -> None:
    found = spread(Edges(1000, 2000), FIXED)
    middle = found.expected[1600 // 4]
    assert middle == pytest.approx(CANS / 4, rel=1e-3)
    assert found.none[1600 // 4] < 1e-12


def test_all_suspect_cans_are_found_on_some_pallet() -> None:
    for way in (FIXED, PLANT):
        found = spread(Edges(1000, 1300), way)
        assert found.expected.sum() == pytest.approx(300 * 100, rel=0.01)


def test_before_the_shortest_way_and_long_after_the_longest_there_is_none() -> None:
    found = spread(Edges(1000, 1060))
    starts, ends, _cans = pallets(0, 2800)
    assert (found.none[ends < 1000 + 20 - 7] == 1).all()
    assert (found.expected[ends < 1000 + 20 - 7] == 0).all()
    assert (found.none[starts > 1060 + 95 + 330] == 1).all()


def test_at_the_edge_the_delay_of_the_hour_decides_and_not_the_number_expected() -> None:
    found = spread(Edges(1000, 2000))
    place = int(np.argmax(pallets(0, 2800)[0] >= 1000 + 45))
    # Arrives 45 to 49 minutes after the start: delays from 20 to 49 reach it, and, with cans that
    # overtake, up to 55; of 20 to 95 that is 0.39 to 0.47.
    assert 1 - 0.47 - 0.04 < found.none[place] < 1 - 0.39
    # Were cans spread one by one, so many would leave no chance of none.
    assert found.expected[place] > 90
    assert np.exp(-found.expected[place]) < 1e-30


def test_the_chance_of_none_falls_and_rises_once_along_the_window() -> None:
    found = spread(Edges(1000, 1400))
    lowest = int(np.argmin(found.none))
    assert (np.diff(found.none[: lowest + 1]) <= 1e-9).all()
    assert (np.diff(found.none[lowest + 30 :]) >= -1e-9).all()


def test_a_few_cans_are_caught_and_come_long_after() -> None:
    found = spread(Edges(1000, 1400), FIXED)
    starts = pallets(0, 2800)[0]
    place = int(np.argmax(starts >= 1400 + 30 + 20))
    after = found.expected[place:].sum()
    assert 0 < after < CAUGHT_SHARE * 400 * 100
    assert 0 < found.none[place] < 1


def test_unsure_ends_make_edges_less_sure() -> None:
    sharp = spread(Edges(1000, 1400), FIXED)
    unsure = spread(Edges(1000, 1400, 30, 30), FIXED)
    starts = pallets(0, 2800)[0]
    early = int(np.argmax(starts >= 1000))
    late = int(np.argmax(starts >= 1000 + 30 + 12))
    assert sharp.none[early] == 1
    assert unsure.none[early] < 1
    assert sharp.none[late] < 1e-6
    assert unsure.none[late] > 0.1


def test_a_share_of_defective_cans_leaves_more_pallets_without_one() -> None:
    starts, ends, cans = pallets(0, 2800)
    found = spread_over(MAKING, Edges(1000, 1400), (starts, ends, cans), FIXED, 0.001)
    middle = int(np.argmax(starts >= 1200))
    assert found.none[middle] < 1e-12
    assert found.no_defective[middle] == pytest.approx(np.exp(-0.4), rel=0.01)


def test_cans_wait_while_nothing_is_put_on_pallets() -> None:
    # The palletiser stands from 1020 to 1500; what was made until 1000 comes out afterwards.
    starts, ends, cans = pallets(0, 2800)
    runs = (ends <= 1020) | (starts >= 1500)
    making = Making(MINUTES, np.minimum(100 * MINUTES, 1e5), 400 * MINUTES)
    found = spread_over(making, Edges(900, 1000), (starts[runs], ends[runs], cans[runs]), FIXED)
    after = int(np.argmax(starts[runs] >= 1500))
    assert found.none[after] < 0.9
    assert found.expected[after : after + 8].sum() > 100


def test_a_pallet_that_stood_open_counts_as_standing() -> None:
    starts = np.array([0.0, 4.0, 8.0, 508.0])
    ends = np.array([4.0, 8.0, 508.0, 512.0])
    assert standing_between(starts, ends) == [(10.0, 506.0)]
    assert standing_between(starts[:2], ends[:2]) == []
    assert standing_between(np.zeros(0), np.zeros(0)) == []


def test_the_running_clock_all_but_stands() -> None:
    knots, shown = running_clock([0, 1000], [(100, 300), (400, 500)])
    then = np.interp([100, 300, 400, 500, 1000], knots, shown)
    assert then == pytest.approx([100, 100.2, 200.2, 200.3, 700.3])
    assert (np.diff(shown) > 0).all()


def test_delays_are_those_of_the_way() -> None:
    found = delays(PLANT)
    assert found.mean() == pytest.approx((20 + 95) / 2)
    assert 20 < found[0] < found[-1] < 95


def test_what_was_just_made_is_still_under_way() -> None:
    assert still_under_way(MAKING, Edges(1000, 1100), FIXED, 1110.0) == pytest.approx(2000, rel=0.1)
    assert still_under_way(MAKING, Edges(1000, 1100), PLANT, 1100.0 + 95) == pytest.approx(0, abs=1)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(300, 1500),
    st.floats(1, 600),
    st.floats(0, 20),
    st.integers(5, 60),
    st.integers(1, 120),
)
def test_whatever_the_window_chances_are_chances(
    start: float, length: float, slack: float, shortest: int, more: int
) -> None:
    way = usual_way((shortest, shortest + more))
    found = spread(Edges(start, start + length, slack, slack), way)
    assert ((found.none >= 0) & (found.none <= 1 + 1e-12)).all()
    assert (found.expected >= 0).all()
    # Jensen: the chance of none is at least that of cans spread one by one.
    assert (found.none >= np.exp(-found.expected) - 1e-9).all()
    wider = spread(Edges(start - 30, start + length + 30, slack, slack), way)
    assert (wider.none <= found.none + 1e-9).all()
