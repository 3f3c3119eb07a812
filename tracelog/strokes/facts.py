"""The facts of the counters: what they showed, and what was done to them."""

from enum import StrEnum
from typing import Annotated, ClassVar

from tracelog.facts import Count, Fact, Instant, Number, one_of


class CounterEvent(StrEnum):
    """What makes a counter jump without strokes."""

    RESET = "reset"
    PRESET = "preset"
    REPLACED = "replaced"


class ReadingFact(Fact):
    """The raw figure on a machine's cumulative counter at an instant (readings.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "read_at")
    line: Number
    bodymaker: Number
    read_at: Instant
    strokes: Count


class CounterEventFact(Fact):
    """A counter that was reset, preset or replaced (counter_events.csv).

    `strokes_after` is the figure it showed right after.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("line", "bodymaker", "at")
    line: Number
    bodymaker: Number
    at: Instant
    event: Annotated[CounterEvent, one_of(CounterEvent)]
    strokes_after: Count
