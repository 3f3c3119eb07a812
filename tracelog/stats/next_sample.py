"""Which cans to look at next so that a repeat shows: by the information expected from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import FloatArray, IntArray, one_count, require
from tracelog.stats.repeats import Hypotheses

# Hypotheses that are told apart by a sample; those beyond hardly weigh.
_MOST_HYPOTHESES = 160
MOST_NEXT = 128
# Going to the station for a sample costs about as much as looking at so many cans. Common
# practice, no source.
WALK_CANS = 12
# Less than this is not worth a sample, in bits.
LEAST_BITS = 0.02


@dataclass(frozen=True)
class NextCans:
    """How many further cans in order are worth looking at.

    Attributes:
        cans: so many, directly behind those taken.
        bits: information expected from them, at least.
        open_bits: what is still open: entropy of what was weighed.
    """

    cans: int
    bits: float
    open_bits: float


@dataclass(frozen=True)
class UnseenCan:
    """A can of the row that was not looked at, counted from 1, and what it would tell, in bits."""

    can: int
    bits: float


def next_cans(
    weighed: Hypotheses, taken: int, numbers: Sequence[int], most: int = MOST_NEXT
) -> NextCans:
    """The full turns of further cans, in order, that bring most for the trouble.

    Formula: given a hypothesis each can is bad independently with that hypothesis's rate for its
    place, so that the information is at least
    - sum w_i log2 sum w_j exp(-D_ij), D_ij the Bhattacharyya distance between what i and j expect,
    which adds up over cans. Of all full turns the one with the most bits per can is taken, the
    walk to the station counted as 12 cans.

    Args:
        weighed: from `find_repeats`.
        taken: cans taken so far; the next one is number `taken` + 1.
        numbers: the N whose turns are thought of, each 2 or more.
        most: longest sample, 1 to 128.
    Returns: NextCans; `cans` is 0 where nothing is left to tell apart.
    Source: pairwise-distance bound on mixture entropy, Kolchinsky and Tracey (2017), Entropy
        19(7):361; expected information of an experiment, Lindley (1956), Annals of Mathematical
        Statistics 27:986-1005. The cost of the walk is common practice, no source.
    Example: bad cans 3 and 27 of 30, N = 12 or 24: 24 more, which hold a third place of both.
    """
    length = one_count("most", most, least=1)
    require(length <= MOST_NEXT, f"most must be at most {MOST_NEXT}")
    for one in numbers:
        one_count("numbers", one, least=2)
    weights, rates = _expected(weighed, taken + np.arange(length))
    open_bits = _entropy(weighed.probabilities)
    bits = information(weights, rates)
    turns = sorted({turn for one in numbers for turn in range(one, length + 1, one)} or {length})
    worth = [bits[turn - 1] / (turn + WALK_CANS) for turn in turns]
    best = turns[int(np.argmax(worth))]
    if bits[best - 1] < LEAST_BITS:
        return NextCans(0, 0.0, open_bits)
    return NextCans(best, float(bits[best - 1]), open_bits)


def information(weights: FloatArray, rates: FloatArray) -> FloatArray:
    """Least information, in bits, that the first 1, 2, ... cans bring about which one holds.

    Args:
        weights: (h,) probabilities of the hypotheses, adding up to 1.
        rates: (h, n) chance of a bad can, by hypothesis and can.
    Returns: (n,) rising.
    Source: Kolchinsky and Tracey (2017), Entropy 19(7):361, lower bound with the Chernoff
        coefficient at 1/2.
    Example: two alike hypotheses that expect a can surely bad and surely good: 1 bit.
    """
    bad, good = np.sqrt(rates), np.sqrt(1 - rates)
    found = np.empty(rates.shape[1])
    alike = np.ones((len(weights), len(weights)))
    for can in range(rates.shape[1]):
        alike *= np.outer(bad[:, can], bad[:, can]) + np.outer(good[:, can], good[:, can])
        found[can] = -np.sum(weights * np.log2(alike @ weights))
    return np.maximum.accumulate(np.maximum(found, 0.0))


def unseen_can(weighed: Hypotheses, cans: str) -> UnseenCan | None:
    """The can of the row that was not looked at and would tell most; None: every one was.

    Formula: entropy of good or bad, less what is left of it when the hypothesis is known.
    Source: Lindley (1956), Annals of Mathematical Statistics 27:986-1005.
    Example: bad cans 3 and 27, can 15 not looked at, N = 12 or 24: can 15.
    """
    at = np.array([place for place, letter in enumerate(cans) if letter == "?"], dtype=np.intp)
    if not len(at):
        return None
    weights, rates = _expected(weighed, at)
    bits = _binary(weights @ rates) - weights @ _binary(rates)
    best = int(np.argmax(bits))
    return UnseenCan(int(at[best]) + 1, float(max(bits[best], 0.0)))


def _expected(weighed: Hypotheses, at: IntArray) -> tuple[FloatArray, FloatArray]:
    """Weights of the likeliest hypotheses, and what each expects of cans at positions from 0."""
    kept = slice(0, _MOST_HYPOTHESES)
    every, places = weighed.every[kept], weighed.places[kept]
    weights = weighed.probabilities[kept] / weighed.probabilities[kept].sum()
    place = at[None, :] % np.maximum(every, 1)[:, None]
    own = (place[:, :, None] == places[:, None, :]).any(axis=2) & (every > 1)[:, None]
    there, elsewhere = weighed.bad_there[kept], weighed.bad_elsewhere[kept]
    return weights, np.where(own, there[:, None], elsewhere[:, None])


def _entropy(chances: FloatArray) -> float:
    some = chances[chances > 0]
    return float(-(some * np.log2(some)).sum())


def _binary(chance: FloatArray) -> FloatArray:
    clipped = np.clip(chance, 1e-12, 1 - 1e-12)
    return np.asarray(-(clipped * np.log2(clipped) + (1 - clipped) * np.log2(1 - clipped)))
