"""Ranked explanations: which causes are likely, from when on, how strong. Pure."""

from dataclasses import dataclass

import numpy as np

from tracelog.cases.explain.evidence import CauseKind, Evidence
from tracelog.cases.explain.hypotheses import Cause, Hypotheses, begun_at, build, wear_priors
from tracelog.cases.explain.usual import Usual, learn
from tracelog.cases.explain.wear import Worn, weigh_wear
from tracelog.cases.explain.weighing import Ground, Weighed, weigh
from tracelog.stats.explanations import noticed_priors, probabilities, ratio_interval
from tracelog.stats.inputs import FloatArray, IntArray

MOST_SHOWN = 10
# Instants that are tried to tell when a cause began.
_FINE = 97


@dataclass(frozen=True)
class Likely:
    """A cause with what is known of it.

    Attributes:
        cause: what.
        probability: that it is the main cause; of a tool, bad or worn.
        since: seconds; None: all the time asked about, or as long as it was there.
        since_low, since_high: within which it began, 90 % of the chance.
        ratio, ratio_low, ratio_high: times the usual rate, with a 95 % interval.
        set_number: of the hypotheses, whose pieces are its own; None: slow wear.
        tool: index of the worn tool.
        counts, expected: occurrences inside, found and to be expected.
    """

    cause: Cause
    probability: float
    since: float | None
    since_low: float | None
    since_high: float | None
    ratio: float
    ratio_low: float
    ratio_high: float
    set_number: int | None
    tool: int | None
    counts: float
    expected: float


@dataclass(frozen=True)
class Ranking:
    """Every cause in order, and what they were weighed with."""

    likely: tuple[Likely, ...]
    nothing: float
    causes: int
    hypotheses: Hypotheses
    weighed: Weighed
    ground: Ground


def rank(
    evidence: Evidence, usual: Usual | None = None, raised: FloatArray | None = None
) -> Ranking:
    """Weigh every cause and rank those that are likely.

    Args:
        evidence: what is known.
        usual: what would be usual; None: learned from the evidence.
        raised: (m, k) how many times the usual rate another cause already makes.
    """
    ground = Ground(evidence, usual or learn(evidence), raised)
    hypotheses = build(evidence)
    weighed, worn = weigh(ground, hypotheses), weigh_wear(ground)
    priors = noticed_priors(
        np.r_[hypotheses.log_priors, wear_priors(evidence, hypotheses, worn.tools)],
        np.r_[weighed.log_noticed, worn.log_noticed],
        np.r_[hypotheses.family, np.full(len(worn.tools), hypotheses.kinds - 1)],
    )
    shares, nothing = probabilities(priors, np.r_[weighed.log_factors, worn.log_factors])
    of_sets, of_wear = shares[: len(hypotheses.cause_of)], shares[len(hypotheses.cause_of) :]
    by_cause = np.bincount(hypotheses.cause_of, of_sets, len(hypotheses.causes))
    # Bad or worn, it is the same tool: its answer is one, told as what is likelier of the two.
    wear_of = _wear_of(hypotheses, worn)
    places = np.fromiter(wear_of, dtype=np.int64, count=len(wear_of))
    together = by_cause + np.bincount(places, of_wear, len(by_cause))
    found = []
    for cause in np.argsort(-together, kind="stable")[:MOST_SHOWN].tolist():
        chance, place = float(together[cause]), wear_of.get(cause)
        if place is not None and of_wear[place] > by_cause[cause]:
            found.append(_of_wear(ground, worn, place, chance))
        else:
            found.append(_of_cause(ground, hypotheses, weighed, cause, of_sets, chance))
    return Ranking(
        tuple(found),
        nothing,
        len(hypotheses.causes) + len(worn.tools),
        hypotheses,
        weighed,
        ground,
    )


def _wear_of(hypotheses: Hypotheses, worn: Worn) -> dict[int, int]:
    """By the index of each tool among the causes: its place among those whose wear is weighed."""
    kinds = [one.kind for one in hypotheses.causes]
    first = kinds.index(CauseKind.TOOL) if len(worn.tools) else 0
    return {first + tool: place for place, tool in enumerate(worn.tools.tolist())}


def _of_cause(
    ground: Ground,
    hypotheses: Hypotheses,
    weighed: Weighed,
    cause: int,
    shares: FloatArray,
    probability: float,
) -> Likely:
    clump = ground.usual.clumping
    own = np.flatnonzero(hypotheses.cause_of == cause)
    best = int(own[np.argmax(shares[own])])
    middle, low, high = ratio_interval(
        weighed.counts[best] / clump,
        max(float(weighed.expected[best]) / clump, 1e-9),
        weighed.variances[best],
    )
    since, since_low, since_high = _since(ground, hypotheses, own, shares[own], best)
    return Likely(
        hypotheses.causes[cause],
        probability,
        since,
        since_low,
        since_high,
        float(middle),
        float(low),
        float(high),
        best,
        None,
        float(weighed.counts[best]),
        float(weighed.expected[best]),
    )


def _since(
    ground: Ground, hypotheses: Hypotheses, own: IntArray, shares: FloatArray, best: int
) -> tuple[float | None, float | None, float | None]:
    """When a cause began, and within which time; None: before the period, or not to be told."""
    since = float(hypotheses.since[best])
    cause = int(hypotheses.cause_of[best])
    if np.isnan(since):
        stretches = hypotheses.stretches
        first = float(stretches.start[stretches.owner == best].min())
        return (first if first > ground.evidence.start else None), None, None
    if hypotheses.causes[cause].kind in (CauseKind.CHANGE, CauseKind.SERVICE):
        return since, None, None
    begun = ~np.isnan(hypotheses.since[own])
    at = np.sort(hypotheses.since[own][begun])
    step = float(np.diff(at).min()) if len(at) > 1 else ground.evidence.end - since
    order = np.argsort(hypotheses.since[own][begun])
    low, high = _quantiles(at, shares[begun][order])
    instants = np.linspace(
        max(low - step, ground.evidence.start), min(high + step, ground.evidence.end), _FINE
    )[:-1]
    fine = weigh(ground, begun_at(hypotheses, cause, instants)).log_factors
    weights = np.exp(fine - fine.max())
    return float(instants[np.argmax(fine)]), *_quantiles(instants, weights)


def _quantiles(at: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """Where the middle 90 % of some weights begin and end."""
    sums = np.cumsum(weights) / max(float(weights.sum()), 1e-300)
    low, high = (min(int(np.searchsorted(sums, chance)), len(at) - 1) for chance in (0.05, 0.95))
    return float(at[low]), float(at[high])


def _of_wear(ground: Ground, worn: Worn, place: int, probability: float) -> Likely:
    evidence, clump = ground.evidence, ground.usual.clumping
    tool = int(worn.tools[place])
    middle, low, high = ratio_interval(
        worn.counts[place] / clump,
        max(float(worn.expected[place]) / clump, 1e-9),
        worn.variances[place],
    )
    tools = evidence.tools
    first = float(tools.start[tools.owner == tool].min())
    return Likely(
        Cause(CauseKind.WEAR, tools.names[tool], tools.places[tool]),
        probability,
        max(first, evidence.start) if first > evidence.start else None,
        None,
        None,
        float(middle),
        float(low),
        float(high),
        None,
        tool,
        float(worn.counts[place]),
        float(worn.expected[place]),
    )
