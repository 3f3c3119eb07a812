"""What would be usual: the level of each machine, and of each piece of time, without any cause.

Learned from what was before the period asked about, as far as there is any. Pure.
"""

from dataclasses import dataclass

import numpy as np

from tracelog.cases.explain.evidence import Evidence, cumulated
from tracelog.stats.inputs import BoolArray, FloatArray, IntArray
from tracelog.stats.usual_counts import Unrest, habits, machine_shape, unrest

# Beyond so many occurrences before the period, more of them do not make the level surer: rates of
# machines and lines drift. Common practice, no source.
MOST_KNOWN = 45.0
# Of a plant, a crew and a station: relative variance between what is usual and this period.
PLANT_DRIFT = 0.3**2
HABIT_DRIFT = 0.15**2
# Share of dome codes that are read as another machine's. Common practice, no source.
MISREAD = 0.03
# Fewer days or occurrences before the period tell nothing of what is usual.
_LEAST_DAYS, _LEAST_FOUND = 21, 20
_MOST_DAY_SHARE = 4.0


@dataclass(frozen=True)
class Usual:
    """What would be usual.

    Attributes:
        expected: (m, k) occurrences by machine and piece of time, all machines alike.
        misread: (m, k) of these that belong to other machines and were read wrongly.
        shape: of the gamma of machines' levels.
        known_counts, known_expected: (m,) what is known of each machine from before, bounded.
        unrest: from day to day.
        label_variances: for crews, shifts and hours, relative variance of what each reports.
        station_shares, station_variances: of all occurrences, found at each station.
        clumping: occurrences that come at once, so that counts say less than they seem to.
        has_history: whether there was enough before the period to learn from.
    """

    expected: FloatArray
    misread: FloatArray
    shape: float
    known_counts: FloatArray
    known_expected: FloatArray
    unrest: Unrest
    label_variances: tuple[FloatArray, FloatArray, FloatArray]
    station_shares: FloatArray
    station_variances: FloatArray
    clumping: float
    has_history: bool


def counts_in(evidence: Evidence, rows: BoolArray | None = None) -> FloatArray:
    """(m, k) weight of settled entries by machine and piece of time."""
    entries = evidence.entries
    taken = entries.machine >= 0 if rows is None else rows & (entries.machine >= 0)
    pieces = evidence.strokes.shape[1]
    piece = np.searchsorted(evidence.edges, entries.at, side="right") - 1
    taken &= (piece >= 0) & (piece < pieces)
    place = entries.machine[taken] * pieces + piece[taken]
    found = np.bincount(place, entries.weight[taken], evidence.strokes.size)
    return np.asarray(found, dtype=np.float64).reshape(evidence.strokes.shape)


def learn(evidence: Evidence) -> Usual:
    """Learn what is usual."""
    counts = counts_in(evidence)
    first = evidence.piece_of_start
    ran = evidence.strokes[:, :first].sum(axis=0) > 0
    days = len(np.unique(evidence.day[:first][ran]))
    has_history = bool(days >= _LEAST_DAYS and counts[:, :first].sum() >= _LEAST_FOUND)
    learned = np.zeros(counts.shape[1], dtype=np.bool_)
    learned[: first if has_history else None] = True
    labels = (evidence.crews.of, evidence.shifts.of, evidence.hours.of)
    factors = habits(evidence.others, _others_expected(evidence), labels)
    own, label_variances = _own_habits(evidence, counts, factors, has_history)
    expected = evidence.strokes * own
    rate = counts[:, learned].sum() / max(expected[:, learned].sum(), 1e-300)
    expected = expected * max(rate, 1e-300)
    before_counts, before_expected = counts[:, :first].sum(1), expected[:, :first].sum(1)
    known = np.minimum(1.0, MOST_KNOWN / np.maximum(before_expected, 1e-300))
    if not has_history:
        known = np.zeros(len(known))
    by_machine = counts[:, learned].sum(1), expected[:, learned].sum(1)
    shape = machine_shape(*by_machine)
    level = (shape + by_machine[0]) / (shape + by_machine[1])
    shares, share_variances = _stations(evidence, has_history)
    clumping = _clumping(evidence)
    return Usual(
        expected=expected,
        misread=_misread(evidence, counts, expected * level[:, None]),
        shape=shape,
        known_counts=known * before_counts,
        known_expected=known * before_expected,
        unrest=_unrest(evidence, counts, expected * level[:, None], learned, clumping),
        label_variances=label_variances,
        station_shares=shares,
        station_variances=share_variances,
        clumping=clumping,
        has_history=has_history,
    )


def _others_expected(evidence: Evidence) -> FloatArray:
    made = evidence.strokes.sum(axis=0)
    found: FloatArray = made * evidence.others.sum() / max(made.sum(), 1e-300)
    return found


def _own_habits(
    evidence: Evidence, counts: FloatArray, factors: list[FloatArray], has_history: bool
) -> tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray]]:
    """Factor of each piece of time, and variance of each label, for this kind of defect.

    What the labels report of other kinds is where it starts; what they reported of this kind
    before the period moves it, up to a bound.
    """
    first = evidence.piece_of_start if has_history else 0
    product = np.ones(counts.shape[1])
    for one, factor in zip((evidence.crews, evidence.shifts, evidence.hours), factors, strict=True):
        if not len(factor):
            continue
        known = one.of >= 0
        product = product * np.where(known, factor[np.maximum(one.of, 0)], 1.0)
    found, usual = counts[:, :first].sum(0), (evidence.strokes.sum(0) * product)[:first]
    usual = usual * found.sum() / max(usual.sum(), 1e-300)
    own = product
    variances = []
    for one, factor in zip((evidence.crews, evidence.shifts, evidence.hours), factors, strict=True):
        size, past = len(factor), one.of[:first]
        known = past >= 0
        x = np.bincount(past[known], found[known], size)[:size]
        m = np.bincount(past[known], usual[known], size)[:size]
        capped = np.minimum(1.0, MOST_KNOWN / np.maximum(m, 1e-300))
        sure = 1 / HABIT_DRIFT
        moved = (sure + capped * x) / (sure + capped * m)
        variances.append(1 / (sure + capped * m))
        if size:
            own = own * np.where(one.of >= 0, moved[np.maximum(one.of, 0)], 1.0)
    return own, (variances[0], variances[1], variances[2])


def _misread(evidence: Evidence, counts: FloatArray, usual: FloatArray) -> FloatArray:
    """What a flood on other machines of a line leaves on each, over each day's strokes.

    What is usually misread is part of what is usual on each; only what others have beyond their
    own usual in the days around, by more than its standard deviation, comes on top.
    """
    days = int(evidence.day.max(initial=0)) + 1
    one_hot = (evidence.line_of[:, None] == np.arange(len(evidence.lines))).astype(np.float64)
    found = _by_day(counts, evidence.day, days)
    around, due = (_smoothed(one) for one in (found, _by_day(usual, evidence.day, days)))
    beyond = np.maximum(around - due - np.sqrt(due + 1.0), 0.0) / np.maximum(around, 1e-9)
    flood = found * beyond
    others = one_hot @ (one_hot.T @ flood) - flood
    alike = np.maximum(one_hot.sum(axis=0) - 1, 1)[evidence.line_of]
    made = _by_day(evidence.strokes, evidence.day, days)
    a_stroke = MISREAD * others / alike[:, None] / np.maximum(made, 1.0)
    left: FloatArray = a_stroke[:, evidence.day] * evidence.strokes
    return left


def _smoothed(days: FloatArray) -> FloatArray:
    """Sums over each day and the three before and after it, along the last axis."""
    sums = cumulated(days)
    last = days.shape[-1]
    at = np.arange(last)
    around: FloatArray = sums[:, np.minimum(at + 4, last)] - sums[:, np.maximum(at - 3, 0)]
    return around


def _by_day(pieces: FloatArray, day: IntArray, days: int) -> FloatArray:
    firsts = np.searchsorted(day, np.arange(days))
    sums = np.concatenate([np.zeros((len(pieces), 1)), np.cumsum(pieces, axis=1)], axis=1)
    found: FloatArray = np.diff(sums[:, np.r_[firsts, pieces.shape[1]]], axis=1)
    return found


def _unrest(
    evidence: Evidence,
    counts: FloatArray,
    expected: FloatArray,
    learned: BoolArray,
    clumping: float,
) -> Unrest:
    days = int(evidence.day.max(initial=0)) + 1
    seen = np.unique(evidence.day[learned])
    found = _by_day(counts, evidence.day, days)[:, seen]
    usual = _by_day(expected, evidence.day, days)[:, seen]
    # One burst that is itself to be explained shall not pass for the unrest of all days.
    most = usual + _MOST_DAY_SHARE * np.sqrt(usual + 1.0)
    return unrest(np.minimum(found, most), usual, evidence.line_of, clumping)


def _clumping(evidence: Evidence) -> float:
    """Sum of squares over sum of what entries count: 1 where each counts one occurrence."""
    weight = evidence.entries.weight
    return max(1.0, float((weight**2).sum() / max(weight.sum(), 1e-300)))


def _stations(evidence: Evidence, has_history: bool) -> tuple[FloatArray, FloatArray]:
    entries, size = evidence.entries, len(evidence.stations)
    past = entries.at < evidence.start if has_history else np.ones(len(entries.at), dtype=np.bool_)
    known = past & (entries.station >= 0)
    found = np.bincount(entries.station[known], entries.weight[known], size)[:size]
    total = max(float(entries.weight[past].sum()), 1e-300)
    shares = (found + 0.5) / (total + 0.5 * max(size, 1))
    variances = HABIT_DRIFT + 1 / (found + 1.0)
    return shares.astype(np.float64), variances.astype(np.float64)
