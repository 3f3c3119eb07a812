"""One time axis for everything that happened to a machine: where each thing is drawn.

Pure geometry in units of the drawing; the template only puts the figures into SVG.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from tracelog.instants import day_of, hour_of, next_hour, start_of_day

WIDTH = 800.0
LEFT = 96.0
RIGHT = 8.0
# A label needs this much room to the right of its line.
LABEL_WIDTH = 48.0
BARS_HEIGHT = 120.0
LANE_HEIGHT = 34.0
COUNTS_HEIGHT = 60.0
# An axis no longer than this shows hours.
SHORT = timedelta(days=2)


@dataclass(frozen=True)
class Tick:
    """A line across the axis with its label, blank where there is no room for it."""

    x: float
    label: str


@dataclass(frozen=True)
class Mark:
    """One thing that happened: where, and what it says."""

    x: float
    text: str


@dataclass(frozen=True)
class Block:
    """Strokes of one hour or day."""

    x: float
    y: float
    width: float
    height: float
    text: str


@dataclass(frozen=True)
class Lane:
    """A row of marks of one kind, around the height `y`."""

    label: str
    shape: str
    y: float
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Axis:
    """The whole drawing."""

    width: float
    height: float
    left: float
    bars_height: float
    ticks: tuple[Tick, ...]
    blocks: tuple[Block, ...]
    highest: int
    lanes: tuple[Lane, ...]
    counts_y: float
    counts: tuple[Block, ...]
    most: int


@dataclass(frozen=True)
class Scale:
    """Places of instants on the axis."""

    start: datetime
    end: datetime

    def place(self, moment: datetime) -> float:
        """Distance from the left edge of the drawing; instants outside stand at the ends."""
        share = (moment - self.start) / (self.end - self.start)
        return round(LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT - RIGHT), 2)


def ticks(scale: Scale, zone: ZoneInfo) -> tuple[Tick, ...]:
    """Some eight lines at starts of days of the plant's clock, or at its hours on a short axis."""
    return tuple(
        Tick(place, text if place + LABEL_WIDTH <= WIDTH else "")
        for moment, text in (_hours if scale.end - scale.start <= SHORT else _days)(scale, zone)
        for place in [scale.place(moment)]
    )


def _days(scale: Scale, zone: ZoneInfo) -> Iterator[tuple[datetime, str]]:
    days = (scale.end - scale.start).days
    for ahead in range(0, days + 2, max(1, round(days / 8))):
        day = day_of(scale.start, zone) + timedelta(days=ahead)
        moment = start_of_day(day, zone)
        if scale.start <= moment < scale.end:
            yield moment, day.strftime("%m-%d")


def _hours(scale: Scale, zone: ZoneInfo) -> Iterator[tuple[datetime, str]]:
    moment = hour_of(scale.start, zone)
    while moment < scale.end:
        local = moment.astimezone(zone)
        if moment >= scale.start and local.hour % 3 == 0 and local.minute == 0:
            yield moment, local.strftime("%H:%M")
        moment = next_hour(moment, zone)


# Start, end, figure and text of a bar.
Figure = tuple[datetime, datetime, int, str]


def blocks(
    scale: Scale, figures: Sequence[Figure], foot: float, height: float
) -> tuple[tuple[Block, ...], int]:
    """Bars that stand on `foot`, and the figure at the top of their scale."""
    highest = max((one[2] for one in figures), default=0)
    drawn = []
    for start, end, figure, text in figures:
        left, right = scale.place(start), scale.place(end)
        tall = round(height * figure / highest, 2) if highest else 0.0
        gap = 0.5 if right - left > 3 else 0.0
        wide = round(max(right - left - gap, 0.5), 2)
        left = min(left, WIDTH - wide)
        drawn.append(Block(left, round(foot - tall, 2), wide, tall, text))
    return tuple(drawn), highest


def axis(
    scale: Scale,
    zone: ZoneInfo,
    strokes: Sequence[Figure],
    lanes: Iterable[tuple[str, str, Sequence[tuple[datetime, str]]]],
    counts: Sequence[Figure],
) -> Axis:
    """Lay out bars of strokes, lanes of marks and bars of entries over one axis.

    Args:
        scale: first and last instant.
        zone: the plant's zone, for the labels.
        strokes: of each hour or day.
        lanes: label, shape of the marks, and instant and text of each mark.
        counts: entries of each hour or day.
    """
    bars, highest = blocks(scale, strokes, BARS_HEIGHT, BARS_HEIGHT)
    rows = []
    for index, (label, shape, marks) in enumerate(lanes):
        y = BARS_HEIGHT + 40 + LANE_HEIGHT * index
        rows.append(Lane(label, shape, y, tuple(Mark(scale.place(at), text) for at, text in marks)))
    foot = BARS_HEIGHT + 40 + LANE_HEIGHT * len(rows) + COUNTS_HEIGHT
    logged, most = blocks(scale, counts, foot, COUNTS_HEIGHT)
    return Axis(
        WIDTH,
        foot + 6,
        LEFT,
        BARS_HEIGHT,
        ticks(scale, zone),
        bars,
        highest,
        tuple(rows),
        foot,
        logged,
        most,
    )
