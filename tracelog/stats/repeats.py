"""Whether bad cans in a row of cans taken in order repeat: every how many cans, and where.

A station that marks no number still tells itself apart by its count: a fault of one mandrel of 24
comes back every 24th can. Weighed against chance and against a fault of every can.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import (
    BoolArray,
    FloatArray,
    IntArray,
    as_probability,
    one_count,
    require,
)
from tracelog.stats.repeat_scan import Scan, scan_chance

LEAST_CANS = 4
MOST_CANS = 600
# Every number of cans up to this is tried, beside the counts that are known.
LONGEST = 64
LARGEST_KNOWN = 240
# Beforehand: whoever lays cans out has mostly seen something. Common practice, no source.
CHANCE_BEFORE, ALIKE_BEFORE = 0.4, 0.1
# Of a repeat: that its number is one of the known counts.
KNOWN_SHARE = 0.8
# That two places of a station are bad, not one.
PAIR_SHARE = 0.15
# That one can was lost from the order or stands in it twice.
SLIP_SHARE = 0.05
# Chance of a bad can, as beta distributions: at random or elsewhere, at the bad place, in all.
ELSEWHERE, AT_PLACE, IN_ALL = (1.0, 3.0), (2.0, 1.0), (9.0, 1.0)
_LISTED = 12


@dataclass(frozen=True)
class Repeat:
    """A repeat every `every` cans.

    Attributes:
        every: N, cans from one bad can to the next.
        places: positions of its cans within N, from 0: of one place, or of two.
        probability: of this N and these places, whether or not a can slipped.
        bad, seen: bad cans at these places and cans looked at there, taken as if none slipped.
    """

    every: int
    places: tuple[int, ...]
    probability: float
    bad: int
    seen: int


@dataclass(frozen=True)
class Slip:
    """A can lost from the order, or in it twice, between the cans `after` and `after` + 1.

    `after` counts from 1; `is_lost`: lost, else there twice. `probability` of any slip.
    """

    after: int
    is_lost: bool
    probability: float


@dataclass(frozen=True)
class Hypotheses:
    """Everything that was weighed, likeliest first; for the choice of the next sample.

    Attributes:
        every: (h,) N; 0: chance, 1: every can.
        places: (h, 2) positions within N from 0; -1: none.
        probabilities: (h,) adding up to 1.
        bad_there: (h,) expected chance of a bad can at the places.
        bad_elsewhere: (h,) and of any other.
    """

    every: IntArray
    places: IntArray
    probabilities: FloatArray
    bad_there: FloatArray
    bad_elsewhere: FloatArray


@dataclass(frozen=True)
class Repeats:
    """What a row of cans says; `chance`, `alike` and the repeats add up to 1.

    Attributes:
        cans, seen, bad: in the row, looked at, and bad.
        chance: probability that bad cans come at random, at one rate.
        alike: that every can has the fault, or nearly every one.
        repeats: the likeliest ones, at most 12.
        by_every: (N, probability) of every N that was tried, likeliest first.
        slip: the likeliest one if a slip is likelier than not.
        scan: against chance, over every N tried; None: no can is bad, or all of those looked at.
        scan_known: the same over the known counts alone; None where there are none.
        weighed: all that was weighed.
    """

    cans: int
    seen: int
    bad: int
    chance: float
    alike: float
    repeats: tuple[Repeat, ...]
    by_every: tuple[tuple[int, float], ...]
    slip: Slip | None
    scan: Scan | None
    scan_known: Scan | None
    weighed: Hypotheses


class _Rates:
    """Marginal likelihoods of k bad of m cans, looked up, as logarithms."""

    def __init__(self, most: int) -> None:
        bad = np.arange(most + 1)[:, None]
        cans = np.arange(most + 1)[None, :]
        good = np.maximum(cans - bad, 0)
        self._tables = {one: _marginal(one, bad, good) for one in (ELSEWHERE, AT_PLACE, IN_ALL)}

    def of(self, prior: tuple[float, float], bad: IntArray, cans: IntArray) -> FloatArray:
        return np.asarray(self._tables[prior][bad, cans], dtype=np.float64)


def _marginal(prior: tuple[float, float], bad: IntArray, good: IntArray) -> FloatArray:
    from scipy.special import betaln

    first, second = prior
    return np.asarray(betaln(first + bad, second + good) - betaln(first, second))


@dataclass
class _Found:
    """Columns of what was weighed, gathered N by N."""

    every: list[IntArray]
    places: list[IntArray]
    logs: list[FloatArray]
    bad: list[IntArray]
    cans: list[IntArray]
    # Of each slip: N, cans before it, whether lost; with its logarithm.
    slips: list[tuple[IntArray, FloatArray]]


def find_repeats(
    cans: str, known: Sequence[int] = (), longest: int = LONGEST, slip: float = SLIP_SHARE
) -> Repeats:
    """Whether bad cans repeat every N cans, and at which place, with probabilities.

    Formula: each can is bad with a rate of its own kind, which has a beta distribution, so that
    k bad of m cans have the marginal likelihood B(a + k, b + m - k) / B(a, b). By chance all cans
    have one rate, mostly low; if every can is alike, one mostly high; in a repeat the cans of one
    place (or two) within N have a rate of their own and all others the low one. Beforehand 0.4
    chance, 0.1 every can, 0.5 repeats: 80 % of that for the known counts alike and 20 % for all
    N tried alike, then the places of N alike (so that looking at many N costs its price), with
    0.15 for two places of a station of three or more. A repeat may have slipped once: a can lost
    or there twice, equally likely at any gap. Cans not looked at count for nothing. Two places
    half of N apart are N / 2, and are left out.

    Args:
        cans: a letter for each can in order: `g` good, `b` bad, `?` not looked at; 4 to 600.
        known: counts of this line's stations that can show here, each 2 to 240.
        longest: every N up to this is tried.
        slip: chance beforehand that one can slipped.
    Returns: Repeats.
    Raises: ValueError naming the argument.
    Source: beta-binomial marginal likelihood, Gelman et al. (2013), Bayesian Data Analysis, sec.
        2.4; Bayes factors, Kass and Raftery (1995), JASA 90:773-795. The chances beforehand are
        common practice, no source.
    Example: every 12th of 48 cans bad, 12 known: N = 12 has a probability above 0.99.
    """
    from scipy.special import logsumexp

    is_bad, is_seen = read_cans(cans)
    numbers = _checked(known, longest)
    may_slip = as_probability("slip", slip)
    rates = _Rates(len(cans))
    bad, seen = int(is_bad.sum()), int(is_seen.sum())
    found = _Found([], [], [], [], [], [])
    _without(found, rates, bad, seen)
    before = log_priors(numbers, sorted(set(known)))
    for every in numbers:
        _weigh(found, rates, is_bad, is_seen, every, before[every], may_slip)
    logs = np.concatenate(found.logs)
    total = float(logsumexp(logs))
    chances = np.exp(logs - total)
    every_one, places = np.concatenate(found.every), np.concatenate(found.places)
    own_bad, own_seen = np.concatenate(found.bad), np.concatenate(found.cans)
    order = np.argsort(-chances, kind="stable")
    by_every = np.bincount(every_one, chances, minlength=2)
    listed = [row for row in order.tolist() if every_one[row] > 1][:_LISTED]
    of_number = sorted(numbers, key=lambda one: -by_every[one])
    return Repeats(
        cans=len(cans),
        seen=seen,
        bad=bad,
        chance=float(by_every[0]),
        alike=float(by_every[1]),
        repeats=tuple(
            Repeat(
                int(every_one[row]),
                tuple(place for place in places[row].tolist() if place >= 0),
                float(chances[row]),
                int(own_bad[row]),
                int(own_seen[row]),
            )
            for row in listed
        ),
        by_every=tuple((one, float(by_every[one])) for one in of_number),
        slip=_slip(found, total),
        scan=scan_chance(is_bad, is_seen, numbers),
        scan_known=scan_chance(is_bad, is_seen, sorted(set(known))) if known else None,
        weighed=_hypotheses(
            every_one[order],
            places[order],
            chances[order],
            (own_bad[order], own_seen[order]),
            (bad, seen),
        ),
    )


def read_cans(cans: str) -> tuple[BoolArray, BoolArray]:
    """Which cans are bad, and which were looked at.

    Source: the letters are those of the row as it is kept: `g`, `b`, `?`.
    Example: of "gb?g" can 2 is bad and can 3 was not looked at.
    Raises: ValueError naming the argument.
    """
    require(
        LEAST_CANS <= len(cans) <= MOST_CANS, f"cans must be {LEAST_CANS} to {MOST_CANS} letters"
    )
    require(set(cans) <= set("gb?"), "cans must hold g (good), b (bad) and ? (not looked at) only")
    letters = np.array(list(cans))
    return letters == "b", letters != "?"


def _checked(known: Sequence[int], longest: int) -> list[int]:
    most = one_count("longest", longest, least=2)
    require(most <= LARGEST_KNOWN, f"longest must be at most {LARGEST_KNOWN}")
    for one in known:
        require(
            2 <= one_count("known", one) <= LARGEST_KNOWN,
            f"known counts must be 2 to {LARGEST_KNOWN}",
        )
    return sorted({*range(2, most + 1), *known})


def log_priors(numbers: Sequence[int], known: Sequence[int]) -> dict[int, float]:
    """Logarithm of the chance beforehand of each N; they add up to the share of repeats.

    Source: common practice, no source: 80 % for the known counts, 20 % for every N tried.
    Example: two known counts and N from 2 to 64: log(0.5 (0.8 / 2 + 0.2 / 63)) for each known.
    """
    share = KNOWN_SHARE if known else 0.0
    repeats = 1 - CHANCE_BEFORE - ALIKE_BEFORE
    return {
        one: float(
            np.log(
                repeats
                * ((share / len(known) if one in known else 0.0) + (1 - share) / len(numbers))
            )
        )
        for one in numbers
    }


def _without(found: _Found, rates: _Rates, bad: int, seen: int) -> None:
    k, m = np.array([bad]), np.array([seen])
    for every, prior, before in ((0, ELSEWHERE, CHANCE_BEFORE), (1, IN_ALL, ALIKE_BEFORE)):
        found.every.append(np.array([every]))
        found.places.append(np.array([[-1, -1]]))
        found.logs.append(np.log(before) + rates.of(prior, k, m))
        found.bad.append(k)
        found.cans.append(m)


def _weigh(
    found: _Found,
    rates: _Rates,
    is_bad: BoolArray,
    is_seen: BoolArray,
    every: int,
    before: float,
    may_slip: float,
) -> None:
    """Weigh all places of one N: one place, with and without a slip, and two places."""
    from scipy.special import logsumexp

    size = len(is_bad)
    at = np.arange(size) % every
    hot = at[:, None] == np.arange(every)
    # Bad cans and cans looked at by place, before each can.
    zero = np.zeros((1, every), dtype=np.intp)
    bad_before = np.concatenate([zero, np.cumsum(hot & is_bad[:, None], axis=0)])
    seen_before = np.concatenate([zero, np.cumsum(hot & is_seen[:, None], axis=0)])
    bad, seen = bad_before[-1], seen_before[-1]

    def likelihood(own_bad: IntArray, own_seen: IntArray) -> FloatArray:
        others = int(is_bad.sum()) - own_bad, int(is_seen.sum()) - own_seen
        return rates.of(AT_PLACE, own_bad, own_seen) + rates.of(ELSEWHERE, *others)

    first, second = np.triu_indices(every, 1)
    apart = (second - first) * 2 != every
    first, second = first[apart], second[apart]
    pairs = PAIR_SHARE if len(first) else 0.0
    prior = before + np.log1p(-pairs) - np.log(every)
    straight = likelihood(bad, seen) + prior
    slipped, may_have = _slipped(found, likelihood, (bad_before, seen_before), prior, may_slip)
    logs = np.asarray(logsumexp([straight + np.log1p(-may_have), slipped], axis=0))
    found.every.append(np.full(every + len(first), every))
    alone = np.column_stack([np.arange(every), np.full(every, -1)])
    found.places.append(np.concatenate([alone, np.column_stack([first, second])]))
    own_bad, own_seen = bad[first] + bad[second], seen[first] + seen[second]
    if len(first):
        twice = likelihood(own_bad, own_seen) + before + np.log(pairs / len(first))
        logs = np.concatenate([logs, twice])
    found.logs.append(logs)
    found.bad.append(np.concatenate([bad, own_bad]))
    found.cans.append(np.concatenate([seen, own_seen]))


def _slipped(
    found: _Found,
    likelihood: Callable[[IntArray, IntArray], FloatArray],
    before: tuple[IntArray, IntArray],
    prior: float,
    may_slip: float,
) -> tuple[FloatArray, FloatArray]:
    """One place of an N with one slip: logarithm of all slips, and their chance beforehand.

    A slip before the first or behind the last can of the place changes nothing that was seen but
    the name of the place, so that only the gaps between them count.
    """
    from scipy.special import logsumexp

    size, every = len(before[0]) - 1, before[0].shape[1]
    gaps = max(2 * (size - 1), 1)
    logs, kept = [np.full((1, every), -np.inf)], np.zeros(every)
    for is_lost, moved in ((True, 1), (False, -1)):
        # Behind the gap a can stands at the place of its own number moved by one.
        behind = [np.roll(one[-1] - one[1:-1], moved, axis=1) for one in before]
        bad, seen = (one[1:-1] + late for one, late in zip(before, behind, strict=True))
        counts = (before[1][1:-1] > 0) & (behind[1] > 0)
        kept += counts.sum(axis=0)
        here = likelihood(bad, seen) + prior + np.log(max(may_slip, 1e-300) / gaps)
        here = np.where(counts, here, -np.inf)
        logs.append(here)
        after = np.arange(1, size)
        marks = np.column_stack([np.full(size - 1, every), after, np.full(size - 1, is_lost)])
        with np.errstate(divide="ignore"):
            at_gap = np.log(np.exp(here - here.max(initial=-1e300)).sum(axis=1))
        found.slips.append((marks, at_gap + here.max(initial=-1e300)))
    with np.errstate(divide="ignore"):
        summed = np.asarray(logsumexp(np.concatenate(logs), axis=0))
    return summed, may_slip * kept / gaps


def _slip(found: _Found, total: float) -> Slip | None:
    from scipy.special import logsumexp

    marks = np.concatenate([one[0] for one in found.slips])
    logs = np.concatenate([one[1] for one in found.slips])
    probability = float(np.exp(logsumexp(logs) - total))
    if probability <= 0.5:
        return None
    best = marks[int(np.argmax(logs))]
    return Slip(int(best[1]), bool(best[2]), probability)


def _hypotheses(
    every: IntArray,
    places: IntArray,
    chances: FloatArray,
    own: tuple[IntArray, IntArray],
    total: tuple[int, int],
) -> Hypotheses:
    """What was weighed, with the rates that each expects (means after the cans)."""
    bad, seen = own
    there = (AT_PLACE[0] + bad) / (sum(AT_PLACE) + seen)
    rest_bad, rest = total[0] - bad, total[1] - seen
    elsewhere = (ELSEWHERE[0] + rest_bad) / (sum(ELSEWHERE) + rest)
    in_all = (IN_ALL[0] + bad) / (sum(IN_ALL) + seen)
    by_chance = (ELSEWHERE[0] + bad) / (sum(ELSEWHERE) + seen)
    level = np.where(every == 0, by_chance, np.where(every == 1, in_all, elsewhere))
    return Hypotheses(every, places, chances, np.where(every > 1, there, level), level)
