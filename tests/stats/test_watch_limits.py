"""How much evidence is asked for: by ratio, and never too little."""

import math

import numpy as np
import pytest

from tracelog.stats.rate_watch import Baselines, WatchState, false_alarms, watch
from tracelog.stats.watch_limits import handicaps_of, limits


def _known(series: int, rate: float = 1.0) -> Baselines:
    return Baselines(np.full(series, 1e8), np.full(series, 1e8 / rate), np.ones(series))


def test_handicaps_are_by_how_often_the_evidence_starts_afresh() -> None:
    found = handicaps_of([1.4, 2.0, 3.0, 5.0], 2.0, 1.0)
    assert found == pytest.approx([-1.576, 0.0, 1.078, 2.053], abs=2e-3)
    assert handicaps_of([0.5], 2.0, 2.0) == pytest.approx(
        2 * math.log((math.log(2) - 0.5) / (1 - math.log(2)))
    )
    assert not handicaps_of([1.4, 5.0], 2.0, 0.0).any()


@pytest.mark.parametrize(("ratios", "usual"), [([1.0, 2.0], 2.0), ([2.0], 1.0), ([0.0], 2.0)])
def test_a_ratio_of_one_has_no_handicap(ratios: list[float], usual: float) -> None:
    with pytest.raises(ValueError, match="ratio"):
        handicaps_of(ratios, usual, 1.0)


def test_with_power_one_each_ratio_raises_about_as_many_false_alarms() -> None:
    """Within twice; at one threshold for all the largest raises ten times the smallest."""
    ratios = [1.4, 2.0, 3.0, 5.0]
    own = handicaps_of(ratios, 2.0, 1.0)
    alone = [
        false_alarms(_known(1500), np.ones(1500), [ratio], [4.5 + more], 400, 3).item()
        for ratio, more in zip(ratios, own.tolist(), strict=True)
    ]
    same = [
        false_alarms(_known(1500), np.ones(1500), [ratio], [4.5], 400, 3).item()
        for ratio in (1.4, 5.0)
    ]
    assert max(alone) < 2 * min(alone)
    assert same[1] > 10 * same[0]


def test_no_ratio_is_favoured_below_evidence_of_ninety_to_one() -> None:
    assert limits(6.0, [-2.0, 0.0, 2.0]) == pytest.approx([4.5, 6.0, 8.0])
    # Where so much is not asked of any, what is asked of the largest is asked of all.
    assert limits(2.0, [-2.0, 0.0, 2.0]) == pytest.approx([4.0, 4.0, 4.0])
    assert limits(2.0, 0.0) == pytest.approx(2.0)


def test_each_ratio_is_held_against_its_own_threshold() -> None:
    one = np.ones((1, 1))
    of_ratios = np.array([2.0, 9.0])
    (told,) = watch(5 * one, one, one, _known(1), [2.0, 5.0], of_ratios, WatchState.at(0, 1, 2))
    # What the step alone says speaks for the baseline; then five events: 8.0 for five times the
    # rate, which is more but not enough, and 3.5 for twice.
    assert told.ratio == 2.0
    assert told.score == pytest.approx(5 * math.log(2), rel=1e-5)


def test_a_small_rise_is_over_as_soon_as_twice_the_rate_is_refuted() -> None:
    counts = np.array([[9.0, *np.ones(40)]])
    times = np.arange(41.0)[None]
    state = WatchState.at(-1, 1, 1)
    found = watch(counts, np.ones((1, 41)), times, _known(1), [1.4], 2.0, state)
    (over,) = [one for one in found if one.is_end]
    # Each usual step refutes it by 1 - ln 2: fifteen of them make a hundred to one.
    assert over.step == math.ceil(math.log(100) / (1 - math.log(2)))
