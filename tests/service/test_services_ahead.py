"""What services ahead take away, in cases."""

from datetime import date, timedelta

import numpy as np
import pytest

from tracelog.service.habits import Ahead
from tracelog.service.outlook import LongStops, Lost, Outlook
from tracelog.stats.inputs import FloatArray


def _ahead(strokes: list[float], spread: float, varies: float = 0.0) -> Ahead:
    spreads = np.full(len(strokes), spread)
    return Ahead(np.array(strokes), spreads, np.full(len(strokes), 4.0), varies, 0.0)


def _outlook(deviation: float) -> Outlook:
    """A machine that makes 24 thousand strokes a day for ten days."""
    days = tuple(date(2026, 3, 2) + timedelta(days=number) for number in range(10))
    each = np.full(10, 24_000.0)
    made = np.cumsum(each)
    variance = np.full(10, deviation**2)
    never = LongStops(0.0, 0.0, 0.0, 0.0)
    return Outlook(
        *(days, made, np.sqrt(variance), np.full(10, 24.0), each, np.arange(1.0, 11)),
        *(variance, variance * 0, np.full(10, 1e9), 1_000.0, never, ()),
    )


def _lost(ahead: Ahead, strokes: list[float]) -> Lost:
    return ahead.lost(np.array(strokes), 1_000.0)


def test_a_service_that_may_come_is_two_cases_and_none_between() -> None:
    lost = _lost(_ahead([100_000], 5_000, varies=0.5), [100_000])
    assert lost.asked.tolist() == [0, 0]
    assert lost.chance.tolist() == pytest.approx([0.5, 0.5])
    assert lost.strokes.tolist() == [0, 4_000]
    assert lost.variance.tolist() == pytest.approx([0, 2_000**2])


def test_services_come_one_after_the_other() -> None:
    """The second is never done without the first, so both lose what two lose."""
    lost = _lost(_ahead([100_000, 101_000], 5_000), [100_000, 200_000, 10_000])
    first = lost.asked == 0
    assert lost.strokes[first].tolist() == [0, 4_000, 8_000]
    assert lost.chance[first].tolist() == pytest.approx([0.5, 0.0793, 0.4207], abs=1e-4)
    assert lost.strokes[lost.asked == 1].tolist() == [8_000]
    assert lost.strokes[lost.asked == 2].tolist() == [0]


def test_cases_add_up_to_one_and_their_mean_is_that_of_the_services() -> None:
    positions = [50_000.0 * number for number in range(1, 9)]
    asked = np.linspace(0, 450_000, 19)
    lost = _ahead(positions, 9_000).lost(asked, 1_000.0)
    assert np.bincount(lost.asked, lost.chance) == pytest.approx(np.ones(19))
    # Each service on its own: four hours of a thousand strokes, with the chance of its being in.
    alone = _ahead([50_000.0], 9_000)
    single = sum(alone.lost(asked - 50_000.0 * n, 1_000.0).mean(19) for n in range(8))
    assert lost.mean(19) == pytest.approx(single, abs=40)


def test_services_by_days_alone_take_their_share_of_every_stroke() -> None:
    nothing: FloatArray = np.array([])
    lost = Ahead(nothing, nothing, nothing, 0.4, 2e-5).lost(np.array([0.0, 100_000.0]), 1_000.0)
    assert lost.strokes.tolist() == pytest.approx([0, 2_000])
    assert lost.chance.tolist() == [1, 1]


def test_the_chance_of_a_day_is_that_of_the_cases_weighed() -> None:
    """Strokes of four days and a half, and a service of half a day that comes or does not.

    By the end of the fifth day it is certain without, an even chance with it.
    """
    chances = _outlook(10.0).chances(
        np.array([108_000.0]), _lost(Ahead(*_half_a_day()), [108_000.0])
    )
    assert chances[0, :4].tolist() == pytest.approx([0, 0, 0, 0], abs=1e-9)
    assert chances[0, 4] == pytest.approx(0.75)
    assert chances[0, 5] == pytest.approx(1)


def _half_a_day() -> tuple[FloatArray, FloatArray, FloatArray, float, float]:
    return np.array([108_000.0]), np.array([5_000.0]), np.array([12.0]), 0.0, 0.0
