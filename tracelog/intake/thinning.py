"""From many readings of a counter, the few that tell the same strokes; no database, no clock.

A counter adds up, so that a reading left out between two others loses no stroke: only the hour in
which a stroke was made is known less exactly. What must stay is what stands before and after a
fall (or it is not seen) and before and after a gap (or strokes are spread over it).
"""

from collections.abc import Sequence
from datetime import timedelta

from tracelog.intake.arrivals import CollectedReading

# A counter that jumps up and down keeps no more than so many falls of an interval.
MOST_JUMPS = 10


class Thinner:
    """Keeps the last reading of each interval of one counter, and both sides of falls and gaps.

    Args:
        every: the interval; twice as long without a reading is a gap.
    """

    def __init__(self, every: timedelta) -> None:
        self._gap = 2 * every
        self._last: CollectedReading | None = None
        self._waiting: CollectedReading | None = None
        self._jumps = 0

    def offer(self, one: CollectedReading) -> list[CollectedReading]:
        """Take the next reading.

        Args:
            one: a reading later than the one before.

        Returns:
            What is to be kept now, in order of time.
        """
        last, self._last = self._last, one
        if last is not None and (not self._is_jump(last, one) or self._jumps >= MOST_JUMPS):
            self._waiting = one
            return []
        self._jumps += 1
        released = [self._waiting] if self._waiting is not None else []
        self._waiting = None
        return [*released, one]

    def end_interval(self) -> list[CollectedReading]:
        """What is to be kept at the end of an interval, or before a gap that is known."""
        released = [self._waiting] if self._waiting is not None else []
        self._waiting, self._jumps = None, 0
        return released

    def _is_jump(self, last: CollectedReading, one: CollectedReading) -> bool:
        fell = one.fact.strokes < last.fact.strokes
        return fell or one.fact.read_at - last.fact.read_at > self._gap


def halved(readings: Sequence[CollectedReading]) -> list[CollectedReading]:
    """Readings of one counter without every other of those that can be spared.

    Args:
        readings: in order of time.

    Returns:
        About half of them, with the first, the last, and both sides of each fall.
    """
    strokes = [one.fact.strokes for one in readings]
    kept = []
    left_out = True
    for place, one in enumerate(readings):
        is_end = place in (0, len(readings) - 1)
        can_go = not is_end and strokes[place - 1] <= strokes[place] <= strokes[place + 1]
        left_out = can_go and not left_out
        if not left_out:
            kept.append(one)
    return kept
