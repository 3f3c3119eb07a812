"""How the cans of a window spread over pallets: expected number, and the chance of none. Pure.

The model. Strokes are made along a line of time. All cans that reach the palletiser at one time
share a delay, drawn from the way of the line: conveyors and accumulators fill and empty slowly, so
cans move together, and a pallet's neighbours tell nothing about it that its own delay does not.
Around that delay each can has a small spread of its own. A pallet filled from a to b with N cans
then holds N times the machine's share of what the line made from a to b, less delay and spread;
given the delay, the number is Poisson. The chance of none is the mean over delays, not the chance
at the mean delay: at the edges of a window the delay decides, and nothing else.

A delay at which the line stood all the time in which the pallet's cans would have been made is
impossible, and left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from tracelog.trace.transit import FloatArray, Way

# Cans overtake each other on mass conveyors and at machines that work side by side, most of them by
# a few minutes; a few are caught in corners, and let go as chance will have it. Common practice, no
# source.
OVERTAKING_MINUTES = 6
CAUGHT_SHARE = 0.005
CAUGHT_MINUTES = 40
_CAUGHT_AT_MOST = 8 * CAUGHT_MINUTES
# So finely a way is cut into delays of equal chance.
DELAYS = 250
# Longer than it takes to change a pallet or to clear a jam at the palletiser (common practice).
LEAST_STANDING = 10.0
# Both ends of a window are this far out, as shares of what they are unsure by.
_ENDS = (-0.8, -0.4, 0.0, 0.4, 0.8)
# While nothing is put on pallets the running clock goes this slowly: it must not turn back.
_STANDING = 1e-3


# Instants, and what a clock shows at each.
Clock: TypeAlias = tuple[FloatArray, FloatArray]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Making:
    """What was made: strokes from the first minute on.

    Attributes:
        minutes: (n,) instants, one a minute.
        suspect: (n,) strokes of the machines in question until each instant.
        line: (n,) strokes of their whole line until each instant.
    """

    minutes: FloatArray
    suspect: FloatArray
    line: FloatArray


@dataclass(frozen=True)
class Edges:
    """A window of making in minutes, and by how much each end may be off."""

    start: float
    end: float
    start_slack: float = 0.0
    end_slack: float = 0.0


@dataclass(frozen=True)
class Spread:
    """What pallets hold, (p,) each.

    Attributes:
        expected: suspect cans expected on each pallet.
        none: chance that it holds not one.
        no_defective: chance that it holds none that is defective, if a given share of suspect
            cans is; without a share the same as `none`.
    """

    expected: FloatArray
    none: FloatArray
    no_defective: FloatArray


def delays(way: Way, count: int = DELAYS) -> FloatArray:
    """So many delays of equal chance, in minutes, rising."""
    wanted = (np.arange(count) + 0.5) / count
    found: FloatArray = np.interp(wanted, way.by(way.edges), way.edges)
    return found


def running_clock(minutes: npt.ArrayLike, standing: Sequence[tuple[float, float]]) -> Clock:
    """Knots of a clock that all but stands while nothing is put on pallets.

    Args:
        minutes: first and last instant of interest.
        standing: stretches, in order, that do not overlap.

    Returns:
        Instants and what the running clock shows at each.
    """
    ends = np.asarray(minutes, float)
    knots, shown = [float(ends[0])], [0.0]
    for start, end in standing:
        for moment, pace in ((start, 1.0), (end, _STANDING)):
            if moment > knots[-1]:
                shown.append(shown[-1] + (moment - knots[-1]) * pace)
                knots.append(moment)
    last = max(float(ends[-1]), knots[-1]) + 1.0
    shown.append(shown[-1] + last - knots[-1])
    knots.append(last)
    return np.array(knots), np.array(shown)


def standing_between(
    starts: FloatArray, ends: FloatArray, least: float = LEAST_STANDING
) -> list[tuple[float, float]]:
    """Stretches of at least so many minutes in which nothing was put on pallets, in order.

    A pallet that took so much longer than others stood in the middle of its filling.

    Args:
        starts, ends: (p,) of fillings, by start.
        least: minutes.
    """
    if not len(starts):
        return []
    usual = float(np.median(ends - starts))
    long = ends - starts >= usual + least
    # A filling that was broken off is one from its start and one to its end.
    begun = np.concatenate([starts, ends[long] - usual / 2])
    ended = np.concatenate([np.where(long, starts + usual / 2, ends), ends[long]])
    order = np.argsort(begun, kind="stable")
    filled_until = np.maximum.accumulate(ended[order])[:-1]
    following = begun[order][1:]
    wide = following - filled_until >= least
    return list(zip(filled_until[wide].tolist(), following[wide].tolist(), strict=True))


def spread_over(
    making: Making,
    window: Edges,
    fillings: tuple[FloatArray, FloatArray, FloatArray],
    way: Way,
    fraction: float | None = None,
) -> Spread:
    """Spread what was made in a window over the pallets of the line.

    Args:
        making: strokes; from at least the longest way before the first pallet.
        window: when suspect cans were made.
        fillings: start and end of each pallet's filling (minutes) and its cans, (p,) each, by
            start.
        way: of the line.
        fraction: share of suspect cans that is defective, if one is given.

    Where nothing was put on pallets for a while, either the line stood and cans took longer by as
    much, or pallets are missing from the record: both count as equally likely.
    """
    starts, ends, cans = fillings
    common = delays(way)
    clocks: list[Clock | None] = [None]
    stood = standing_between(starts, ends)
    if stood:
        clocks.append(running_clock(making.minutes[[0, -1]], stood))
    found = Spread(np.zeros(len(starts)), np.ones(len(starts)), np.ones(len(starts)))
    near = np.zeros(len(starts), dtype=bool)
    for clock in clocks:
        near |= _may_hold(starts, ends, window, common[[0, -1]], clock)
    if near.any():
        those = (starts[near], ends[near], cans[near])
        parts = [_with_clock(making, window, those, common, one, fraction) for one in clocks]
        found.expected[near] = np.mean([one.expected for one in parts], axis=0)
        found.none[near] = np.mean([one.none for one in parts], axis=0)
        found.no_defective[near] = np.mean([one.no_defective for one in parts], axis=0)
    return found


def _may_hold(
    starts: FloatArray,
    ends: FloatArray,
    window: Edges,
    extremes: FloatArray,
    clock: Clock | None,
) -> Flags:
    """(p,): pallets that any can of the window can have reached by a clock."""
    earliest = _made(starts, extremes[-1:], clock)[:, 0] - _CAUGHT_AT_MOST
    latest = _made(ends, extremes[:1], clock)[:, 0] + OVERTAKING_MINUTES + 1
    inside = earliest <= window.end + window.end_slack
    return np.asarray(inside & (latest >= window.start - window.start_slack))


def _with_clock(
    making: Making,
    window: Edges,
    fillings: tuple[FloatArray, FloatArray, FloatArray],
    common: FloatArray,
    clock: Clock | None,
    fraction: float | None,
) -> Spread:
    starts, ends, cans = fillings
    first, last = _made(starts, common, clock), _made(ends, common, clock)
    line = _between(making.minutes, _mixed(making.line), first, last)
    possible = line > 0
    # A pallet that no delay explains says nothing against any delay.
    possible |= ~possible.any(axis=1, keepdims=True)
    weights = possible / possible.sum(axis=1, keepdims=True)
    expected, none, no_defective = (np.zeros(len(starts)) for _one in range(3))
    ways_out = _ENDS if window.start_slack or window.end_slack else (0.0,)
    for out in ways_out:
        start = window.start - out * window.start_slack
        end = max(window.end + out * window.end_slack, start)
        suspect = _until(making, start, end)
        inside = _between(making.minutes, _mixed(suspect), first, last)
        share = np.divide(inside, line, out=np.zeros_like(inside), where=line > 0)
        number = cans[:, None] * np.minimum(share, 1.0)
        expected += (weights * number).sum(axis=1)
        none += (weights * np.exp(-number)).sum(axis=1)
        no_defective += (weights * np.exp(-number * (1.0 if fraction is None else fraction))).sum(
            axis=1
        )
    count = len(ways_out)
    return Spread(expected / count, none / count, no_defective / count)


def _made(arrived: FloatArray, common: FloatArray, clock: Clock | None) -> FloatArray:
    """(p, d): when cans that arrive at each instant were made, for each delay."""
    if clock is None:
        return np.asarray(arrived[:, None] - common[None, :])
    knots, shown = clock
    then = np.interp(arrived, knots, shown)[:, None] - common[None, :]
    # Before its first knot the clock runs evenly.
    early = np.minimum(then - shown[0], 0.0)
    return np.asarray(np.interp(then, shown, knots) + early)


def _until(making: Making, start: float, end: float) -> FloatArray:
    """Strokes of the machines in question made in the window until each instant."""
    at_start = np.interp(start, making.minutes, making.suspect)
    at_end = np.interp(end, making.minutes, making.suspect)
    return np.clip(making.suspect, at_start, at_end) - at_start


def _own_spread() -> FloatArray:
    """Chances that a can is so many minutes later than the others, from the earliest on."""
    minutes = np.arange(-OVERTAKING_MINUTES, _CAUGHT_AT_MOST + 1, dtype=np.float64)
    overtaking = np.maximum(OVERTAKING_MINUTES + 1 - np.abs(minutes), 0.0)
    caught = np.where(minutes > 0, np.exp(-minutes / CAUGHT_MINUTES), 0.0)
    return np.asarray(
        (1 - CAUGHT_SHARE) * overtaking / overtaking.sum() + CAUGHT_SHARE * caught / caught.sum()
    )


def _mixed(cumulated: FloatArray) -> FloatArray:
    """What each can's own spread makes of strokes cumulated minute by minute."""
    each = np.diff(cumulated, prepend=cumulated[:1])
    later = np.convolve(each, _own_spread())
    # The first minutes hold what overtook the others before time began.
    shifted = np.cumsum(later)[OVERTAKING_MINUTES : OVERTAKING_MINUTES + len(each)]
    return np.asarray(cumulated[0] + shifted)


def _between(
    minutes: FloatArray, cumulated: FloatArray, first: FloatArray, last: FloatArray
) -> FloatArray:
    found: FloatArray = np.interp(last, minutes, cumulated) - np.interp(first, minutes, cumulated)
    return np.maximum(found, 0.0)


def still_under_way(making: Making, window: Edges, way: Way, now: float) -> float:
    """Suspect strokes of a window whose cans have not reached the palletiser by `now` (minutes)."""
    made = np.diff(_until(making, window.start, window.end))
    middle = (making.minutes[1:] + making.minutes[:-1]) / 2
    return float((made * (1.0 - way.by(now - middle))).sum())
