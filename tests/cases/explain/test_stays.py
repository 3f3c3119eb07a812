"""Stays until the next of their kind, how worn a tool was, and when a can was made."""

import numpy as np
import pytest

from tracelog.cases.explain.evidence import Stays
from tracelog.cases.explain.stays import made_before, stays_until_next, worn_before


def test_a_change_holds_until_the_next_of_its_kind_in_its_place() -> None:
    rows = [
        (("coolant", "1"), "a", [0, 1], 10.0),
        (("coolant", "1"), "b", [0, 1], 30.0),
        (("coolant", "2"), "c", [2], 20.0),
        (("label", "1"), "d", [0, 1], 25.0),
    ]
    stays = stays_until_next(rows, 100.0)
    ends = {
        (stays.names[owner], machine): (start, end)
        for owner, machine, start, end in zip(
            stays.owner, stays.machine, stays.start, stays.end, strict=True
        )
    }
    assert ends["a", 0] == ends["a", 1] == (10, 30)
    assert ends["b", 0] == (30, 100)
    assert ends["c", 2] == (20, 100)
    assert ends["d", 1] == (25, 100)


def test_without_changes_there_are_no_stays() -> None:
    assert len(stays_until_next([], 5.0).owner) == 0


def test_strokes_on_a_tool_go_along_and_begin_anew_after_work() -> None:
    edges = np.arange(0.0, 101.0, 10.0)
    strokes = np.array([np.full(10, 100.0), np.full(10, 50.0)])
    tools = Stays(
        ("R3-1",),
        ("ring-3",),
        np.array([0, 0, 0]),
        np.array([0, 1, 0]),
        np.array([0.0, 40.0, 80.0]),
        np.array([20.0, 60.0, 100.0]),
    )
    assert worn_before(tools, [], edges, strokes).worn.tolist() == [0, 200, 300]
    assert worn_before(tools, [(0, 30.0)], edges, strokes).worn.tolist() == [0, 0, 100]


@pytest.mark.parametrize(
    ("station", "minutes"),
    [(None, 4), ("bodymaker", 4), ("palletiser", 45), ("light-tester", 33.75)],
)
def test_what_is_found_later_was_made_before(station: str | None, minutes: float) -> None:
    assert made_before(station, (20, 95)) == 60 * minutes
    assert made_before(station, None) == 60 * minutes
