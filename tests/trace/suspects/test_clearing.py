"""Sampling plans to clear a lot, against the tables of the standard."""

import pytest

from tracelog.errors import TracelogError
from tracelog.trace.suspects.clearing import clearing
from tracelog.trace.suspects.drawing import operating_curve


def test_the_plan_is_that_of_the_standard() -> None:
    plan = clearing(8000, 0.65, "II")
    # ISO 2859-1:1999, Table 1: letter L; Table 2-A: 200, 3 and 4.
    assert (plan.plan.code_letter, plan.plan.size) == ("L", 200)
    assert (plan.plan.accept, plan.plan.reject) == (3, 4)
    # Tables 10-L: 0.683 % with 95 %, 3.34 % with 10 %.
    assert plan.accepted_95 == pytest.approx(0.00683, abs=1e-5)
    assert plan.accepted_10 == pytest.approx(0.0334, abs=1e-4)


def test_where_a_can_may_leak_not_one_bad_can_is_accepted() -> None:
    plan = clearing(8000, 0.65, "II", is_zero=True)
    assert (plan.plan.size, plan.plan.accept, plan.plan.reject) == (200, 0, 1)
    assert plan.shown == pytest.approx(1 - 0.05 ** (1 / 200))


def test_the_curve_falls_from_one() -> None:
    plan = clearing(500_000, 1.0, "II")
    assert plan.accepted[0] == 1
    assert all(a >= b for a, b in zip(plan.accepted, plan.accepted[1:], strict=False))
    assert plan.accepted[-1] < 0.1
    assert operating_curve(plan).line.startswith("M")


def test_a_small_lot_is_drawn_without_return() -> None:
    plan = clearing(600, 1.0, "II")
    assert plan.lot < 10 * plan.plan.size
    assert plan.accepted[0] == 1
    assert plan.accepted[-1] < 0.15


def test_a_plan_asks_for_no_more_cans_than_there_are() -> None:
    assert clearing(20, 0.01, "III").plan.size == 20


def test_how_many_cans_show_a_fraction() -> None:
    assert clearing(8000, seen_fraction=0.001).seen_cans == 2995


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"lot": 1}, "lot"),
        ({"quality_level": 0.7}, "aql"),
        ({"level": "IV"}, "level"),
        ({"seen_fraction": 0.0}, "seen"),
    ],
)
def test_what_cannot_be_is_told_at_its_field(values: dict[str, object], field: str) -> None:
    with pytest.raises(TracelogError) as told:
        clearing(**{"lot": 8000, **values})  # type: ignore[arg-type]
    assert told.value.field == field
