"""Which fits contradict each other, and that it does not matter in which order they arrive."""

import itertools
import random
import uuid
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.plant.fit_rules import Fit, Fits, meet

TOOL, OTHER_TOOL, MACHINE, OTHER_MACHINE = (uuid.UUID(int=number) for number in range(4))


def fit(start: int, end: int | None, tool: uuid.UUID = TOOL, machine: uuid.UUID = MACHINE) -> Fit:
    day = datetime(2026, 3, 1, tzinfo=UTC)
    removed_at = None if end is None else day + timedelta(hours=end)
    return Fit(tool, machine, "punch", day + timedelta(hours=start), removed_at)


@pytest.mark.parametrize(
    ("one", "other", "contradict"),
    [
        ((1, 3), (2, 4), True),
        ((1, 3), (3, 4), False),
        ((1, 4), (2, 3), True),
        ((1, 3), (4, 5), False),
        ((1, None), (2, 3), False),
        ((1, None), (2, None), False),
        ((2, None), (1, 3), True),
        ((3, None), (1, 3), False),
        ((1, None), (1, 3), True),
        ((1, None), (1, None), True),
        ((1, 1), (1, 3), True),
        ((2, 2), (1, 3), True),
    ],
)
def test_fits_contradict_if_both_certainly_hold_at_one_instant(
    one: tuple[int, int | None], other: tuple[int, int | None], contradict: bool
) -> None:
    assert meet(fit(*one), fit(*other)) is contradict
    assert meet(fit(*other), fit(*one)) is contradict


def test_a_tool_is_in_one_place_and_a_place_holds_one_tool() -> None:
    fits = Fits()
    first = fit(1, 4)
    fits.put(first)
    assert fits.same_tool_elsewhere(fit(2, 3, machine=OTHER_MACHINE)) == first
    assert fits.other_tool_in_place(fit(2, 3, tool=OTHER_TOOL)) == first
    # The same fit, told again with another end, is no contradiction to itself.
    assert fits.same_tool_elsewhere(fit(1, 9)) is None
    assert fits.other_tool_in_place(fit(1, 9)) is None
    assert fits.other_tool_in_place(fit(2, 3, tool=OTHER_TOOL, machine=OTHER_MACHINE)) is None


STRETCHES = st.tuples(st.integers(0, 12), st.integers(0, 6)).map(lambda s: (s[0], s[0] + s[1]))


@given(st.lists(STRETCHES, max_size=5, unique_by=lambda stretch: stretch[0]), st.randoms())
def test_fits_that_agree_when_complete_agree_on_the_way(
    stretches: list[tuple[int, int]], chance: random.Random
) -> None:
    complete = [fit(start, end) for start, end in stretches]
    agree = not any(meet(one, other) for one, other in itertools.combinations(complete, 2))
    on_the_way = [one if chance.random() < 0.5 else fit_without_end(one) for one in complete]
    met = any(meet(one, other) for one, other in itertools.combinations(on_the_way, 2))
    assert not (agree and met)


def fit_without_end(one: Fit) -> Fit:
    return Fit(one.tool_id, one.machine_id, one.position, one.fitted_at, None)
