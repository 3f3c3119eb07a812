"""Slow wear: a rate that grows with the strokes on a tool since it was last worked on.

Pure. The same formula as for all other causes, only that the level rises within the set: the rate
is multiplied by e^(k s) after s strokes, or by 1 + k s, from one at the fewest strokes in the
period. On each machine the level from which it rises is told by what lies outside the tool's stays.
"""

from dataclasses import dataclass

import numpy as np

from tracelog.cases.explain.evidence import between, cumulated
from tracelog.cases.explain.weighing import Ground
from tracelog.stats.explanations import GRID, log_noticed, usual_levels
from tracelog.stats.inputs import FloatArray, IntArray

# How many times the rate of a new tool the most worn one has, within the period.
ENDS: FloatArray = np.array([2.5, 4.0, 6.0, 10.0, 16.0, 28.0])
# Each stay is looked at in so many parts of equal time.
PARTS = 16
# A tool that made fewer strokes than this cannot show any wear.
_LEAST_STROKES = 1_000_000


@dataclass(frozen=True)
class Worn:
    """Wear of each tool weighed, one element each.

    Attributes:
        tools: index into the evidence's tools.
        log_factors: against nothing special, of wear that is noticed.
        log_noticed: log chance that it is.
        counts, expected: inside its stays.
        ends: how many times the usual rate it has at the end, weighed.
        variances: relative, of what is expected.
    """

    tools: IntArray
    log_factors: FloatArray
    log_noticed: FloatArray
    counts: FloatArray
    expected: FloatArray
    ends: FloatArray
    variances: FloatArray


def weigh_wear(ground: Ground) -> Worn:
    """Weigh slow wear of every tool that was in use."""
    from scipy.special import logsumexp

    evidence = ground.evidence
    tools = evidence.tools
    start = np.maximum(tools.start, evidence.start)
    end = np.minimum(tools.end, evidence.end)
    stays = np.flatnonzero(end > start)
    if not len(stays):
        return Worn(np.zeros(0, dtype=np.intp), *(np.zeros(0) for _ in range(6)))
    cut = start[stays, None] + (end - start)[stays, None] * np.linspace(0, 1, PARTS + 1)
    counts, expected, worn = _parts(ground, stays, cut)
    owner = tools.owner[stays]
    used, place = np.unique(owner, return_inverse=True)
    most, least = np.zeros(len(used)), np.full(len(used), np.inf)
    np.maximum.at(most, place, worn.max(axis=1))
    np.minimum.at(least, place, worn.min(axis=1))
    machine = tools.machine[stays]
    pairs, pair = np.unique(place * len(evidence.machines) + machine, return_inverse=True)
    shapes, usual, variance = _levels(ground, pair, machine, counts, expected, end - start, stays)
    clump = ground.usual.clumping
    rise = (worn - least[place][:, None]) / np.maximum(most - least, 1.0)[place][:, None]
    courses = np.r_[rise * np.log(ENDS)[:, None, None], np.log1p(rise * (ENDS[:, None, None] - 1))]
    chances = usual_levels(variance)

    def weighed(course: FloatArray) -> FloatArray:
        curves = np.zeros((len(pairs), len(GRID)))
        np.add.at(curves, pair, _curve(counts / clump, usual / clump, shapes, course))
        by_pair = logsumexp(curves + chances, axis=1)
        sums = np.bincount(pairs // len(evidence.machines), by_pair, len(used))
        return np.asarray(sums, dtype=np.float64)

    nothing = weighed(0 * worn)
    noticed = _log_noticed(usual / clump, courses, place, len(used))
    by_end = np.stack([weighed(course) for course in courses]) + noticed
    seen = logsumexp(noticed, axis=0)
    factors = logsumexp(by_end, axis=0) - seen - nothing
    shares = np.exp(by_end - logsumexp(by_end, axis=0))
    kept = most - least >= _LEAST_STROKES
    own = np.bincount(place, usual.sum(axis=1))
    spread = np.bincount(pair, usual.sum(axis=1)) ** 2 * variance
    variance = np.bincount(pairs // len(evidence.machines), spread) / np.maximum(own, 1e-9) ** 2
    return Worn(
        used[kept],
        factors[kept],
        seen[kept] - np.log(len(courses)),
        np.bincount(place, counts.sum(axis=1)).astype(np.float64)[kept],
        own.astype(np.float64)[kept],
        np.exp((shares * np.tile(np.log(ENDS), 2)[:, None]).sum(axis=0))[kept],
        variance[kept],
    )


def _log_noticed(
    usual: FloatArray, log_level: FloatArray, place: IntArray, tools: int
) -> FloatArray:
    """(courses, tools) log chance that wear to each end is noticed, by what it makes."""
    more = np.zeros((len(log_level), tools))
    for number, course in enumerate(log_level):
        more[number] = np.bincount(place, (usual * np.expm1(course)).sum(axis=1), tools)
    return log_noticed(more)


def _parts(
    ground: Ground, stays: IntArray, cut: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Counts, expectation, and strokes since work in the middle, of the parts of each stay."""
    evidence, tools, entries = ground.evidence, ground.evidence.tools, ground.evidence.entries
    shape = (len(stays), PARTS)
    counts, expected, worn = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for machine in np.unique(tools.machine[stays]).tolist():
        rows = np.flatnonzero(tools.machine[stays] == machine)
        edges = cut[rows]
        own = entries.machine == machine
        order = np.argsort(entries.at[own], kind="stable")
        at, sums = entries.at[own][order], np.r_[0.0, np.cumsum(entries.weight[own][order])]
        counts[rows] = np.diff(sums[np.searchsorted(at, edges)], axis=1)
        usual = cumulated(ground.expected[machine] + ground.misread[machine])
        expected[rows] = np.diff(np.interp(edges, ground.edges, usual), axis=1)
        strokes = cumulated(evidence.strokes[machine])
        began = np.maximum(tools.start[stays[rows]], ground.edges[0])
        before = between(ground.edges, strokes, began[:, None], edges)
        middle = (before[:, 1:] + before[:, :-1]) / 2
        worn[rows] = tools.worn[stays[rows], None] + middle
    return counts, expected, worn


def _levels(
    ground: Ground,
    pair: IntArray,
    machine: IntArray,
    counts: FloatArray,
    expected: FloatArray,
    seconds: FloatArray,
    stays: IntArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shape of each stay's parts, expectation by part, and variance of the level of each pair.

    `pair` is that of tool and machine. The level of the machine is told by what lies outside all
    stays of the tool; each part has its own unrest.
    """
    inside, due = (
        np.bincount(pair, one.sum(axis=1)).astype(np.float64)[pair] for one in (counts, expected)
    )
    plant = ground.plant_level(inside, due, machine)
    level = ground.machine_level(
        np.maximum(ground.counts[machine] - inside, 0.0),
        np.maximum(ground.window[machine] - due, 0.0) * plant,
        machine,
    )
    days = np.maximum(seconds[stays] / 86_400, 1.0)
    unrest = ground.usual.unrest
    by_day = unrest.machine_day + unrest.line_day + unrest.plant_day
    shapes = np.maximum(days / PARTS, 1.0) / by_day
    usual = expected * (plant * level.counts / level.expected)[:, None]
    variance = np.zeros(int(pair.max()) + 1)
    variance[pair] = 1 / level.shapes + 0.01
    return shapes, np.maximum(usual, 1e-12), variance


def _curve(
    counts: FloatArray, usual: FloatArray, shapes: FloatArray, log_level: FloatArray
) -> FloatArray:
    """(stays, len(GRID)) log likelihood of one course at each level."""
    total, shape = counts.sum(axis=1), shapes[:, None, None]
    raised = (usual * np.exp(log_level))[..., None] * np.exp(GRID)
    ratio = np.log((shape + raised) / (shape + usual[..., None]))
    curve: FloatArray = (
        total[:, None] * GRID
        + (counts * log_level).sum(axis=1)[:, None]
        - ((shape + counts[..., None]) * ratio).sum(axis=1)
    )
    return curve
