"""Signals of whole histories: planted changes are found, and null plants keep quiet."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import poisson

from tests.trends.signals.streams import Change, Stream, stream
from tracelog.trends.signals.beginning import beginning
from tracelog.trends.signals.evidence import Frozen
from tracelog.trends.signals.replay import Budget, FoundSignal, epoch_starts, replay
from tracelog.trends.signals.rules import DAY, Kind


def _busy(seed: int, days: int, *changes: Change, dispersion: float = 1.0) -> Stream:
    return stream(
        seed, days, machines=8, defects=6, entries_a_day=30, dispersion=dispersion, changes=changes
    )


def _of(signals: list[FoundSignal], machine: int, defect: int, kind: Kind) -> list[FoundSignal]:
    return [
        one for one in signals if (one.machine, one.defect, one.kind) == (machine, defect, kind)
    ]


@pytest.mark.parametrize("ratio", [3.0, 6.0])
def test_a_risen_rate_is_told_soon_and_since_when(ratio: float) -> None:
    busiest = int(_busy(5, 10).rates[3].argmax())
    found = replay(_busy(5, 200, Change(3, busiest, 150, ratio)).evidence)
    own = [one for one in _of(found.signals, 3, busiest, Kind.RISE) if one.raised_at >= 150 * DAY]
    assert own, "the change was not told"
    first = own[0]
    assert first.raised_at < 160 * DAY
    assert first.since_low - DAY <= 150 * DAY <= first.since_high + DAY
    assert first.since_low <= first.since <= first.since_high <= first.raised_at
    assert first.count / first.strokes > 2 * first.baseline


def test_a_rate_that_is_back_ends_its_signal() -> None:
    busiest = int(_busy(5, 10).rates[3].argmax())
    changes = (Change(3, busiest, 150, 5.0), Change(3, busiest, 170, 0.2))
    found = replay(_busy(5, 220, *changes).evidence)
    first, *_more = [
        one for one in _of(found.signals, 3, busiest, Kind.RISE) if one.raised_at >= 150 * DAY
    ]
    assert first.ended_at is not None
    assert 170 * DAY <= first.ended_at < 190 * DAY


def test_an_improvement_is_news_too() -> None:
    busiest = int(_busy(5, 10).rates[3].argmax())
    found = replay(_busy(5, 220, Change(3, busiest, 150, 0.05)).evidence)
    own = _of(found.signals, 3, busiest, Kind.FALL)
    assert [one for one in own if 150 * DAY < one.raised_at < 200 * DAY]


def test_a_log_that_stops_is_told_and_is_over_with_the_next_entry() -> None:
    one = _busy(5, 120).evidence
    stops = (one.log.machine == 2) & (one.log.at > 90 * DAY) & (one.log.at < 100 * DAY)
    found = replay(replace(one, log=one.log.only(~stops)))
    silent = [signal for signal in found.signals if signal.kind is Kind.SILENT]
    own = [signal for signal in silent if signal.machine == 2]
    (told,) = [signal for signal in own if 90 * DAY < signal.raised_at < 100 * DAY]
    assert told.defect is None
    assert told.raised_at < 94 * DAY
    assert told.ended_at is not None
    assert 100 * DAY <= told.ended_at < 103 * DAY
    # The last before it fell silent, and the one that ended it.
    assert told.count == 2


@pytest.mark.parametrize("dispersion", [1.0, 2.0])
def test_a_plant_in_which_nothing_changes_keeps_near_its_budget(dispersion: float) -> None:
    """Two plants of half a year each; the bench looks longer and more closely."""
    counted, weeks = 0, 0.0
    for seed in (11, 12):
        one = stream(
            seed, 180, machines=12, defects=20, entries_a_day=40, dispersion=dispersion
        ).evidence
        counted += len(replay(one, [Budget(0.0, 4.0)]).signals)
        weeks += (180 - 14) / 7
    expected = 4.0 * weeks
    low, high = poisson.ppf([1e-4, 1 - 1e-4], expected).tolist()
    assert 0.75 * low <= counted <= 1.25 * high


def test_fewer_false_signals_are_bought_with_a_higher_threshold() -> None:
    one = _busy(6, 60).evidence
    strict = replay(one, [Budget(0.0, 0.1)]).epochs[-1].thresholds
    usual = replay(one).epochs[-1].thresholds
    for kind in Kind:
        assert strict[kind] > usual[kind]


def test_baselines_are_learned_after_two_weeks_and_then_every_four() -> None:
    one = _busy(6, 100).evidence
    assert [start / DAY for start in epoch_starts(one)] == [14, 28, 56, 84]
    assert replay(replace(one, read_until=10 * DAY)).signals == []


def test_what_comes_later_changes_no_epoch_and_no_signal_before() -> None:
    whole = _busy(7, 120, Change(1, 2, 60, 4.0)).evidence
    end = 90 * DAY
    shown = replace(
        whole,
        log=whole.log.only(whole.log.at < end),
        strokes=tuple(
            replace(one, edges=one.edges[: 90 * 24 + 1], totals=one.totals[: 90 * 24 + 1])
            for one in whole.strokes
            if one is not None
        ),
        day_ends=whole.day_ends[: 90 + 1],
        now=end,
        read_until=end,
    )
    before, later = replay(shown), replay(whole)
    assert [one.thresholds for one in later.epochs[: len(before.epochs)]] == [
        one.thresholds for one in before.epochs
    ]
    told = [(one.machine, one.defect, one.kind, one.raised_at) for one in before.signals]
    again = [
        (one.machine, one.defect, one.kind, one.raised_at)
        for one in later.signals
        if one.raised_at <= end
    ]
    assert told == again
    assert told


def test_some_machines_by_known_epochs_give_what_all_give() -> None:
    one = _busy(8, 150, Change(1, 2, 90, 4.0), dispersion=1.5).evidence
    every = replay(one)
    machine = replace(
        one,
        log=one.log.only(one.log.machine == 1),
        strokes=tuple(own if place == 1 else None for place, own in enumerate(one.strokes)),
    )
    alone = replay(machine, epochs=every.epochs).signals
    assert alone == [signal for signal in every.signals if signal.machine == 1]
    assert alone


def test_the_beginning_is_where_the_change_was() -> None:
    """Expected counts themselves: two a day, then eight; the middle is the day of the change."""
    counts = np.where(np.arange(40) < 25, 2.0, 8.0)
    low, middle, high = beginning(
        counts, np.ones(40), np.arange(1.0, 41), 0.0, 2.0, 1.0, rises=True
    )
    assert low <= middle <= high
    assert middle == 25
    assert high - low <= 3


def test_a_frozen_baseline_takes_the_place_of_the_year_from_the_next_epoch_on() -> None:
    """A rate that is three times what it was, and is called usual, gives no signal any more."""
    busiest = int(_busy(5, 10).rates[3].argmax())
    one = _busy(5, 260, Change(3, busiest, 100, 3.0)).evidence
    chosen = Frozen(130 * DAY, 3, busiest, (102 * DAY, 128 * DAY))
    usual = replay(one)
    frozen = replay(replace(one, frozen=(chosen,)))
    back = replay(replace(one, frozen=(chosen, replace(chosen, since=135 * DAY, period=None))))
    rates = [
        found.epochs[6].learned.shape[3, busiest] / found.epochs[6].learned.strokes[3, busiest]
        for found in (usual, frozen, back)
    ]
    assert frozen.epochs[6].starts_at == 168 * DAY
    assert rates[1] > 1.8 * rates[0]
    assert rates[2] == rates[0]
    on_then = [
        one
        for one in _of(frozen.signals, 3, busiest, Kind.RISE)
        if one.ended_at is None or one.ended_at > 200 * DAY
    ]
    assert not on_then
