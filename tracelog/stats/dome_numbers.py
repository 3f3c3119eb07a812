"""What a handful of bad cans says: do they come from one machine.

What was found is compared with chance alone, exactly; a handful suggests, it never proves.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import (
    FloatArray,
    as_amounts,
    as_counts,
    as_probability,
    as_series,
    require,
)

# More cans than this are no handful: the exact sum is for few.
MOST_CANS = 200


class Suggests(StrEnum):
    """What a handful of cans suggests."""

    ONE_MACHINE = "one machine"
    COMMON = "coil, cupper or a later station"
    NOTHING = "nothing yet"


@dataclass(frozen=True)
class Spread:
    """How bad cans spread over machines.

    `most` of `cans` come from machine `machine` (index), which by its strokes is the most
    surprising one. `by_chance` is the chance that some machine surprises as much or more if each
    can comes from a machine by its strokes alone; `suggests` weighs that.
    """

    cans: int
    machine: int
    most: int
    by_chance: float
    suggests: Suggests


def dome_number_spread(
    counts: npt.ArrayLike, strokes: npt.ArrayLike, surprising: float = 0.02
) -> Spread:
    """Chance that cans spread over machines as unevenly as these by chance alone.

    Formula: the cans are multinomial with shares of the strokes. A machine surprises by the chance
    of as many cans or more (binomial); the answer is 1 less the chance that every machine stays
    below the count at which it would surprise as much as the most surprising one. With equal
    strokes that is the chance of so large a largest count. Assumes that a bad can was as likely in
    any stroke.

    Args:
        counts: bad cans by machine, 200 at most in all.
        strokes: of each machine in the time in which the cans can have been made.
        surprising: below this chance they suggest one machine; from 0.2 on, at six cans or more,
            what all machines share.
    Returns: Spread.
    Raises: ValueError naming the argument.
    Source: the largest count of a multinomial, Levin (1981), Annals of Statistics 9:1123-1126,
        summed exactly.
    Example: 3 of 3 from one of 8 machines with equal strokes has a chance of 1/64 = 1.6 %; at
        least 5 of 8 about 1 %, 4 of 8 about 9 %.
    """
    from scipy.special import bdtrc

    found, made = as_counts("counts", counts), as_amounts("strokes", strokes)
    as_series("counts", found)
    require(found.shape == made.shape, "counts and strokes must have the same length")
    total = int(found.sum())
    require(0 < total <= MOST_CANS, f"counts must add up to 1 to {MOST_CANS}")
    require(not (found[made == 0] > 0).any(), "strokes must be above 0 where there are cans")
    limit = as_probability("surprising", surprising)
    shares = made / made.sum()
    # Chance of as many cans or more, by machine and count, from 0 to one more than there are.
    beyond = bdtrc(np.arange(total + 1), total, shares[:, None])
    tails = np.concatenate([np.ones((len(shares), 1)), beyond], axis=1)
    surprise = tails[np.arange(len(shares)), found.astype(np.intp)]
    machine = int(np.lexsort((-found, surprise))[0])
    # Rounding shall not tell machines of equal strokes apart.
    limits = (tails > surprise[machine] * (1 + 1e-9)).sum(axis=1)
    chance = 1.0 - _all_below(limits, total, shares)
    return Spread(total, machine, int(found[machine]), chance, _suggested(chance, total, limit))


def _suggested(chance: float, cans: int, limit: float) -> Suggests:
    if chance < limit:
        return Suggests.ONE_MACHINE
    return Suggests.COMMON if chance >= 0.2 and cans >= 6 else Suggests.NOTHING


def _all_below(limits: npt.NDArray[np.int64], total: int, shares: FloatArray) -> float:
    """Chance that every machine has fewer of `total` cans than its limit.

    Machine after machine, each takes of those left a binomial number.
    """
    left = np.zeros(total + 1)
    left[total] = 1.0
    share_left = 1.0
    logs = np.r_[0.0, np.cumsum(np.log(np.arange(1, total + 1)))]
    for share, most in zip(shares.tolist(), limits.tolist(), strict=True):
        own = min(share / share_left, 1.0) if share_left > 0 else 0.0
        after = np.zeros(total + 1)
        for taken in range(min(most - 1, total) + 1):
            remaining = np.arange(taken, total + 1)
            after[remaining - taken] += left[remaining] * _binomial(remaining, taken, own, logs)
        left, share_left = after, share_left - share
    return float(min(max(left[0], 0.0), 1.0))


def _binomial(of: npt.NDArray[np.int64], taken: int, share: float, logs: FloatArray) -> FloatArray:
    if share <= 0:
        return np.full(len(of), 1.0 if taken == 0 else 0.0)
    if share >= 1:
        return np.asarray(of == taken, dtype=np.float64)
    log_chance = logs[of] - logs[taken] - logs[of - taken]
    log_chance = log_chance + taken * np.log(share) + (of - taken) * np.log1p(-share)
    return np.asarray(np.exp(log_chance), dtype=np.float64)
