"""Whether a fix held: evidence of 20 says so, however often somebody looks."""

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
        # One look would be told that it held: the exact p-value is (1/2)^5 = 0.03125.
        (Side(5, 5 * MILLION), Side(0, 5 * MILLION), Verdict.OPEN),
        (Side(5, 5 * MILLION), Side(0, 7 * MILLION), Verdict.HELD),
        (Side(0, 7 * MILLION), Side(5, 5 * MILLION), Verdict.WORSE),
        (Side(0, 5 * MILLION), Side(5, 5 * MILLION), Verdict.OPEN),
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
    assert found.strokes_needed == pytest.approx(1_558_000, abs=10_000)


def test_it_is_told_how_many_strokes_would_show_a_fall_by_half() -> None:
    # Twice the 0.995 million that show a fall at all, by the posterior (see `exposure_to_confirm`).
    found = verify(Side(20, 10 * MILLION), Side(0, 1 * MILLION))
    assert found.strokes_to_halved == pytest.approx(989_535, abs=2)
    assert found.probability_halved == pytest.approx(0.83, abs=0.02)
    later = verify(Side(20, 10 * MILLION), Side(0, 2 * MILLION))
    assert later.strokes_to_halved == 0
    assert later.probability_halved == pytest.approx(0.951, abs=0.002)


@given(BEFORE, AFTER)
def test_so_many_strokes_without_a_happening_do_show_that_it_held(
    before: Side, after: Side
) -> None:
    found = verify(before, after)
    if found.strokes_needed is None:
        # With so few before, no number of strokes after can say it.
        assert before.happenings <= 2 + after.happenings / 2
        return
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
def test_held_means_that_evidence_posterior_and_exact_test_all_say_so(
    before: Side, after: Side
) -> None:
    found = verify(before, after)
    if found.verdict is Verdict.HELD:
        assert found.posterior is not None
        assert found.exact is not None
        assert found.evidence is not None
        assert found.evidence >= 1 / (1 - CONFIDENCE) - 1e-9
        assert found.posterior.probability_below >= CONFIDENCE
        assert found.exact.p_less <= 1 - CONFIDENCE
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
