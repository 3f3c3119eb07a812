"""The happenings since a fix against its strokes: how many were to be expected, and what shows.

Pure. The limit is `stats.looking.most_that_show_fall`: a line of happenings that ends at or below
it shows that the rate fell, and so it may be looked at as often as one likes.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.cases.rules import CONFIDENCE, Side
from tracelog.stats.looking import most_that_show_fall


@dataclass(frozen=True)
class Point:
    """How it stood after so many strokes since the fix.

    Attributes:
        strokes: since the fix.
        happenings: since the fix.
        expected: at the rate of before.
        limit: the most happenings that would show that the rate fell; None: not even none would.
    """

    strokes: int
    happenings: int
    expected: float
    limit: int | None

    @property
    def shows(self) -> bool:
        """Whether it held, as of then."""
        return self.limit is not None and self.happenings <= self.limit


def course(before: Side, strokes: Sequence[int], happenings: Sequence[int]) -> list[Point]:
    """How it went since the fix.

    Args:
        before: from the beginning of the trouble to the fix.
        strokes, happenings: since the fix, at instants in order; cumulated, of one length.

    Returns:
        A point for each of them; none where nothing was run before.
    """
    if before.strokes <= 0 or not strokes:
        return []
    limits = most_that_show_fall(
        before.happenings, before.strokes, list(strokes), confidence=CONFIDENCE
    )
    rate = before.happenings / before.strokes
    return [
        Point(made, found, rate * made, limit)
        for made, found, limit in zip(strokes, happenings, limits, strict=True)
    ]
