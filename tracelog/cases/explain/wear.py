"""Slow wear: a rate that grows with the strokes on a tool since it was last worked on.

Pure. The same formula as for all other causes, only that the level rises within the set: the rate
is multiplied by e^(k s) after s strokes, from one when the tool was as new.
"""

from dataclasses import dataclass

import numpy as np

from tracelog.cases.explain.evidence import between, cumulated
from tracelog.cases.explain.weighing import Ground
from tracelog.stats.explanations import GRID, usual_levels
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
        log_factors: against nothing special.
        counts, expected: inside its stays.
        ends: how many times the usual rate it has at the end, weighed.
        variances: relative, of what is expected.
    """

    tools: IntArray
    log_factors: FloatArray
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
        return Worn(np.zeros(0, dtype=np.intp), *(np.zeros(0) for _ in range(5)))
    cut = start[stays, None] + (end - start)[stays, None] * np.linspace(0, 1, PARTS + 1)
    counts, expected, worn = _parts(ground, stays, cut)
    owner = tools.owner[stays]
    used, place = np.unique(owner, return_inverse=True)
    most = np.zeros(len(used))
    np.maximum.at(most, place, worn.max(axis=1))
    shapes, usual, common = _levels(ground, stays, counts, expected, end - start)
    log_level = (worn / np.maximum(most, 1.0)[place][:, None]) * np.log(ENDS)[:, None, None]
    clump = ground.usual.clumping
    by_tool = np.zeros((len(ENDS), len(used), len(GRID)))
    flat = np.zeros((len(used), len(GRID)))
    np.add.at(flat, place, _curve(counts / clump, usual / clump, shapes, 0 * worn))
    for number, course in enumerate(log_level):
        curve = _curve(counts / clump, usual / clump, shapes, course)
        np.add.at(by_tool[number], place, curve)
    variance = np.bincount(place, common) / np.bincount(place)
    chances = usual_levels(variance)
    by_end = logsumexp(by_tool + chances, axis=2)
    nothing = logsumexp(flat + chances, axis=1)
    factors = logsumexp(by_end, axis=0) - np.log(len(ENDS)) - nothing
    shares = np.exp(by_end - logsumexp(by_end, axis=0))
    kept = most >= _LEAST_STROKES
    return Worn(
        used[kept],
        factors[kept],
        np.bincount(place, counts.sum(axis=1)).astype(np.float64)[kept],
        np.bincount(place, usual.sum(axis=1)).astype(np.float64)[kept],
        np.exp((shares * np.log(ENDS)[:, None]).sum(axis=0))[kept],
        variance[kept],
    )


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
    ground: Ground, stays: IntArray, counts: FloatArray, expected: FloatArray, seconds: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shape of each part, expectation by part, and shared variance of each stay.

    The level of the machine is told by what lies outside the stay; each part has its own unrest.
    """
    machine = ground.evidence.tools.machine[stays]
    level = ground.machine_level(
        np.maximum(ground.counts[machine] - counts.sum(axis=1), 0.0),
        np.maximum(ground.window[machine] - expected.sum(axis=1), 0.0),
        machine,
    )
    days = np.maximum(seconds[stays] / 86_400, 1.0)
    unrest = ground.usual.unrest
    by_day = unrest.machine_day + unrest.line_day + unrest.plant_day
    shapes = np.maximum(days / PARTS, 1.0) / by_day
    usual = expected * (level.counts / level.expected)[:, None]
    common = 1 / level.shapes + 0.01
    return shapes, np.maximum(usual, 1e-12), common


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
