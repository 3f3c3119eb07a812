"""What is asked about a counter, and what would be a likely answer; no database, no clock.

All thresholds are common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from statistics import median

import numpy as np

from tracelog.strokes.facts import CounterEvent
from tracelog.strokes.hours import microseconds
from tracelog.strokes.rules import (
    ROLL_OVER_SLACK_MINUTES,
    ROLL_OVER_SPEED,
    CounterLimits,
    Timeline,
    Whole,
    most_risen,
    rolled_over,
    settle,
)

# A counter is asked after when it was not read for three times as long as is usual with it.
SILENT_TIMES = 3
SILENT_AT_LEAST = timedelta(hours=6)
# One that was hardly ever read has no habit yet.
SILENT_WHEN_UNKNOWN = timedelta(hours=24)
# So many of its last distances between readings make a habit.
DISTANCES = 20
FEWEST_DISTANCES = 3

# What a machine made in stretches of the same length says what to expect, give or take a quarter.
EXPECTED_SLACK = 0.25
# A machine may stand for a shift at any time.
MAY_STAND = timedelta(hours=8)
FEWEST_HOURS = 24
_MINUTE = timedelta(minutes=1)
_HOUR = timedelta(hours=1)
_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)


class QuestionKind(StrEnum):
    """What is odd about a counter."""

    BACKWARD_JUMP = "backward jump"
    IMPROBABLE_RATE = "improbable rate"
    # A figure that the counter cannot show; its last figure was corrected afterwards.
    ABOVE_LAST_FIGURE = "above last figure"
    # Read at the very instant of a counter event, and another figure than that left.
    UNLIKE_EVENT = "unlike event"
    SILENCE = "silence"


@dataclass(frozen=True)
class Figures:
    """Two figures of a counter: at the start of a stretch, and at its end."""

    from_at: datetime
    to_at: datetime
    from_strokes: int
    to_strokes: int

    @property
    def rise(self) -> int:
        """How far the figure rose; less than 0 where it fell."""
        return self.to_strokes - self.from_strokes

    @property
    def minutes(self) -> float:
        """How long it took."""
        return (self.to_at - self.from_at) / _MINUTE


def kind_of(stretch: Figures, limits: CounterLimits) -> QuestionKind:
    """What is odd about a stretch that is in question."""
    if stretch.from_at == stretch.to_at:
        return QuestionKind.UNLIKE_EVENT
    last = limits.counter_max
    if last is not None and max(stretch.from_strokes, stretch.to_strokes) > last:
        return QuestionKind.ABOVE_LAST_FIGURE
    return QuestionKind.BACKWARD_JUMP if stretch.rise < 0 else QuestionKind.IMPROBABLE_RATE


def shown_strokes(stretch: Figures, limits: CounterLimits) -> int | None:
    """Strokes that the counter itself shows: its rise, or its fall as a roll-over.

    None where a fall can be no roll-over: the last figure is not known, or it would mean strokes
    that no machine makes in that time.
    """
    if stretch.from_at == stretch.to_at:
        return 0
    if stretch.rise >= 0:
        return stretch.rise
    turned = rolled_over(stretch.rise, limits)
    return turned if turned is not None and turned <= most_risen(stretch.minutes, limits) else None


def usual_distance(read_at: Sequence[datetime]) -> timedelta | None:
    """How far apart a counter's readings usually are: the median of the last distances.

    Args:
        read_at: its last readings, UTC, in any order.

    Returns:
        None where they are too few to tell.
    """
    ordered = sorted(read_at)[-DISTANCES - 1 :]
    minutes = [(later - before) / _MINUTE for before, later in pairwise(ordered)]
    if len(minutes) < FEWEST_DISTANCES:
        return None
    return median(minutes) * _MINUTE


def longest_silence(usual: timedelta | None) -> timedelta:
    """For how long a counter may say nothing before somebody asks."""
    if usual is None:
        return SILENT_WHEN_UNKNOWN
    return max(SILENT_AT_LEAST, SILENT_TIMES * usual)


@dataclass(frozen=True)
class Expectation:
    """Strokes that a machine has probably made: at its mean pace, and between which two."""

    low: int
    usual: int
    high: int

    def holds(self, made: int | None) -> bool:
        """Whether so many strokes are nothing special."""
        return made is not None and self.low <= made <= self.high


def expected_strokes(
    hours: Sequence[int], per_day: float | None, elapsed: timedelta, limits: CounterLimits
) -> Expectation:
    """What a machine has probably made in a time, going by what it made lately.

    Args:
        hours: strokes of consecutive hours before.
        per_day: its mean strokes per day before; None: not known.
        elapsed: the time, not negative.
        limits: what is known of the counter.

    Returns:
        `low` and `high`: least and most in any stretch of that length (of a longer time: in
        proportion), a quarter of the usual further apart; from 0 up to a shift, since a machine
        may stand for so long at any time; never more than it can make.
    """
    minutes = elapsed / _MINUTE
    most = limits.spm * (ROLL_OVER_SPEED * minutes + ROLL_OVER_SLACK_MINUTES)
    usual = min(per_day * (elapsed / _DAY) if per_day is not None else most / 2, most)
    if len(hours) < FEWEST_HOURS:
        return Expectation(0, round(usual), int(most))
    length = min(max(1, round(elapsed / _HOUR)), len(hours) // 2)
    sums = np.convolve(np.asarray(hours, dtype=np.float64), np.ones(length), mode="valid")
    scale = elapsed / (length * _HOUR)
    low = min(float(sums.min()) * scale, usual) - EXPECTED_SLACK * usual
    high = max(float(sums.max()) * scale, usual) + EXPECTED_SLACK * usual
    # A short time is told by the minute: readings are not taken to the second.
    high = max(high, ROLL_OVER_SLACK_MINUTES * limits.spm)
    if elapsed <= MAY_STAND:
        low = 0
    return Expectation(max(0, int(low)), round(usual), min(int(high), int(most)))


@dataclass(frozen=True)
class LikelyEvent:
    """A counter event that would explain a stretch."""

    event: CounterEvent
    at: datetime
    strokes_after: int


def likely_event(
    stretch: Figures, limits: CounterLimits, per_day: float | None
) -> LikelyEvent | None:
    """The event that explains a stretch best.

    A reset to 0 at the latest time from which the counter can have come to what it shows; where
    there is none, a preset right at the start to what leaves the usual pace.

    Returns:
        None where the stretch has no time for it.
    """
    earliest = stretch.from_at.replace(microsecond=0) + _SECOND
    if earliest > stretch.to_at:
        return None
    needed = timedelta(minutes=stretch.to_strokes / limits.spm)
    if needed <= stretch.to_at - earliest:
        at = (stretch.to_at - needed).replace(microsecond=0)
        return LikelyEvent(CounterEvent.RESET, max(at, earliest), 0)
    pace = per_day if per_day is not None else limits.spm * (_DAY / _MINUTE) / 2
    made = round(pace * ((stretch.to_at - earliest) / _DAY))
    return LikelyEvent(CounterEvent.PRESET, earliest, max(0, stretch.to_strokes - made))


def explains(stretch: Figures, at: datetime, strokes_after: int, limits: CounterLimits) -> bool:
    """Whether an event within a stretch leaves nothing in question."""

    def whole(*values: int) -> Whole:
        return np.array(values, dtype=np.int64)

    timeline = Timeline(
        whole(microseconds(stretch.from_at), microseconds(stretch.to_at)),
        whole(stretch.from_strokes, stretch.to_strokes),
        whole(microseconds(at)),
        whole(strokes_after),
    )
    return not len(settle(timeline, limits, from_start=False).questions)
