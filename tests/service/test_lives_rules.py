"""What counts as a failure, what lives say together, and whether replacing by age pays."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracelog.service.lives_rules import (
    GUESSED_COSTS,
    Costs,
    CountedAs,
    IntervalFrom,
    Life,
    Replacing,
    Verdict,
    Why,
    costs_of,
    curve_of,
    decide,
    figures_of,
    interval_today,
    judged,
    plot_of,
)
from tracelog.service.lives_words import (
    costs_sentence,
    interval_sentence,
    saving_sentence,
    verdict_sentence,
    wear_sentence,
)

AT = datetime(2026, 3, 1, tzinfo=UTC)
COSTS = Costs(100.0, 500.0, is_guess=False)
ENTERED = (3e7, IntervalFrom.SETTING)


def life(strokes: int, why: str | None = "worn", entry: int | None = 0, serial: str = "A") -> Life:
    """A life that ended, or goes on where `why` is None."""
    counted_as, told = judged(entry, strokes, why is not None, why, exact=True)
    ended_at = None if why is None else AT + timedelta(days=30)
    place = ("ring-3", "ring-3", "3-7")
    return Life(serial, 1, *place, AT, ended_at, entry, strokes, counted_as, told)


def drawn(shape: float, size: int, seed: int = 1, scale: float = 2e7) -> list[Life]:
    """Lives of a Weibull distribution, a third of them pulled before they failed."""
    rng = np.random.default_rng(seed)
    lives = np.maximum(scale * rng.weibull(shape, size), 1).astype(int)
    pulled = np.maximum(scale * rng.uniform(0.3, 3, size), 1).astype(int)
    return [
        life(int(min(one, out)), "worn" if one <= out else "planned")
        for one, out in zip(lives, pulled, strict=True)
    ]


def decided(lives: list[Life], costs: Costs = COSTS, use: float = 1e6) -> Replacing:
    return decide(figures_of(lives), costs, ENTERED, use)


@pytest.mark.parametrize("reason", ["worn", "broken", "defect"])
def test_what_no_longer_served_has_failed(reason: str) -> None:
    assert judged(0, 10, True, reason, True) == (CountedAs.FAILURE, reason)


@pytest.mark.parametrize("reason", ["planned", "moved", "unknown"])
def test_what_was_taken_out_for_another_reason_lived_longer(reason: str) -> None:
    assert judged(0, 10, True, reason, True) == (CountedAs.CENSORED, reason)


def test_what_goes_on_or_was_worked_on_where_it_was_lived_longer() -> None:
    assert judged(0, 10, False, None, True) == (CountedAs.CENSORED, Why.GOES_ON)
    assert judged(0, 10, True, None, True) == (CountedAs.CENSORED, Why.WORKED_ON)


def test_a_failure_with_strokes_missing_from_its_count_came_later_than_it_says() -> None:
    assert judged(0, 10, True, "worn", False) == (CountedAs.CENSORED, Why.COUNT_INCOMPLETE)
    assert judged(0, 10, True, "planned", False) == (CountedAs.CENSORED, "planned")


def test_lives_of_unknown_age_and_without_strokes_are_left_out() -> None:
    assert judged(None, 10, True, "worn", False) == (CountedAs.LEFT_OUT, Why.AGE_UNKNOWN)
    assert judged(10, 10, False, None, True) == (CountedAs.LEFT_OUT, Why.NO_STROKES)
    assert judged(0, 0, True, "worn", True) == (CountedAs.LEFT_OUT, Why.NO_STROKES)


def test_figures_count_every_life_once_and_say_why() -> None:
    lives = [life(10), life(20, "planned"), life(30, None), life(40, "broken"), life(5, entry=None)]
    figures = figures_of(lives)
    assert (figures.failures, figures.removals, figures.lives) == (2, 3, 4)
    assert figures.censored == {"planned": 1, "goes on": 1}
    assert figures.left_out == {"age at the first record unknown": 1}
    assert figures.is_few


def test_figures_come_from_the_lives_that_say_something() -> None:
    lives = drawn(2.5, 60)
    known = figures_of(lives)
    more = figures_of([*lives, life(1, entry=None), life(7, entry=7)])
    assert (known.shape, known.b10) == (more.shape, more.b10)
    assert known.shape is not None
    assert known.shape.low < 2.5 < known.shape.high
    assert known.scale is not None
    assert known.scale.low < 2e7 < known.scale.high


def test_a_life_begun_on_its_card_counts_from_there() -> None:
    lives = [life(30_000, "worn", entry=20_000 if n % 2 else 0) for n in range(6)]
    lives += [life(10_000 * n, "broken") for n in range(1, 5)]
    entered = figures_of(lives)
    from_new = figures_of([life(one.strokes, one.why) for one in lives])
    assert entered.scale is not None
    assert from_new.scale is not None
    assert entered.scale.estimate != pytest.approx(from_new.scale.estimate, rel=1e-3)


def test_the_curve_and_the_plot_show_the_failures() -> None:
    lives = drawn(2.0, 40)
    figures = figures_of(lives)
    curve, plot = curve_of(lives), plot_of(figures, lives)
    assert curve is not None
    assert plot is not None
    assert curve.failures.sum() == figures.failures == len(plot.ages)
    assert curve_of([life(10, "planned")]) is None
    assert plot_of(figures_of([life(10, "planned")]), []) is None


# --- replace by age, or not


def test_tools_that_wear_are_replaced_where_it_costs_least() -> None:
    result = decided(drawn(2.5, 120))
    assert result.verdict is Verdict.PAYS
    assert result.saving is not None
    # Worked out from the true life: 2e7 x 0.49305 (published for 1000 / 2.5 and costs 1 to 5).
    assert result.saving.best.interval == pytest.approx(2e7 * 0.49305, rel=0.15)
    assert result.saving.interval_low < 2e7 * 0.49305 < result.saving.interval_high
    assert result.strokes_a_year == pytest.approx(365.25e6)
    said = verdict_sentence(figures_of(drawn(2.5, 120)), result)
    assert said.startswith("Replace at about 9.")
    assert "in the unit of the costs" in saving_sentence(result)
    assert "between" in interval_sentence(result)


def test_tools_that_fail_at_random_are_left_to_run() -> None:
    lives = drawn(1.0, 400)
    result = decided(lives)
    assert result.verdict is Verdict.DOES_NOT_PAY
    assert result.saving is not None
    assert result.saving.interval_then == math.inf
    assert result.saving.saving > 0
    assert verdict_sentence(figures_of(lives), result).startswith("Replacing by age does not pay")
    assert interval_sentence(result) == ""
    assert saving_sentence(result).startswith("Against today's 30.0\u202fM strokes")


def test_tools_that_fail_young_are_looked_at_when_they_are_fitted() -> None:
    lives = drawn(0.6, 200)
    result = decided(lives)
    assert result.verdict is Verdict.DOES_NOT_PAY
    assert "made ready and fitted" in verdict_sentence(figures_of(lives), result)
    assert "young ones fail more often" in wear_sentence(figures_of(lives))


def test_what_is_not_shown_is_said_to_be_not_shown() -> None:
    lives = drawn(1.4, 12, seed=3)
    result = decided(lives)
    assert result.verdict is Verdict.NOT_SHOWN
    assert "do not show yet" in verdict_sentence(figures_of(lives), result)
    assert saving_sentence(result) == interval_sentence(result) == ""


def test_four_failures_decide_nothing_however_clear_they_look() -> None:
    lives = [life(19_000_000 + n) for n in range(4)] + [life(9_000_000, "planned")] * 20
    figures = figures_of(lives)
    assert figures.shape is not None
    assert figures.shape.low > 1
    result = decided(lives)
    assert result.verdict is Verdict.NOT_SHOWN
    assert "only 4 failed" in verdict_sentence(figures, result)


def test_without_a_failure_the_least_life_is_told() -> None:
    lives = [life(20_000_000, "planned") for _ in range(15)]
    figures = figures_of(lives)
    assert figures.least is not None
    # Exponential, no failure: total strokes over 2.9957 (one-sided 95 %).
    assert figures.least.low == pytest.approx(15 * 2e7 / 2.9957, rel=1e-4)
    result = decided(lives)
    assert result.verdict is Verdict.NO_FAILURES
    assert result.saving is None
    said = verdict_sentence(figures, result)
    assert said.startswith("None of 15 has failed.")
    assert "100\u202fM" in said


def test_failures_that_fix_no_life_are_told() -> None:
    lives = [life(30_000_000), life(20_000_000, "planned"), life(10_000_000, "planned")]
    result = decided(lives)
    assert result.verdict is Verdict.NOT_FIXED
    assert "fix no life yet" in verdict_sentence(figures_of(lives), result)


def test_no_lives_are_told() -> None:
    result = decided([life(5, entry=None)])
    assert result.verdict is Verdict.NO_LIVES
    assert verdict_sentence(figures_of([]), result) == "No life is on record whose age is known."


@pytest.mark.parametrize("unplanned", [100.0, 20.0])
def test_where_unplanned_is_not_dearer_age_never_pays(unplanned: float) -> None:
    lives = drawn(3.0, 100)
    result = decided(lives, Costs(100.0, unplanned, is_guess=False))
    assert result.verdict is Verdict.NOT_DEARER
    assert "no dearer" in verdict_sentence(figures_of(lives), result)


def test_costs_are_a_guess_until_both_are_entered() -> None:
    assert costs_of(None, None) == Costs(*GUESSED_COSTS, is_guess=True)
    assert costs_of(10.0, None).is_guess
    assert costs_of(10.0, 30.0) == Costs(10.0, 30.0, is_guess=False)
    guessed = decided(drawn(2.5, 60), costs_of(None, None))
    assert "a guess, no source" in costs_sentence(guessed)
    assert "as much as 5 planned ones" in costs_sentence(guessed)
    assert "planned replacements a year" in saving_sentence(guessed)


def test_todays_interval_is_the_setting_else_the_median_of_the_tools_else_none() -> None:
    assert interval_today(9, [1, 2]) == (9.0, IntervalFrom.SETTING)
    assert interval_today(None, [10, 40, 20]) == (20.0, IntervalFrom.TOOLS)
    assert interval_today(None, []) == (None, IntervalFrom.NONE)


def test_a_saving_that_may_be_none_is_told_so() -> None:
    lives = drawn(2.0, 40)
    figures = figures_of(lives)
    best = decide(figures, COSTS, (None, IntervalFrom.NONE), 1e6)
    assert best.verdict is Verdict.PAYS
    assert best.saving is not None
    assert best.saving.saving_low > 0
    assert "nothing" not in saving_sentence(best)
    near = decide(figures, COSTS, (best.saving.best.interval * 1.2, IntervalFrom.TOOLS), 1e6)
    assert near.saving is not None
    assert near.saving.saving_low < 0
    assert "leave open that it saves nothing" in saving_sentence(near)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 10**9),
            st.integers(0, 10**9),
            st.sampled_from(["worn", "planned", "moved", None]),
            st.booleans(),
        ),
        max_size=15,
    ),
    st.floats(1e-6, 1e15),
    st.floats(1e-6, 1e15),
    st.sampled_from([None, 1, 10**15]),
)
@settings(deadline=None, max_examples=60)
def test_any_lives_and_costs_get_an_answer_in_words(
    rows: list[tuple[int, int, str | None, bool]],
    planned: float,
    unplanned: float,
    setting: int | None,
) -> None:
    lives = [life(a + b, why, a if known else None) for a, b, why, known in rows]
    figures = figures_of(lives)
    assert figures.lives + sum(figures.left_out.values()) == len(lives)
    result = decide(figures, costs_of(planned, unplanned), interval_today(setting, []), 1e6)
    said = [
        verdict_sentence(figures, result),
        wear_sentence(figures),
        saving_sentence(result),
        interval_sentence(result),
        costs_sentence(result),
    ]
    assert said[0].endswith((".", "fails."))
    assert "nan" not in " ".join(said)
