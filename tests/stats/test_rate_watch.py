"""The watch on rates whose baselines were learned: evidence, alarms, false ones, thresholds."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import gamma, poisson

from tracelog.stats.count_cusum import likelihood_cusum_arl
from tracelog.stats.inputs import FloatArray
from tracelog.stats.rate_watch import (
    BACK,
    Alarm,
    Baselines,
    WatchState,
    evidence,
    false_alarms,
    false_silences,
    watch,
)
from tracelog.stats.watch_limits import threshold_for


def _baselines(shape: float, exposure: float, series: int = 1, over: float = 1.0) -> Baselines:
    return Baselines(
        np.full(series, shape), np.full(series, exposure), np.full(series, over, dtype=float)
    )


@pytest.mark.parametrize(("events", "exposure", "ratio"), [(3, 1.0, 2.0), (0, 4.0, 0.2), (9, 2, 5)])
def test_evidence_is_the_ratio_of_two_integrals(events: int, exposure: float, ratio: float) -> None:
    """Against SciPy's quadrature over the gamma of the baseline."""
    shape, known = 4.0, 3.0

    def likelihood(times: float) -> float:
        def inside(rate: float) -> float:
            seen = poisson.pmf(events, times * rate * exposure)
            return float(seen * gamma.pdf(rate, shape, scale=1 / known))

        return float(quad(inside, 0, np.inf)[0])

    found = evidence(
        np.array([[events]], float),
        np.array([[exposure]], float),
        _baselines(shape, known),
        np.array([ratio]),
    )
    assert found[0, 0] == pytest.approx(math.log(likelihood(ratio) / likelihood(1.0)), rel=1e-6)


def test_with_a_baseline_that_is_known_it_is_the_cusum_of_a_poisson_process() -> None:
    """S falls with (R - 1) times what is expected, not below 0, and rises by ln R with each event.

    Moustakides (2002), Optimality of the CUSUM procedure for Poisson processes (from memory).
    """
    random = np.random.default_rng(3)
    counts = random.poisson(np.where(np.arange(200) < 120, 0.3, 0.9)).astype(float)
    exposures = random.uniform(0.1, 0.5, 200)
    scores, value = [], 0.0
    for count, exposure in zip(counts, exposures, strict=True):
        value = max(0.0, value - exposure) + count * math.log(2.0)
        scores.append(value)
    first = int(np.flatnonzero(np.array(scores) >= 4.0)[0])
    times, state = np.arange(200.0)[None], WatchState.at(-1, 1, 1)
    known = _baselines(1e9, 1e9)
    alarms = watch(counts[None], exposures[None], times, known, [2.0], 4.0, state)
    assert alarms[0].step == first
    assert alarms[0].score == pytest.approx(scores[first], rel=1e-5)


def _walk(counts: FloatArray, cuts: list[int]) -> list[tuple[int, float, bool]]:
    state = WatchState.at(-1.0, len(counts), 3)
    found: list[tuple[int, float, bool]] = []
    edges = sorted({0, counts.shape[1], *cuts})
    for start, end in pairwise(edges):
        part = counts[:, start:end]
        times = np.broadcast_to(np.arange(start, end, dtype=float), part.shape)
        own = _baselines(10, 10, len(counts))
        alarms = watch(part, np.ones(part.shape), times, own, [1.5, 2.5, 5.0], 2.0, state)
        found += [(one.step + start, one.score, one.is_end) for one in alarms]
    return found


@given(
    st.lists(st.integers(0, 6), min_size=4, max_size=40),
    st.lists(st.integers(1, 39), max_size=4),
)
def test_watching_in_parts_is_watching_at_once(listed: list[int], cuts: list[int]) -> None:
    counts = np.array([listed, listed[::-1]], dtype=float)
    inside = [cut for cut in cuts if cut < counts.shape[1]]
    assert _walk(counts, inside) == _walk(counts, [])


def test_an_alarm_is_on_until_the_rate_is_back_and_may_come_again() -> None:
    counts = np.array([[0, 6, 6, 0, 0, 0, 0, 0, 6, 6, 6]], dtype=float)
    kinds = [is_end for _step, _score, is_end in _walk(counts, [])]
    assert kinds == [False, True, False]


def test_a_fall_and_a_silence_are_found_as_well() -> None:
    none = np.zeros((1, 30))
    times = np.arange(30.0)[None]
    ones, own = np.ones((1, 30)), _baselines(100, 100)
    fall = watch(none, ones, times, own, [0.2, 0.5], 4.0, WatchState.at(-1, 1, 2))
    silent = watch(none, ones, times, own, [0.0], 4.0, WatchState.at(-1, 1, 1))
    # ln R per expected event is 0.8 for R = 1/5, and 1 where nothing at all comes.
    assert [one.step for one in fall] == [5]
    assert [one.step for one in silent] == [4]


def test_what_varies_more_than_chance_weighs_less() -> None:
    four, one = np.array([[4.0]]), np.ones((1, 1))
    state = WatchState.at(0, 1, 1)
    watch(four, one, one, _baselines(50, 50, over=2.0), [2.0], 9.0, state)
    half = evidence(state.events, state.exposure, _baselines(50, 50), np.array([2.0]))
    assert half[0, 0] == pytest.approx(2 * math.log(2))


def test_false_alarms_of_a_known_baseline_come_once_in_the_run_length() -> None:
    """Against the Markov chain of Brook and Evans (1972), which is right within 5 %."""
    series, threshold = 400, 3.0
    baselines = _baselines(1e8, 1e8, series)
    found = false_alarms(baselines, np.ones(series), [2.0], [threshold], 900, 7)[0] / series
    # Events are looked at one by one, so the chain's periods are made short: a twentieth of a day.
    length = likelihood_cusum_arl(0.05, 2.0, threshold) * 0.05
    # After an alarm the series is not watched for a new one until it is back.
    back = BACK / (1.0 - math.log(2.0))
    assert 1 / found == pytest.approx(length + back, rel=0.1)


def test_false_silences_come_as_often_as_gaps_of_that_length() -> None:
    """At midnight the gap behind has been longer than h for the first time: e^-h (1 - e^-r)."""
    rate, limit = 2.0, 4.0
    found = false_silences(_baselines(1e9, 1e9, 40), np.full(40, rate), [limit], 8000, 5)[0] / 40
    assert found == pytest.approx(math.exp(-limit) * (1 - math.exp(-rate)), rel=0.08)


def test_the_threshold_keeps_the_budget() -> None:
    assert threshold_for([10, 10 * math.exp(-2)], [3, 5], 0.5) == pytest.approx(5.9957, abs=1e-3)
    assert threshold_for([10, 10 * math.exp(-2)], [3, 5], 1e9) == 2.0
    assert threshold_for([0, 0], [3, 5], 0.5) == 3.0
    assert threshold_for([math.e, 0], [3, 5], 1.0) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("ratios", "limit", "name"),
    [([0.5, 2.0], 3.0, "ratios"), ([2.0], 0.0, "thresholds"), ([-1.0], 3.0, "ratios")],
)
def test_what_cannot_be_watched_is_named(ratios: list[float], limit: float, name: str) -> None:
    one = np.ones((1, 1))
    with pytest.raises(ValueError, match=name):
        watch(one, one, one, _baselines(1, 1), ratios, limit, WatchState.at(0, 1, len(ratios)))
    with pytest.raises(ValueError, match="days"):
        false_alarms(_baselines(1, 1), np.ones(1), [2.0], [3.0], 2, 1)
    with pytest.raises(ValueError, match="exposures"):
        watch(one, np.ones((1, 2)), one, _baselines(1, 1), [2.0], 3.0, WatchState.at(0, 1, 1))


def test_an_alarm_says_what_it_is() -> None:
    state = WatchState.at(0.0, 1, 3)
    one = np.ones((1, 1))
    (alarm,) = watch(6 * one, one, one, _baselines(100, 100), [1.5, 2.5, 5], 3.0, state)
    assert alarm == Alarm(0, 0, 5.0, alarm.score, 1.0, is_end=False)
    assert alarm.score == pytest.approx(6 * math.log(5))
