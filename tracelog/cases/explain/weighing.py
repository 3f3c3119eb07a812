"""All causes weighed by one formula: how likely each is, from when on, and how strong.

Pure. The formula is that of `tracelog.stats.explanations`.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tracelog.cases.explain.evidence import CauseKind, Evidence, between, cumulated
from tracelog.cases.explain.hypotheses import Hypotheses, Layer, Stretches
from tracelog.cases.explain.marks import mark_share
from tracelog.cases.explain.usual import PLANT_DRIFT, Usual, counts_in
from tracelog.stats.explanations import Pieces, level_curves, log_evidence, summed
from tracelog.stats.inputs import BoolArray, FloatArray, IntArray

_DAY = 86_400.0
_COLUMNS = ("owner", "layer", "machine", "start", "end")


@dataclass(frozen=True)
class Found:
    """What lies in stretches, one element each.

    `expected` is of machines that are all alike; `misread` comes on top; `days` over which the
    stretch spreads, 1 or more.
    """

    counts: FloatArray
    expected: FloatArray
    misread: FloatArray
    days: FloatArray


@dataclass(frozen=True)
class Weighed:
    """Each set weighed, one element each.

    Attributes:
        log_factors: log Bayes factors against nothing special, of a cause that is noticed.
        log_noticed: log chance that a cause in the set is noticed.
        counts, expected: inside.
        variances: relative, of what is expected inside, all in all.
    """

    log_factors: FloatArray
    log_noticed: FloatArray
    counts: FloatArray
    expected: FloatArray
    variances: FloatArray


class Ground:
    """Evidence and what is usual, cumulated so that any stretch can be looked up.

    `raised` (m, k) is how many times the usual rate another cause already makes of each piece.
    """

    def __init__(self, evidence: Evidence, usual: Usual, raised: FloatArray | None = None) -> None:
        self.evidence, self.usual = evidence, usual
        self.first = evidence.piece_of_start
        self.edges = evidence.edges
        self.expected = usual.expected if raised is None else usual.expected * raised
        self.misread = usual.misread
        counts = counts_in(evidence)[:, self.first :]
        self.counts = counts.sum(axis=1)
        self.window = self.expected[:, self.first :].sum(axis=1)

    def machine_level(self, counts: FloatArray, expected: FloatArray, machine: IntArray) -> Pieces:
        """Level of machines by what lies outside: shape and rate of its gamma, as a pair."""
        usual, clump = self.usual, self.usual.clumping
        shape = usual.shape + (usual.known_counts[machine] + counts) / clump
        rate = usual.shape + (usual.known_expected[machine] + expected) / clump
        return Pieces(machine, shape, rate, shape)

    def plant_level(
        self, counts: FloatArray, expected: FloatArray, machine: IntArray
    ) -> FloatArray:
        """Level of the plant by what lies outside some sets, each within one machine."""
        usual = self.machine_level(
            np.zeros(len(self.counts)), np.zeros(len(self.counts)), np.arange(len(self.counts))
        )
        before = usual.counts / usual.expected
        sure, total = 1 / PLANT_DRIFT, float((self.window * before).sum())
        out = np.maximum(self.counts.sum() - counts, 0.0)
        due = np.maximum(total - expected * before[machine], 0.0)
        return np.asarray((sure + out) / (sure + due))

    def masks(self, layer: Layer) -> tuple[FloatArray, BoolArray, float, float]:
        """Of a layer: share of each piece, its entries, share of days, relative variance."""
        evidence, entries = self.evidence, self.evidence.entries
        if layer.kind is None or layer.label is None:
            everything = np.ones(len(entries.at), dtype=np.bool_)
            return np.ones(len(self.edges) - 1), everything, 1.0, 0.0
        if layer.kind is CauseKind.STATION:
            share = self.usual.station_shares[layer.label]
            variance = float(self.usual.station_variances[layer.label])
            return (
                np.full(len(self.edges) - 1, share),
                entries.station == layer.label,
                1.0,
                variance,
            )
        if layer.kind is CauseKind.MARK:
            share, variance = mark_share(evidence, layer.label)
            all_pieces = np.full(len(self.edges) - 1, share)
            return all_pieces, evidence.marks.of == layer.label, 1.0, variance
        kinds = (CauseKind.CREW, CauseKind.SHIFT, CauseKind.HOUR)
        which = kinds.index(layer.kind)
        labels = (evidence.crews, evidence.shifts, evidence.hours)[which]
        inside = labels.of == layer.label
        piece = np.clip(
            np.searchsorted(self.edges, entries.at, side="right") - 1, 0, len(inside) - 1
        )
        days = len(np.unique(evidence.day[inside])) / max(len(np.unique(evidence.day)), 1)
        variance = float(self.usual.label_variances[which][layer.label])
        return inside.astype(np.float64), inside[piece], days, variance

    def found(self, stretches: Stretches, layers: tuple[Layer, ...]) -> Found:
        """What lies in each stretch."""
        size = len(stretches.owner)
        counts, expected, misread = np.zeros(size), np.zeros(size), np.zeros(size)
        days = np.maximum((stretches.end - stretches.start) / _DAY, 0.0)
        for layer, rows in _grouped(stretches.layer):
            share, chosen, of_days, _variance = self.masks(layers[layer])
            days[rows] *= of_days
            entries = self.evidence.entries.chosen(chosen)
            for machine, places in _grouped(stretches.machine[rows]):
                here = rows[places]
                start, end = stretches.start[here], stretches.end[here]
                own = entries.machine == machine
                order = np.argsort(entries.at[own], kind="stable")
                at = entries.at[own][order]
                sums = np.r_[0.0, np.cumsum(entries.weight[own][order])]
                counts[here] = sums[np.searchsorted(at, end)] - sums[np.searchsorted(at, start)]
                expected[here] = between(
                    self.edges, cumulated(self.expected[machine] * share), start, end
                )
                misread[here] = between(
                    self.edges, cumulated(self.misread[machine] * share), start, end
                )
        return Found(counts, expected, misread, np.maximum(days, 1.0))


def _grouped(values: IntArray) -> Iterator[tuple[int, IntArray]]:
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    if not len(values):
        return
    firsts = np.flatnonzero(np.r_[True, np.diff(ordered) > 0])
    ends = np.r_[firsts[1:], len(values)]
    for first, end in zip(firsts, ends, strict=True):
        yield int(ordered[first]), order[first:end]


@dataclass(frozen=True)
class Pairs:
    """What lies in a set on one machine, one element for each, ordered by set."""

    sets: IntArray
    machine: IntArray
    counts: FloatArray
    usual: FloatArray
    shapes: FloatArray
    days: FloatArray
    variances: FloatArray


def pairs_of(ground: Ground, stretches: Stretches, found: Found, sets: int) -> Pairs:
    """Sums by set and machine, with what is expected from all that lies outside the set."""
    machines = len(ground.evidence.machines)
    key, place = np.unique(stretches.owner * machines + stretches.machine, return_inverse=True)
    owner, machine = key // machines, key % machines

    def sums(values: FloatArray) -> FloatArray:
        return np.bincount(place, values, len(key)).astype(np.float64)

    counts, expected, misread = (sums(one) for one in (found.counts, found.expected, found.misread))
    # What is misread within a set stays in it.
    line_of = ground.evidence.line_of
    own_line = owner * len(ground.evidence.lines) + line_of[machine]
    together = np.bincount(own_line)[own_line]
    misread = misread * (
        1 - (together - 1) / np.maximum(np.bincount(line_of)[line_of[machine]] - 1, 1)
    )
    days = sums(found.days)
    level0 = ground.machine_level(np.zeros(machines), np.zeros(machines), np.arange(machines))
    before = level0.counts / level0.expected
    inside = np.bincount(owner, counts, sets)
    inside_expected = np.bincount(owner, expected * before[machine], sets)
    total, total_expected = ground.counts.sum(), (ground.window * before).sum()
    sure = 1 / PLANT_DRIFT
    out = np.maximum(total - inside, 0.0)
    plant = (sure + out) / (sure + np.maximum(total_expected - inside_expected, 0.0))
    level = ground.machine_level(
        np.maximum(ground.counts[machine] - counts, 0.0),
        np.maximum(ground.window[machine] - expected, 0.0) * plant[owner],
        machine,
    )
    usual = level.counts / level.expected * plant[owner] * expected + misread
    by_day = ground.usual.unrest.machine_day / days
    shapes = 1 / (1 / level.shapes + by_day)
    return Pairs(owner, machine, counts, np.maximum(usual, 1e-9), shapes, days, 1 / (sure + out))


def shared_variances(ground: Ground, pairs: Pairs, sets: int) -> tuple[FloatArray, FloatArray]:
    """Relative variance that all pieces of a set share, and that of its sum all in all."""
    lines = len(ground.evidence.lines)
    unrest = ground.usual.unrest
    line = ground.evidence.line_of[pairs.machine]
    key, place = np.unique(pairs.sets * lines + line, return_inverse=True)
    expected = np.bincount(place, pairs.usual, len(key))
    days = np.zeros(len(key))
    np.maximum.at(days, place, pairs.days)
    total = np.maximum(np.bincount(pairs.sets, pairs.usual, sets), 1e-9)
    owner = key // lines
    by_line = np.bincount(owner, unrest.line_day * (expected / total[owner]) ** 2 / days, sets)
    longest = np.ones(sets)
    np.maximum.at(longest, owner, days)
    common = by_line + unrest.plant_day / longest + pairs.variances
    own = np.bincount(pairs.sets, (pairs.usual / total[pairs.sets]) ** 2 / pairs.shapes, sets)
    return common, common + own


def weigh(ground: Ground, hypotheses: Hypotheses) -> Weighed:
    """Weigh every set of the hypotheses; those of the same pieces once."""
    sets, stretches, twin = distinct(hypotheses.stretches, len(hypotheses.cause_of))
    found = ground.found(stretches, hypotheses.layers)
    pairs = pairs_of(ground, stretches, found, sets)
    common, whole = shared_variances(ground, pairs, sets)
    by_layer = np.array([ground.masks(layer)[3] for layer in hypotheses.layers])
    layer_of = np.zeros(sets, dtype=np.intp)
    layer_of[stretches.owner] = stretches.layer
    common, whole = common + by_layer[layer_of], whole + by_layer[layer_of]
    clump = ground.usual.clumping
    pieces = Pieces(pairs.sets, pairs.counts / clump, pairs.usual / clump, pairs.shapes)
    usual = summed(pairs.usual, pairs.sets, sets)
    factors, noticed = log_evidence(level_curves(pieces, sets), common, usual / clump)
    return Weighed(
        factors[twin],
        noticed[twin],
        summed(pairs.counts, pairs.sets, sets)[twin],
        usual[twin],
        whole[twin],
    )


def distinct(stretches: Stretches, sets: int) -> tuple[int, Stretches, IntArray]:
    """Sets of one stretch that are the same, once: tools that sat in a machine all the time.

    Returns: how many sets are left, their stretches, and for each set the one that stands for it.
    """
    order = np.argsort(stretches.owner, kind="stable")
    ordered = Stretches(*(getattr(stretches, name)[order] for name in _COLUMNS))
    many = np.bincount(ordered.owner, minlength=sets)
    alone = many[ordered.owner] == 1
    rows = np.stack([getattr(ordered, name)[alone] for name in _COLUMNS[1:]], axis=1)
    _rows, first, place = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    stands = np.arange(sets)
    owners = ordered.owner[alone]
    stands[owners] = owners[first][place.ravel()]
    kept, twin = np.unique(stands, return_inverse=True)
    number = np.full(sets, -1, dtype=np.intp)
    number[kept] = np.arange(len(kept))
    left = ordered.chosen(number[ordered.owner] >= 0)
    moved = Stretches(number[left.owner], left.layer, left.machine, left.start, left.end)
    return len(kept), moved, twin
