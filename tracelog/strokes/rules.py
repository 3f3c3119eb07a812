"""Counter figures of one machine become counted strokes, or questions; no database, no clock.

Between two readings with no event, a counter that did not fall has made the difference. One
that fell has rolled over, if its last figure is known and the strokes that this means are
plausible; otherwise nobody knows, and the stretch stays an open question, counted neither way.

What a person said of exactly this stretch goes before all that: so many strokes were made.

An event (reset, preset, replaced) says what the counter showed right after. Strokes before it,
back to the last reading or event, are not known and not guessed. A reading at the very instant
of an event was taken after it, and must show the event's figure.

All thresholds are common practice, no source.
"""

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

Whole = npt.NDArray[np.int64]

# A bodymaker of unknown speed is taken for a fast one: rated speeds run from 250 to 420.
SPM_WHEN_UNKNOWN = 500.0
# A fall of the counter is taken for a roll-over up to a quarter above the rated speed, because
# machines run above it and clocks of two readings differ by up to the slack.
ROLL_OVER_SPEED = 1.25
ROLL_OVER_SLACK_MINUTES = 2.0
# A rise is the plainest fact a counter can tell, so that only a grossly impossible one is
# questioned: a slip of the key, or a counter that was preset and nobody said so.
IMPOSSIBLE_SPEED = 3.0
IMPOSSIBLE_SLACK_MINUTES = 5.0
# What is dated later than now by no more than this comes from a clock that is a little fast.
CLOCKS_DIFFER = timedelta(minutes=10)

_MICROSECONDS_PER_MINUTE = 60_000_000
_LARGEST = 2**62


@dataclass(frozen=True)
class CounterLimits:
    """What is known of a machine's counter.

    `counter_max` is the last figure before it rolls over to 0, `rated_spm` the machine's rated
    strokes per minute; None where the plant has not said.
    """

    counter_max: int | None = None
    rated_spm: float | None = None

    @property
    def spm(self) -> float:
        """Strokes per minute to judge by."""
        return self.rated_spm or SPM_WHEN_UNKNOWN


def _nothing() -> Whole:
    return np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class Said:
    """What people said of stretches: `made` strokes from `from_at` to `to_at`, in order of end.

    Instants are microseconds since 1970, UTC, without repeats among the ends.
    """

    to_at: Whole = field(default_factory=_nothing)
    from_at: Whole = field(default_factory=_nothing)
    made: Whole = field(default_factory=_nothing)


@dataclass(frozen=True)
class Timeline:
    """What one machine's counter showed, what was done to it and said of it, in order of time.

    All arrays hold whole numbers; instants are microseconds since 1970, UTC, without repeats
    among readings nor among events. Readings that somebody found misread are not among them.
    """

    read_at: Whole
    strokes: Whole
    event_at: Whole
    strokes_after: Whole
    said: Said = field(default_factory=Said)


@dataclass(frozen=True)
class Stretches:
    """Stretches between two counter figures, in order of time, none overlapping another.

    `from_at`, `to_at`: microseconds since 1970, UTC; `from_strokes`, `to_strokes`: the figures;
    `made`: strokes made in between (for a question: what they would be).
    """

    from_at: Whole
    to_at: Whole
    from_strokes: Whole
    to_strokes: Whole
    made: Whole

    def __len__(self) -> int:
        return len(self.to_at)

    def only(self, chosen: npt.NDArray[np.bool_]) -> "Stretches":
        """Those that are marked True."""
        return Stretches(
            self.from_at[chosen],
            self.to_at[chosen],
            self.from_strokes[chosen],
            self.to_strokes[chosen],
            self.made[chosen],
        )


@dataclass(frozen=True)
class Settled:
    """What came of a timeline: what is counted, and what nobody can explain."""

    counted: Stretches
    questions: Stretches


def settle(timeline: Timeline, limits: CounterLimits, *, from_start: bool = True) -> Settled:
    """Decide for each reading whether the strokes up to it are counted, unknown or questioned.

    Each stretch ends at a reading and begins at the reading before it or, if there was one
    meanwhile, at the last event. What is decided depends on these two alone, so that a part of
    a timeline settles like the whole.

    Args:
        timeline: readings, events and what people said; what lies outside the readings, or is
            said of a stretch that is another by now, does no harm.
        limits: what is known of the counter.
        from_start: whether the first reading is the machine's first; otherwise the stretch
            that ends at it belongs to an earlier part.

    Returns:
        What is counted and what is questioned. A roll-over is counted once: a counter that
        turned twice between two readings cannot be told from one that turned once.
    """
    stretches = _stretches(timeline, from_start=from_start)
    gained = stretches.to_strokes - stretches.from_strokes
    minutes = (stretches.to_at - stretches.from_at) / _MICROSECONDS_PER_MINUTE
    possible = (gained >= 0) & (gained <= most_risen(minutes, limits))
    made = gained
    if limits.counter_max is not None:
        turned = gained + limits.counter_max + 1
        most = limits.spm * (ROLL_OVER_SPEED * minutes + ROLL_OVER_SLACK_MINUTES)
        possible |= (gained < 0) & (turned <= most)
        possible &= stretches.from_strokes <= limits.counter_max
        possible &= stretches.to_strokes <= limits.counter_max
        made = np.where(gained < 0, turned, gained)
    # Nothing is made in no time: a reading at the instant of an event repeats its figure.
    lasting = stretches.to_at > stretches.from_at
    possible &= lasting | (gained == 0)
    is_said, said = _said_of(stretches, timeline.said)
    possible |= is_said
    made = np.where(is_said, said, made)
    judged = Stretches(
        stretches.from_at,
        stretches.to_at,
        stretches.from_strokes,
        stretches.to_strokes,
        made,
    )
    return Settled(judged.only(possible & lasting), judged.only(~possible))


def most_risen(minutes: npt.NDArray[np.float64] | float, limits: CounterLimits) -> Any:
    """Strokes above which a rise of the counter in so many minutes is not believed."""
    return limits.spm * (IMPOSSIBLE_SPEED * minutes + IMPOSSIBLE_SLACK_MINUTES)


def rolled_over(gained: int, limits: CounterLimits) -> int | None:
    """Strokes that a fall means as a roll-over, None if the counter's last figure is not known."""
    return None if limits.counter_max is None else gained + limits.counter_max + 1


def _stretches(timeline: Timeline, *, from_start: bool) -> Stretches:
    """One stretch for each reading that has a figure to be compared with."""
    read_at, strokes = timeline.read_at, timeline.strokes
    if not len(read_at):
        return Stretches(read_at, read_at, strokes, strokes, strokes)
    # Before the first reading only an event at its very instant has a say.
    previous_at = np.concatenate([read_at[:1] - 1, read_at[:-1]])
    previous = np.concatenate([strokes[:1], strokes[:-1]])
    last = np.searchsorted(timeline.event_at, read_at, side="right") - 1
    if len(timeline.event_at):
        event_at = timeline.event_at[np.maximum(last, 0)]
        after_event = (last >= 0) & (event_at > previous_at)
        from_at = np.where(after_event, event_at, previous_at)
        figure = timeline.strokes_after[np.maximum(last, 0)]
        from_strokes = np.where(after_event, figure, previous)
    else:
        after_event = np.zeros(len(read_at), dtype=np.bool_)
        from_at, from_strokes = previous_at, previous
    whole = Stretches(from_at, read_at, from_strokes, strokes, strokes - from_strokes)
    compared = np.ones(len(read_at), dtype=np.bool_)
    compared[0] = from_start and bool(after_event[0])
    return whole.only(compared)


def _said_of(stretches: Stretches, said: Said) -> tuple[npt.NDArray[np.bool_], Whole]:
    """For each stretch: whether somebody said how many strokes it holds, and how many."""
    if not len(said.to_at):
        nothing = np.zeros(len(stretches), dtype=np.int64)
        return nothing.astype(np.bool_), nothing
    place = np.minimum(np.searchsorted(said.to_at, stretches.to_at), len(said.to_at) - 1)
    same = (said.to_at[place] == stretches.to_at) & (said.from_at[place] == stretches.from_at)
    return same, said.made[place]


def counted_until(counted: Stretches, instants: Whole) -> Whole:
    """Strokes counted up to each instant.

    Inside a stretch strokes are spread evenly over time and rounded down, in whole numbers
    throughout, so that the strokes of adjoining periods add up exactly.

    Args:
        counted: what is counted, from `settle`.
        instants: microseconds since 1970, UTC, in any order.

    Returns:
        Strokes since the start of the first stretch; 0 before it.
    """
    if not len(counted):
        return np.zeros(len(instants), dtype=np.int64)
    before = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(counted.made)])
    place = np.searchsorted(counted.from_at, instants, side="right") - 1
    inside = np.maximum(place, 0)
    lasts = (counted.to_at - counted.from_at)[inside]
    passed = np.clip(instants - counted.from_at[inside], 0, lasts)
    share = _shares(counted.made[inside], passed, lasts)
    return np.where(place < 0, 0, before[inside] + share)


def _shares(made: Whole, passed: Whole, lasts: Whole) -> Whole:
    """`made` x `passed` / `lasts`, rounded down, exact also where the product is beyond 64 bits."""
    beyond = made > _LARGEST // lasts
    shares = np.where(beyond, 0, made) * passed // lasts
    for place in np.flatnonzero(beyond):
        shares[place] = int(made[place]) * int(passed[place]) // int(lasts[place])
    return shares
