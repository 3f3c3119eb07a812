"""What of a shift is worth a word: planted faults are named, chance alone hardly ever is."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.handover.rules import FALSE_DISCOVERIES, ShiftCount, per_hour, standing_out

A_SHIFT = 150_000
SHIFTS_BEFORE = 56
MACHINES = 32
COUNTS = st.builds(
    ShiftCount,
    st.sampled_from([f"{line}-{number}" for line in range(1, 4) for number in range(1, 9)]),
    st.integers(0, 40),
    st.integers(0, 400_000),
    st.integers(0, 900),
    st.integers(0, 20_000_000),
)


def a_shift(rng: np.random.Generator, usual: float, worse: float = 1.0) -> list[ShiftCount]:
    """A shift of 32 machines that each have the same rate as before; but 1-1 `worse` times it."""
    return [
        ShiftCount(
            f"1-{number}",
            int(rng.poisson(usual * (worse if number == 1 else 1.0))),
            A_SHIFT,
            int(rng.poisson(usual * SHIFTS_BEFORE)),
            A_SHIFT * SHIFTS_BEFORE,
        )
        for number in range(1, MACHINES + 1)
    ]


@pytest.mark.parametrize("usual", [0.2, 1.0, 5.0])
def test_chance_alone_names_a_machine_in_few_shifts(usual: float) -> None:
    rng = np.random.default_rng(2026)
    shifts = 800
    named = sum(bool(standing_out(a_shift(rng, usual))) for _each in range(shifts))
    # Where nothing is wrong the chance of any name is at most 5 %; three standard errors more
    # may be counted in 800 shifts.
    error = (FALSE_DISCOVERIES * (1 - FALSE_DISCOVERIES) / shifts) ** 0.5
    assert named / shifts <= FALSE_DISCOVERIES + 3 * error


@pytest.mark.parametrize(("usual", "worse"), [(1.0, 14.0), (5.0, 5.0)])
def test_a_machine_that_is_really_worse_is_named_first(usual: float, worse: float) -> None:
    rng = np.random.default_rng(7)
    found = [standing_out(a_shift(rng, usual, worse)) for _each in range(100)]
    first = [one[0].count.machine for one in found if one]
    assert first.count("1-1") >= 95
    assert all(one[0].ratio > 1 for one in found if one)


def test_the_exact_numbers_of_one_machine() -> None:
    # Half of the strokes on each side: 9 of 9 happenings in the shift, two-sided 2 / 2^9.
    (found,) = standing_out([ShiftCount("1-1", 9, 1000, 0, 1000)])
    assert found.adjusted_p == pytest.approx(2 / 2**9)
    assert (found.usual, found.ratio) == (0.0, float("inf"))
    # With 15 others of which nothing can be said it is 16 times that.
    others = [ShiftCount(f"2-{n}", 1, 1000, 1, 1000) for n in range(15)]
    (found,) = standing_out([ShiftCount("1-1", 12, 1000, 0, 1000), *others])
    assert found.adjusted_p == pytest.approx(16 * 2 / 2**12)


def test_a_machine_that_is_reported_less_is_named_too() -> None:
    (found,) = standing_out([ShiftCount("1-1", 0, 1000, 100, 5000)])
    assert (found.usual, found.ratio) == (20.0, 0.0)


@pytest.mark.parametrize(
    "count",
    [
        ShiftCount("1-1", 0, 1000, 0, 1000),
        ShiftCount("1-1", 9, 0, 0, 1000),
        ShiftCount("1-1", 9, 1000, 0, 0),
        ShiftCount("1-1", 3, 1000, 170, 56_000),
    ],
)
def test_without_strokes_or_reports_or_a_difference_nothing_is_said(count: ShiftCount) -> None:
    assert standing_out([count]) == []
    assert standing_out([]) == []


@given(st.lists(COUNTS, max_size=12), st.randoms(use_true_random=False))
def test_names_are_sure_enough_in_order_and_not_by_order_of_the_machines(
    counts: list[ShiftCount], random: "np.random.Generator"
) -> None:
    found = standing_out(counts)
    assert all(0 <= one.adjusted_p <= FALSE_DISCOVERIES for one in found)
    assert [one.adjusted_p for one in found] == sorted(one.adjusted_p for one in found)
    assert all(one.count.strokes and one.count.strokes_before for one in found)
    shuffled = list(counts)
    random.shuffle(shuffled)
    assert sorted(map(str, standing_out(shuffled))) == sorted(map(str, found))


def test_strokes_an_hour_are_of_real_hours() -> None:
    assert per_hour([(11_000, 11.0), (13_000, 13.0)]) == 2000.0
    assert per_hour([(5, 0.0), (0, -3.0)]) == 0.0
    assert per_hour([]) == 0.0
