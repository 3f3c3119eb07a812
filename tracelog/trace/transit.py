"""The way of a can from bodymaker to palletiser: how long it takes, as a distribution."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from tracelog.language import _
from tracelog.trace.rules import transit

FloatArray = npt.NDArray[np.float64]

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True)
class Way:
    """How long cans of one line take to the palletiser.

    Attributes:
        edges: (n + 1,) minutes, rising; nothing is faster than the first or slower than the last.
        chances: (n,) chance of each stretch between two edges; within one, all times are alike.
        basis: what says so, in words.
        learned_from: cans whose time of making and of arriving are both known; 0: the plant's
            own minutes.
    """

    edges: FloatArray
    chances: FloatArray
    basis: str
    learned_from: int = 0

    def by(self, minutes: npt.ArrayLike) -> FloatArray:
        """Chance of having arrived so many minutes after making; any shape."""
        asked = np.asarray(minutes, float)
        chance: FloatArray = np.interp(asked, self.edges, self._cumulated(), 0.0, 1.0)
        return chance

    def waited(self, minutes: npt.ArrayLike) -> FloatArray:
        """Integral of `by` from minus infinity to so many minutes; any shape, in minutes."""
        asked = np.asarray(minutes, float)
        cumulated, widths = self._cumulated(), np.diff(self.edges)
        at_edges = np.r_[0.0, np.cumsum(widths * (cumulated[:-1] + cumulated[1:]) / 2)]
        place = np.clip(np.searchsorted(self.edges, asked, "right") - 1, 0, len(widths) - 1)
        inside = np.clip(asked - self.edges[place], 0.0, widths[place])
        within = at_edges[place] + inside * cumulated[place]
        within += self.chances[place] / widths[place] * inside**2 / 2
        beyond: FloatArray = within + np.maximum(asked - self.edges[-1], 0.0)
        return beyond

    def _cumulated(self) -> FloatArray:
        cumulated: FloatArray = np.concatenate([[0.0], np.cumsum(self.chances)])
        return cumulated


def usual_way(minutes: tuple[int, int] | None) -> Way:
    """The way of a line of which nothing was learned: any time between the plant's minutes.

    Args:
        minutes: the plant's shortest and longest; None: the usual ones of the trade.
    """
    shortest, longest = (one / _MINUTE for one in transit(minutes))
    # A way without any spread would make an interval of no width.
    edges = np.array([shortest, max(longest, shortest + 1.0)])
    return Way(edges, np.ones(1), _("the plant's own minutes from bodymaker to palletiser"))


def arrived_by(
    way: Way, made: tuple[datetime, datetime], moments: Sequence[datetime]
) -> FloatArray:
    """Chance that a can had reached the palletiser by each moment.

    Args:
        way: of the can's line.
        made: first and last instant at which it may have been made, all between them alike; the
            two may be the same.
        moments: n instants.

    Returns:
        (n,) chances.
    """
    first = made[0]
    after = np.array([(one - first) / _MINUTE for one in moments])
    spread = (made[1] - first) / _MINUTE
    if spread <= 0:
        return way.by(after)
    arrived: FloatArray = (way.waited(after) - way.waited(after - spread)) / spread
    return arrived


def shares_of_pallets(
    way: Way,
    made: tuple[datetime, datetime],
    fillings: Sequence[tuple[datetime, datetime]],
) -> FloatArray:
    """Chance that a can lies on each of a line's pallets.

    What arrives while several pallets are being filled goes to each of them alike; what arrives
    while none is, goes to none, so that the chances may add up to less than one.

    Args:
        way: of the line.
        made: first and last instant at which the can may have been made.
        fillings: n pallets of the line, each the start and end of its filling.

    Returns:
        (n,) chances.
    """
    if not fillings:
        return np.zeros(0)
    edges = sorted({moment for filling in fillings for moment in filling})
    place = {moment: number for number, moment in enumerate(edges)}
    starts = np.array([place[start] for start, _end in fillings])
    ends = np.array([place[end] for _start, end in fillings])
    open_at_once = np.cumsum(
        np.bincount(starts, minlength=len(edges)) - np.bincount(ends, minlength=len(edges))
    )[:-1]
    arriving = np.diff(arrived_by(way, made, edges))
    each = np.divide(arriving, open_at_once, out=np.zeros_like(arriving), where=open_at_once > 0)
    reached = np.r_[0.0, np.cumsum(each)]
    found: FloatArray = reached[ends] - reached[starts]
    return found
