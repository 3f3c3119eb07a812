"""How surprising the most striking repeat in a row of cans is if the bad cans lie at random."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import BoolArray, FloatArray

# Up to so many arrangements of the bad cans the chance of the scan is counted out.
MOST_ARRANGEMENTS = 20_000


@dataclass(frozen=True)
class Scan:
    """How surprising the most striking place is if the bad cans lay at random.

    `chance` is exact if `is_exact`, else not more than that.
    """

    every: int
    place: int
    chance: float
    is_exact: bool


def scan_chance(is_bad: BoolArray, is_seen: BoolArray, numbers: Sequence[int]) -> Scan | None:
    """How surprising the most striking place is if the bad cans lay at random among those seen.

    Formula: a place surprises by the hypergeometric chance of as many bad cans or more there; the
    statistic is the smallest of all places of all N. With up to 20 000 arrangements of the bad
    cans its chance is counted out; with more it is bounded by the sum, over all different places,
    of the largest attainable chance that is not above the statistic.

    Args:
        is_bad, is_seen: (n,) of each can.
        numbers: every N that is tried.
    Returns: Scan; None where no can or every can looked at is bad.
    Source: exact permutation of labels, Fisher (1935), The Design of Experiments; the bound for
        discrete data, Tarone (1990), Biometrics 46:515-522 (both from memory).
    Example: cans 1 and 3 of 4 bad, N = 2 alone: two of the six arrangements are as striking, 1/3.
    """
    bad = is_bad[is_seen]
    total, found = len(bad), int(bad.sum())
    if not 0 < found < total:
        return None
    sets, named = _places(is_seen, numbers)
    sizes = sets.sum(axis=1)
    tails = _tails(total, found)
    own = tails[sizes, sets @ bad.astype(np.intp)]
    best = int(np.argmin(own))
    limit = float(own[best]) * (1 + 1e-9)
    if comb(total, found) <= MOST_ARRANGEMENTS:
        chance = _counted_out(sets, tails, total, found, limit)
        return Scan(*named[best], chance, is_exact=True)
    # Chances fall with the count, so that the first one not above the limit is the largest.
    attainable = np.where(tails <= limit, tails, 0.0).max(axis=1)
    return Scan(*named[best], float(min(attainable[sizes].sum(), 1.0)), is_exact=False)


def _places(
    is_seen: BoolArray, numbers: Sequence[int]
) -> tuple[npt.NDArray[np.intp], list[tuple[int, int]]]:
    """All different sets of cans looked at that a place of an N holds, and their names."""
    at = np.nonzero(is_seen)[0]
    known: dict[bytes, tuple[int, int]] = {}
    rows: list[BoolArray] = []
    for every in numbers:
        for place in range(min(every, len(is_seen))):
            row = at % every == place
            key = np.packbits(row).tobytes()
            if row.any() and key not in known:
                known[key] = every, place
                rows.append(row)
    return np.array(rows, dtype=np.intp), list(known.values())


def _tails(total: int, found: int) -> FloatArray:
    """Chance of x or more bad ones in a place of m cans, by m and x (hypergeometric)."""
    from scipy.stats import hypergeom

    cans = np.arange(total + 1)[:, None]
    return np.asarray(hypergeom.sf(np.arange(found + 1)[None, :] - 1, total, found, cans))


def _counted_out(
    sets: npt.NDArray[np.intp], tails: FloatArray, total: int, found: int, limit: float
) -> float:
    """Share of all arrangements in which some place surprises at least as much."""
    # Whether each place surprises enough, by the count of its bad cans.
    enough = tails[sets.sum(axis=1)] <= limit
    least = np.where(enough.any(axis=1), enough.argmax(axis=1), found + 1).astype(np.int16)
    members = sets.T.astype(np.int16)
    arrangements = np.array(list(combinations(range(total), found)), dtype=np.intp)
    striking = 0
    for part in np.array_split(arrangements, max(1, len(arrangements) // 2000)):
        striking += int((members[part].sum(axis=1) >= least).any(axis=1).sum())
    return striking / len(arrangements)
