"""Where events lie under a chart, and which scale tells short gaps apart."""

from datetime import datetime, timedelta

import pytest

from tests.trends.small_log import ZONE, day
from tracelog.trends.answers import ChartAnswer, ChartPoint
from tracelog.trends.drawing import ChartPlace, chart_figure, place_of_point
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.rules import ChartKind
from tracelog.trends.series.drawing import event_figure, place_on_chart
from tracelog.trends.series.rules import Event, EventKind


def _points(count: int) -> tuple[ChartPoint, ...]:
    return tuple(
        ChartPoint(
            number=n + 1,
            start=day(n),
            end=day(n + 1),
            count=1,
            exposure=9,
            value=1.0,
            lower=0.0,
            upper=2.0,
            is_outside=False,
            is_baseline=True,
        )
        for n in range(count)
    )


def _chart(kind: ChartKind, *events: Event) -> ChartAnswer:
    question = ChartQuestion(day(0), day(4))
    return ChartAnswer(question, kind, "", "", 1.0, None, _points(4), (), events=events)


def _event(at: datetime, kind: EventKind = EventKind.COIL) -> Event:
    return Event(at, kind, "K1", "", None, 1)


def test_noon_of_a_day_lies_under_the_point_of_that_day() -> None:
    noon = day(2) + timedelta(hours=12)
    assert place_on_chart(_points(4), noon) == pytest.approx(place_of_point(2, 4))


def test_what_happened_before_an_entry_lies_before_its_point() -> None:
    points = _points(4)
    before = place_on_chart(points, day(2) - timedelta(hours=1), are_entries=True)
    after = place_on_chart(points, day(2) + timedelta(hours=1), are_entries=True)
    # The second point is the entry at which its time ends, the start of the day with index 2.
    assert before < place_of_point(1, 4) < after


@pytest.mark.parametrize("moment", [day(-3), day(0), day(9)])
def test_nothing_is_drawn_outside_the_figure(moment: datetime) -> None:
    for are_entries in (False, True):
        assert 2 <= place_on_chart(_points(4), moment, are_entries) <= 98


def test_many_coils_near_each_other_are_one_tick_that_counts_them() -> None:
    close = [_event(day(1) + timedelta(minutes=n)) for n in range(5)]
    figure = event_figure(_chart(ChartKind.U, *close, _event(day(3))), ZONE)
    [lane] = figure.lanes
    assert (lane.name, lane.shape) == ("Coils", "tick")
    assert len(lane.marks) == 2
    assert lane.marks[0].text.startswith("5 from 2026-03-24 00:00")
    assert lane.marks[1].text == "2026-03-26 00:00 line 1 coil K1"


def test_only_what_happened_has_a_lane() -> None:
    figure = event_figure(_chart(ChartKind.U, _event(day(1), EventKind.SERVICE)), ZONE)
    assert [lane.name for lane in figure.lanes] == ["Services"]
    assert event_figure(_chart(ChartKind.U), ZONE).lanes == ()


def _place(value: float, is_baseline: bool = True) -> ChartPlace:
    return ChartPlace("", value, 1_000.0, 900_000.0, 100_000.0, False, is_baseline, "")


def test_short_gaps_are_told_apart_on_their_scale() -> None:
    places = [_place(2_000.0), _place(20_000.0), _place(800_000.0)]
    plain, stretched = (chart_figure(places, power) for power in (1.0, 0.2777))
    apart = [figure.marks[0].y - figure.marks[1].y for figure in (plain, stretched)]
    assert apart[1] > 5 * apart[0]
    assert [tick.text for tick in stretched.y_ticks] == [
        *("0", "1,000", "10,000", "100,000", "1,000,000")
    ]


def test_the_band_spans_the_points_that_set_the_limits() -> None:
    places = [_place(1e4, is_baseline=index in (1, 2)) for index in range(4)]
    assert chart_figure(places).band == pytest.approx((26.0, 48.0))
    assert chart_figure([_place(1e4)] * 4).band is None
