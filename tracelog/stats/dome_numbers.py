"""What a handful of bad cans says: do they come from one machine, and do they repeat in order.

Both compare what was found with chance alone, exactly; a handful suggests, it never proves.
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
    one_count,
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


@dataclass(frozen=True)
class Repeat:
    """A repeat in a sequence of cans: every `every` cans, first at place `phase` (from 0)."""

    every: int
    phase: int
    probability: float
    bad_in_phase: int
    cans_in_phase: int


@dataclass(frozen=True)
class Sequence:
    """What a sequence says: the likeliest repeats, and the chance that there is none."""

    no_repeat: float
    repeats: tuple[Repeat, ...]


def sequence_repeats(
    bad: npt.ArrayLike, longest: int = 48, shortest: int = 2, any_repeat: float = 0.5
) -> Sequence:
    """Whether bad cans repeat every N cans of a sequence taken in order, and at which place.

    Formula: without a repeat every can is bad with one unknown chance; with one, cans of its place
    have a chance of their own, another beta of mean 1/2, and all others the first; both uniform
    beforehand, so that each marginal likelihood is a product of beta functions. Half of the
    chance beforehand is for no repeat, the rest is shared by N alike, then by the place.

    Args:
        bad: for each can in order whether it is bad; 1 or true is bad.
        longest, shortest: numbers of cans that are tried; longest at most a half of the cans.
        any_repeat: chance beforehand of any repeat.
    Returns: Sequence; repeats by probability, at most ten, those above 0.001. Places whose cans
        are not worse than the others are never a repeat.
    Raises: ValueError naming the argument.
    Source: beta-binomial marginal likelihood, Gelman et al. (2013), sec. 2.4; Bayes factors, Kass
        and Raftery (1995).
    Example: every 12th of 48 cans bad, the others good: N = 12 is about certain.
    """
    from scipy.special import betaln, logsumexp

    values = np.asarray(bad)
    require(values.ndim == 1 and values.size >= 4, "bad must be a list of at least 4 cans")
    require(bool(np.isin(values, (0, 1)).all()), "bad must hold true (bad) or false for each can")
    least = one_count("shortest", shortest, least=2)
    most = min(one_count("longest", longest, least=least), len(values) // 2)
    chance = as_probability("any_repeat", any_repeat)
    is_bad = values.astype(np.float64)
    total, cans = float(is_bad.sum()), len(is_bad)
    without = betaln(total + 1, cans - total + 1)
    tried: list[tuple[int, int, float, float]] = []
    factors: list[float] = []
    for every in range(least, most + 1):
        phase = np.arange(cans) % every
        own, size = np.bincount(phase, is_bad), np.bincount(phase)
        others, rest = total - own, cans - size
        with_it = betaln(own + 1, size - own + 1) + betaln(others + 1, rest - others + 1)
        worse = own * rest > others * size
        log_prior = np.log(chance / max(most - least + 1, 1) / every)
        factors += np.where(worse, log_prior + with_it - without, -np.inf).tolist()
        tried += [(every, place, own[place], size[place]) for place in range(every)]
    weights = np.r_[np.log(1 - chance), factors]
    shares = np.exp(weights - logsumexp(weights))
    order = np.argsort(-shares[1:], kind="stable")[:10]
    found = tuple(
        Repeat(tried[n][0], tried[n][1], float(shares[n + 1]), int(tried[n][2]), int(tried[n][3]))
        for n in order.tolist()
        if shares[n + 1] > 0.001
    )
    return Sequence(float(shares[0]), found)
