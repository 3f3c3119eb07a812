"""Where points and events of a series lie in its figure: pure arithmetic."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from tracelog.instants import show_instant
from tracelog.language import _, figure, in_words
from tracelog.trends.answers import ChartAnswer, ChartPoint
from tracelog.trends.drawing import (
    ChartFigure,
    ChartPlace,
    Mark,
    chart_figure,
    place_of_point,
    scale_text,
)
from tracelog.trends.rules import BETWEEN_ENTRIES
from tracelog.trends.series.rules import Event, EventKind

LANE_HEIGHT = 48.0
# Below the name of the lane.
MARK_DROP = 34.0
# Marks nearer than this, in percent of the width, are drawn as one.
NEAREST = 1.0
# Exponential values lie nearly evenly about their middle on this power (Nelson 1994).
NEARLY_NORMAL = 0.2777


@dataclass(frozen=True)
class EventLane:
    """A row of marks of one kind of event: its name, its height, its marks."""

    name: str
    shape: str
    y: float
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class EventFigure:
    """What happened meanwhile, under the chart and on its scale."""

    lanes: tuple[EventLane, ...]
    height: float


def point_at(chart: ChartAnswer, point: ChartPoint) -> datetime:
    """When a point is told to be: an entry when it happened, other points when they begin."""
    return point.end if chart.kind in BETWEEN_ENTRIES else point.start


def chart_place(point: ChartPoint, chart: ChartAnswer, zone: ZoneInfo) -> ChartPlace:
    """A point of a chart as its figure shows it."""
    at = show_instant(point_at(chart, point), zone)
    value = _("no rate") if point.value is None else scale_text(round(point.value, 4))
    if chart.kind in BETWEEN_ENTRIES:
        text = _("%(at)s: %(value)s strokes since the entry before", at=at, value=value)
    else:
        text = _(
            "%(at)s: %(value)s; %(count)d in %(exposure)s",
            at=at,
            value=value,
            count=point.count,
            exposure=figure(point.exposure, ","),
        )
    if point.is_outside:
        text = _("%(text)s, outside the limits", text=text)
    if point.rules:
        text = f"{text}, {', '.join(map(in_words, point.rules))}"
    return ChartPlace(
        label=at[:10],
        value=point.value,
        lower=point.lower,
        upper=point.upper,
        centre=chart.centre or 0.0,
        is_outside=point.is_outside,
        is_baseline=point.is_baseline,
        text=text,
        is_in_run=bool(point.rules),
    )


def figure_of_points(chart: ChartAnswer, zone: ZoneInfo) -> ChartFigure:
    """A control chart as a figure; gaps on a scale on which short ones are told apart."""
    power = NEARLY_NORMAL if chart.kind in BETWEEN_ENTRIES else 1.0
    return chart_figure([chart_place(point, chart, zone) for point in chart.points], power)


def event_figure(chart: ChartAnswer, zone: ZoneInfo) -> EventFigure:
    """The events of a chart in lanes, each mark under the points between which it happened."""
    lanes: list[EventLane] = []
    for name, shape, kinds in _lanes():
        chosen = [one for one in chart.events if one.kind in kinds]
        if chosen:
            y = LANE_HEIGHT * len(lanes)
            lanes.append(EventLane(name, shape, y, _marks(chart, chosen, zone)))
    return EventFigure(tuple(lanes), LANE_HEIGHT * len(lanes))


def _lanes() -> tuple[tuple[str, str, tuple[EventKind, ...]], ...]:
    return (
        (_("Services"), "diamond", (EventKind.SERVICE,)),
        (_("Tools fitted or removed"), "ring", (EventKind.FITTED, EventKind.REMOVED)),
        (_("Changes"), "wedge", (EventKind.CHANGE,)),
        (_("Coils"), "tick", (EventKind.COIL,)),
    )


def _marks(chart: ChartAnswer, events: Sequence[Event], zone: ZoneInfo) -> tuple[Mark, ...]:
    """Marks from left to right; those that would lie on each other are one."""
    are_entries = chart.kind in BETWEEN_ENTRIES
    places = [(place_on_chart(chart.points, one.at, are_entries), one) for one in events]
    drawn: list[Mark] = []
    told: list[Event] = []
    for x, one in sorted(places, key=lambda placed: placed[0]):
        if drawn and x - drawn[-1].x < NEAREST:
            told.append(one)
            drawn[-1] = Mark(drawn[-1].x, MARK_DROP, "", _told(told, zone))
        else:
            told = [one]
            drawn.append(Mark(x, MARK_DROP, "", _told(told, zone)))
    return tuple(drawn)


def _told(events: Sequence[Event], zone: ZoneInfo) -> str:
    if len(events) > 3:
        first, last = (show_instant(one.at, zone) for one in (events[0], events[-1]))
        return _(
            "%(number)d from %(first)s to %(last)s", number=len(events), first=first, last=last
        )
    return "; ".join(f"{show_instant(one.at, zone)} {event_words(one)}" for one in events)


def event_words(event: Event) -> str:
    """What happened, in words."""
    words = {
        EventKind.SERVICE: _("service %(what)s", what=in_words(event.what)),
        EventKind.FITTED: _("tool %(what)s fitted", what=event.what),
        EventKind.REMOVED: _("tool %(what)s removed", what=event.what),
        EventKind.COIL: _("coil %(what)s", what=event.what),
        EventKind.CHANGE: in_words(event.what),
    }[event.kind]
    place = event.machine or (_("line %(line)d", line=event.line) if event.line else "")
    return f"{place} {words}".strip()


def place_on_chart(points: Sequence[ChartPoint], at: datetime, are_entries: bool = False) -> float:
    """Where an instant lies along the width of a chart, in percent.

    Points stand at equal distances, whatever time lies between them: an instant within a point's
    time lies within its width, one between two points between them.

    Args:
        points: in order of time, at least one.
        at: UTC.
        are_entries: points stand where their time ends, so that what happened between two
            entries lies between their points.
    """
    count = len(points)
    # How far left of its middle a point's time begins.
    left = 1.0 if are_entries else 0.5
    for index, point in enumerate(points):
        if at < point.start:
            return round(max(place_of_point(index - left, count), 2.0), 3)
        if at < point.end:
            share = (at - point.start) / (point.end - point.start)
            return round(max(place_of_point(index - left + share, count), 2.0), 3)
    return round(place_of_point(count - 0.5, count), 3)
