"""One time axis around the making of a can: ever longer steps away from it, on both sides.

A pallet is filled minutes after the can was made, a tool was fitted weeks before: on an even axis
one of the two cannot be seen. So the distance from the making is drawn by its logarithm, and the
time in which the can may have been made has a band of its own, where time runs evenly. Pure
geometry in units of the drawing; the template only puts the figures into SVG.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

WIDTH = 800.0
LEFT = 104.0
RIGHT = 8.0
TOP = 26.0
LANE_HEIGHT = 28.0
# Of the drawing, what the making itself takes when it is an instant, and when it is a time.
_BAND = (4.0, 90.0)
# What lies nearer than this to the making is drawn as if time ran evenly.
_NEAR = timedelta(minutes=20)
_STEPS = (
    (timedelta(hours=1), "1 h"),
    (timedelta(hours=6), "6 h"),
    (timedelta(days=1), "1 d"),
    (timedelta(days=7), "7 d"),
    (timedelta(days=30), "30 d"),
    (timedelta(days=180), "180 d"),
)
# A label needs so much room to the right of its line.
_LABEL_WIDTH = 34.0


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
class Bar:
    """Something that lasted; `strength` from 0 to 1 is how dark it is."""

    x: float
    width: float
    strength: float
    text: str


@dataclass(frozen=True)
class Lane:
    """A row of marks and bars of one kind, around the height `y`."""

    label: str
    shape: str
    y: float
    marks: tuple[Mark, ...]
    bars: tuple[Bar, ...]


@dataclass(frozen=True)
class Axis:
    """The whole drawing; `band` is left edge and width of the making."""

    width: float
    height: float
    left: float
    top: float
    band: tuple[float, float]
    ticks: tuple[Tick, ...]
    lanes: tuple[Lane, ...]


# An instant and what it says; or start, end (None: lasts on), strength and what it says.
Happened = tuple[datetime, str]
Lasted = tuple[datetime, datetime | None, float, str]


@dataclass(frozen=True)
class LaneFacts:
    """What one lane shows."""

    label: str
    shape: str
    marks: Sequence[Happened] = ()
    bars: Sequence[Lasted] = ()


@dataclass(frozen=True)
class Scale:
    """Places of instants: `start` to `end` is the making, `first` and `last` the ends drawn."""

    start: datetime
    end: datetime
    first: datetime
    last: datetime

    @property
    def band(self) -> tuple[float, float]:
        """Left edge and width of the making."""
        width = _BAND[self.end > self.start]
        before, after = _away(self.start - self.first), _away(self.last - self.end)
        room = WIDTH - LEFT - RIGHT - width
        share = before / (before + after) if before + after else 0.5
        return round(LEFT + share * room, 2), width

    def place(self, moment: datetime) -> float:
        """Distance from the left edge of the drawing; what lies outside stands at the ends."""
        left, width = self.band
        if moment < self.start:
            far = _away(self.start - self.first)
            share = _away(self.start - moment) / far if far else 1.0
            return round(left - min(share, 1.0) * (left - LEFT), 2)
        if moment > self.end:
            far = _away(self.last - self.end)
            share = _away(moment - self.end) / far if far else 1.0
            right = left + width
            return round(right + min(share, 1.0) * (WIDTH - RIGHT - right), 2)
        share = (moment - self.start) / (self.end - self.start) if self.end > self.start else 0.5
        return round(left + share * width, 2)


def _away(distance: timedelta) -> float:
    return math.log1p(max(distance, timedelta(0)) / _NEAR)


def ticks(scale: Scale) -> tuple[Tick, ...]:
    """Lines at round distances before and after the making; the nearest labels win."""
    left, width = scale.band
    found = []
    for sign, edge in ((-1, left), (1, left + width)):
        near = edge
        for step, label in _STEPS:
            moment = scale.start - step if sign < 0 else scale.end + step
            if not scale.first <= moment <= scale.last:
                continue
            x = scale.place(moment)
            has_room = abs(x - near) >= _LABEL_WIDTH and x + _LABEL_WIDTH <= WIDTH
            found.append(Tick(x, ("−" if sign < 0 else "+") + label if has_room else ""))
            near = x if has_room else near
    return tuple(sorted(found, key=lambda one: one.x))


def axis(scale: Scale, lanes: Sequence[LaneFacts]) -> Axis:
    """Lay out lanes of marks and bars over one axis.

    Args:
        scale: where instants lie.
        lanes: from top to bottom.
    """
    rows = []
    for number, lane in enumerate(lanes):
        bars = []
        for start, end, strength, text in lane.bars:
            left, right = scale.place(start), scale.place(end or scale.last)
            bars.append(Bar(left, round(max(right - left, 1.5), 2), round(strength, 3), text))
        rows.append(
            Lane(
                *(lane.label, lane.shape, TOP + LANE_HEIGHT * (number + 0.5)),
                tuple(Mark(scale.place(at), text) for at, text in lane.marks),
                tuple(bars),
            )
        )
    height = TOP + LANE_HEIGHT * len(rows) + 4
    return Axis(WIDTH, height, LEFT, TOP, scale.band, ticks(scale), tuple(rows))
