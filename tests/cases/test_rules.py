"""Whether a fix held: both the posterior and the exact test must say so."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.cases.rules import CONFIDENCE, Side, Verdict, verify

STROKES = st.integers(1, 500_000_000)
BEFORE = st.builds(Side, st.integers(0, 60), STROKES)
AFTER = st.builds(Side, st.integers(0, 30), STROKES)
MILLION = 1_000_000


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (Side(5, 5 * MILLION), None, Verdict.NO_ACTION),
        (Side(5, 5 * MILLION), Side(0, 0), Verdict.NO_STROKES),
        (Side(0, 0), Side(0, 5 * MILLION), Verdict.NO_STROKES),
        # The exact one-sided p-values are (1/2)^4 = 0.0625 and (1/2)^5 = 0.03125.
        (Side(4, 5 * MILLION), Side(0, 5 * MILLION), Verdict.OPEN),
        (Side(5, 5 * MILLION), Side(0, 5 * MILLION), Verdict.HELD),
        (Side(0, 5 * MILLION), Side(4, 5 * MILLION), Verdict.OPEN),
        (Side(0, 5 * MILLION), Side(5, 5 * MILLION), Verdict.WORSE),
        (Side(20, 5 * MILLION), Side(20, 5 * MILLION), Verdict.OPEN),
    ],
)
def test_the_verdict_is_what_the_numbers_say(
    before: Side, after: Side | None, verdict: Verdict
) -> None:
    found = verify(before, after)
    assert found.verdict is verdict
    assert (found.posterior is None) == (found.exact is None)
    assert (found.posterior is None) == (verdict in {Verdict.NO_ACTION, Verdict.NO_STROKES})


def test_the_exact_test_is_that_of_the_book() -> None:
    # Given n happenings in all, those after are binomial: 0 of 5, each with a chance of 1/2.
    found = verify(Side(5, 5 * MILLION), Side(0, 5 * MILLION))
    assert found.exact is not None
    assert found.exact.p_less == pytest.approx(0.5**5)
    assert found.strokes_needed == 0


@given(BEFORE, AFTER)
def test_so_many_strokes_without_a_happening_do_show_that_it_held(
    before: Side, after: Side
) -> None:
    found = verify(before, after)
    if before.happenings == 0:
        assert found.strokes_needed is None
        return
    assert found.strokes_needed is not None
    later = verify(before, Side(after.happenings, after.strokes + found.strokes_needed))
    assert later.verdict is Verdict.HELD
    assert later.strokes_needed == 0


@given(BEFORE, AFTER)
def test_notably_fewer_strokes_do_not_show_it(before: Side, after: Side) -> None:
    needed = verify(before, after).strokes_needed
    total = after.strokes + (needed or 0)
    fewer = int(total * 0.98) - 2
    if needed and fewer > after.strokes:
        assert verify(before, Side(after.happenings, fewer)).verdict is not Verdict.HELD


@given(BEFORE, AFTER)
def test_held_means_that_both_tests_say_so_and_never_the_other_way_round(
    before: Side, after: Side
) -> None:
    found = verify(before, after)
    assert found.posterior is not None
    assert found.exact is not None
    says = [found.posterior.probability_below >= CONFIDENCE, found.exact.p_less <= 1 - CONFIDENCE]
    assert (found.verdict is Verdict.HELD) == all(says)
    if found.verdict is Verdict.HELD:
        assert verify(after, before).verdict is not Verdict.HELD


@given(BEFORE, AFTER, st.integers(1, 100_000_000))
def test_more_strokes_without_a_happening_never_speak_against_the_fix(
    before: Side, after: Side, more: int
) -> None:
    if verify(before, after).verdict is Verdict.HELD:
        later = Side(after.happenings, after.strokes + more)
        assert verify(before, later).verdict is Verdict.HELD


def test_a_rate_needs_strokes() -> None:
    assert Side(3, 0).per_million is None
    assert Side(3, 2 * MILLION).per_million == pytest.approx(1.5)
