"""What lies inside a likely cause and outside it: cans, entries, strokes, machines. Pure."""

from dataclasses import dataclass

import numpy as np

from tracelog.cases.explain.evidence import CauseKind, Evidence, between, cumulated
from tracelog.cases.explain.marks import mark_exposure
from tracelog.cases.explain.ranking import Likely, Ranking
from tracelog.stats.inputs import BoolArray, FloatArray


@dataclass(frozen=True)
class Stretch:
    """Machine time in which a cause acted: index of the machine, seconds."""

    machine: int
    start: float
    end: float


@dataclass(frozen=True)
class Inside:
    """What lies inside a cause.

    Attributes:
        cans, occurrences, strokes: inside; those of the whole period are in `Whole`.
        stretches: machine time, in order; of crews, shifts and hours the whole of it.
        entries: which entries of the evidence.
        share: (k,) of each piece of time that belongs to it.
    """

    cans: int
    occurrences: int
    strokes: int
    stretches: tuple[Stretch, ...]
    entries: BoolArray
    share: FloatArray


@dataclass(frozen=True)
class Whole:
    """What was found and made in the whole period; `unsettled` cans have no machine yet."""

    cans: int
    occurrences: int
    strokes: int
    unsettled: int


def whole_of(evidence: Evidence) -> Whole:
    """Totals of the period asked about."""
    entries = evidence.entries
    now = (entries.at >= evidence.start) & (entries.at < evidence.end)
    return Whole(
        int(entries.cans[now].sum()),
        int(entries.counted[now].sum()),
        round(float(evidence.strokes[:, evidence.piece_of_start :].sum())),
        int(entries.cans[now & (entries.machine < 0)].sum()),
    )


def inside_of(ranking: Ranking, one: Likely) -> Inside:
    """What lies inside a likely cause."""
    evidence = ranking.ground.evidence
    share = np.ones(evidence.strokes.shape[1])
    of_layer = np.ones(len(evidence.entries.at), dtype=np.bool_)
    if one.set_number is None:
        stays = evidence.tools
        rows = np.flatnonzero(stays.owner == one.tool)
        start = np.maximum(stays.start[rows], evidence.start)
        end = np.minimum(stays.end[rows], evidence.end)
        machine = stays.machine[rows]
    else:
        stretches = ranking.hypotheses.stretches
        rows = np.flatnonzero(stretches.owner == one.set_number)
        start, end, machine = stretches.start[rows], stretches.end[rows], stretches.machine[rows]
        layer = ranking.hypotheses.layers[int(stretches.layer[rows[0]])]
        share, of_layer, _days, _variance = ranking.ground.masks(layer)
        if layer.kind is CauseKind.STATION:
            # All strokes may show there; only what is found there is inside.
            share = np.ones(len(share))
        if layer.kind is CauseKind.MARK and layer.label is not None:
            share = np.full(len(share), mark_exposure(evidence, layer.label))
    kept = end > start
    places = zip(machine[kept].tolist(), start[kept].tolist(), end[kept].tolist(), strict=True)
    listed = [Stretch(*found) for found in sorted(places)]
    return _summed(evidence, tuple(listed), share, of_layer)


def _summed(
    evidence: Evidence, stretches: tuple[Stretch, ...], share: FloatArray, of_layer: BoolArray
) -> Inside:
    entries = evidence.entries
    chosen = np.zeros(len(entries.at), dtype=np.bool_)
    strokes = 0.0
    for one in stretches:
        chosen |= (
            (entries.machine == one.machine) & (entries.at >= one.start) & (entries.at < one.end)
        )
        sums = cumulated(evidence.strokes[one.machine] * share)
        strokes += float(
            between(evidence.edges, sums, np.array([one.start]), np.array([one.end]))[0]
        )
    chosen &= of_layer
    return Inside(
        int(entries.cans[chosen].sum()),
        int(entries.counted[chosen].sum()),
        round(strokes),
        stretches,
        chosen,
        share,
    )
