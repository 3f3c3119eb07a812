"""Baselines where little is left to learn from: long signals, and a plant that stood still."""

from dataclasses import replace

import numpy as np
import pytest

from tests.trends.signals.streams import STROKES_A_DAY, stream
from tracelog.trends.signals.baselines import Learned, Span, learn
from tracelog.trends.signals.evidence import Evidence, MachineStrokes
from tracelog.trends.signals.replay import replay
from tracelog.trends.signals.rules import DAY


def _rates(learned: Learned) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Entries a day of running, machines by kinds of defect."""
    return learned.shape / learned.strokes * STROKES_A_DAY


def _one_machine(days: int) -> Evidence:
    return stream(3, days, machines=1, defects=2, entries_a_day=4).evidence


def test_what_a_signal_told_for_all_of_the_past_is_what_is_usual() -> None:
    one, at = _one_machine(500), 500 * DAY
    plain = learn(one, at, [])
    always = [Span(0, 0, 0.0, at)]
    np.testing.assert_allclose(_rates(learn(one, at, always)), _rates(plain))
    # A few days that are left are no better a past.
    nearly = [Span(0, 0, 20 * DAY, at)]
    np.testing.assert_allclose(_rates(learn(one, at, nearly)), _rates(plain))


def test_a_signal_for_half_of_the_past_is_left_out_of_it() -> None:
    one = _one_machine(400)
    logged = (one.log.defect == 0) & (one.log.at > 200 * DAY)
    quiet = replace(one, log=one.log.only(~logged))
    at = 400 * DAY
    plain, without = (
        _rates(learn(quiet, at, spans)) for spans in ([], [Span(0, 0, 200 * DAY, at)])
    )
    assert without[0, 0] > 1.3 * plain[0, 0]
    assert without[0, 1] == pytest.approx(plain[0, 1])


def test_a_plant_that_stood_still_for_a_year_is_judged_by_what_was_before() -> None:
    one = _one_machine(700)
    still = (one.log.at > 100 * DAY) & (one.log.at < 690 * DAY)
    (ran,) = one.strokes
    assert ran is not None
    edges = ran.edges
    per_hour = np.where(
        (edges[:-1] >= 100 * DAY) & (edges[:-1] < 690 * DAY), 0, np.diff(ran.totals)
    )
    strokes = MachineStrokes.of(edges, per_hour)
    stood = replace(one, log=one.log.only(~still), strokes=(strokes,))
    before, after = (_rates(learn(stood, day * DAY, [])) for day in (100, 700))
    np.testing.assert_allclose(after, before, rtol=0.35)
    # Nor does anything of it overflow the memory, or make a silence of the standstill.
    found = replay(stood)
    assert not [signal for signal in found.signals if 120 * DAY < signal.raised_at < 690 * DAY]
