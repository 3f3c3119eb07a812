"""Run rules from the two published sets, named after their publication.

Each rule takes z, the distance of each point from the centre in its own standard errors
(`Chart.z`). A point is named when it completes the pattern. "Beyond" is strict. A missing point
(nan) is passed over as if it were not there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import BoolArray, FloatArray, IntArray, as_series

# A point on a line but for rounding is on it.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class RuleHits:
    """One rule of a set and the indices of the points that complete its pattern."""

    name: str
    publication: str
    pattern: str
    points: IntArray


def western_electric(z: npt.ArrayLike) -> tuple[RuleHits, ...]:
    """The four tests of the Western Electric handbook.

    Patterns: 1 beyond 3 sigma; 2 of 3 beyond 2 sigma on one side; 4 of 5 beyond 1 sigma on one
    side; 8 in a row on one side. All four together call a steady process once in 91.75 points
    (Champ and Woodall 1987).

    Args: z: standardised points in time order, nan where missing.
    Returns: one RuleHits per rule, in the order of the handbook.
    Raises: ValueError naming the argument.
    Source: Western Electric (1956), Statistical Quality Control Handbook.
    Example: western_electric([0.5, -1, 3.2])[0].points is [2].
    """
    return _apply("Western Electric 1956", _WESTERN_ELECTRIC, z)


def nelson(z: npt.ArrayLike) -> tuple[RuleHits, ...]:
    """The eight tests of Nelson.

    Patterns: 1 beyond 3 sigma; 9 in a row on one side; 6 in a row steadily rising or falling; 14 in
    a row alternating up and down; 2 of 3 beyond 2 sigma on one side; 4 of 5 beyond 1 sigma on one
    side; 15 in a row within 1 sigma; 8 in a row beyond 1 sigma on either side.

    Args, Returns, Raises: as `western_electric`.
    Source: L. S. Nelson (1984), J. Quality Technology 16(4) 237-239.
    Example: nelson([-0.5, -0.3, 0, 0.2, 0.5, 0.8])[2].points is [5].
    """
    return _apply("Nelson 1984", _NELSON, z)


Finder = Callable[[FloatArray], BoolArray]


def _apply(
    publication: str, rules: tuple[tuple[str, Finder], ...], z: npt.ArrayLike
) -> tuple[RuleHits, ...]:
    points = as_series("z", np.asarray(z, dtype=np.float64))
    # Infinity is allowed: a point off the centre of a chart whose limits have no width.
    present = np.flatnonzero(~np.isnan(points))
    return tuple(
        RuleHits(
            f"{publication} rule {number}", publication, pattern, present[find(points[present])]
        )
        for number, (pattern, find) in enumerate(rules, start=1)
    )


def _last(hits: BoolArray, window: int) -> IntArray:
    """How many of the last `window` points, up to each point, are hits."""
    total = np.concatenate([np.zeros(window, dtype=np.intp), np.cumsum(hits)])
    return np.asarray(total[window:] - total[:-window], dtype=np.intp)


def _beyond(needed: int, window: int, limit: float) -> Finder:
    """`needed` of `window` points beyond the limit on one side, the last of them among these."""

    def find(z: FloatArray) -> BoolArray:
        found = np.zeros(z.shape, dtype=np.bool_)
        for side in (z, -z):
            hits = side > limit + _ROUNDING
            found |= hits & (_last(hits, window) >= needed)
        return found

    return find


def _all_of(window: int, beyond_one_sigma: bool) -> Finder:
    """`window` points in a row all beyond, or all within, 1 sigma on either side."""

    def find(z: FloatArray) -> BoolArray:
        size = np.abs(z)
        hits = size > 1 + _ROUNDING if beyond_one_sigma else size < 1 - _ROUNDING
        return _last(hits, window) >= window

    return find


def _steady(window: int) -> Finder:
    """`window` points in a row, each above (or each below) the one before it."""

    def find(z: FloatArray) -> BoolArray:
        found = np.zeros(z.shape, dtype=np.bool_)
        for step in (np.diff(z), -np.diff(z)):
            found[1:] |= _last(step > 0, window - 1) >= window - 1
        return found

    return find


def _alternating(window: int) -> Finder:
    """`window` points in a row, rising and falling in turn."""

    def find(z: FloatArray) -> BoolArray:
        found = np.zeros(z.shape, dtype=np.bool_)
        step = np.sign(np.diff(z))
        turns = step[1:] * step[:-1] < 0
        found[2:] = _last(turns, window - 2) >= window - 2
        return found

    return find


_WESTERN_ELECTRIC: tuple[tuple[str, Finder], ...] = (
    ("1 beyond 3 sigma", _beyond(1, 1, 3)),
    ("2 of 3 beyond 2 sigma on one side", _beyond(2, 3, 2)),
    ("4 of 5 beyond 1 sigma on one side", _beyond(4, 5, 1)),
    ("8 in a row on one side", _beyond(8, 8, 0)),
)
_NELSON: tuple[tuple[str, Finder], ...] = (
    ("1 beyond 3 sigma", _beyond(1, 1, 3)),
    ("9 in a row on one side", _beyond(9, 9, 0)),
    ("6 in a row steadily rising or falling", _steady(6)),
    ("14 in a row alternating", _alternating(14)),
    ("2 of 3 beyond 2 sigma on one side", _beyond(2, 3, 2)),
    ("4 of 5 beyond 1 sigma on one side", _beyond(4, 5, 1)),
    ("15 in a row within 1 sigma", _all_of(15, beyond_one_sigma=False)),
    ("8 in a row beyond 1 sigma on either side", _all_of(8, beyond_one_sigma=True)),
)
