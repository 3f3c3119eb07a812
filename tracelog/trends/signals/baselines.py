"""Baselines of all series at an instant, learned from the year before it, and thresholds. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import BoolArray, FloatArray, IntArray
from tracelog.stats.rate_watch import (
    Baselines,
    false_alarms,
    false_silences,
)
from tracelog.stats.watch_limits import threshold_for
from tracelog.trends.signals.evidence import Evidence, Frozen, Log
from tracelog.trends.signals.rules import (
    BASELINE_DAYS,
    DAY,
    ENOUGH_ENTRIES,
    HANDICAPS,
    LAG_DAYS,
    MOST_YEARS,
    RATIOS,
    SHARES,
    Kind,
)

# Squared coefficient of variation between machines: what is taken where nothing is known, as if
# so many machines had shown it, and the least and most. Own choices: no two machines are alike.
_USUAL_SPREAD, _USUAL_WEIGHT = 0.25, 4.0
_LEAST_SPREAD, _MOST_SPREAD = 0.02, 3.0
# A kind of defect that was never seen may come once in all that was made, half the time.
_NEVER_SEEN = 0.5
# The plant's own dispersion counts as so many events in that of each kind of defect.
_COMMON_EVENTS = 20.0
# The latest part of the past, of which no more than this is left out.
_LAG_SHARE = 0.25
# Where signals were on for so long that less than this share of a kind's strokes would remain, what
# they told is what is usual by now, and nothing is left out.
_LEAST_REMAINING = 0.1
# Thresholds that are tried: the budget is met between two that follow each other, or beyond them.
_TRIED = (2.5, 4.5, 6.5)
# Days of all series together that are simulated, and the least and most days of each.
_SIMULATED = {Kind.RISE: 360_000, Kind.FALL: 180_000, Kind.SILENT: 100_000}
_LEAST_DAYS, _MOST_DAYS = 120, 300
_SEED = 20_260_101


@dataclass(frozen=True)
class Span:
    """A stretch that a series' baseline leaves out: a signal was on. Seconds since 1970."""

    machine: int
    defect: int
    start: float
    end: float


@dataclass(frozen=True)
class Learned:
    """What is expected of every machine and kind of defect from an instant on.

    `shape`, `strokes` are machines by kinds of defect, `dispersion` by kind of defect; the same
    of all kinds together for each machine in `any_shape`, `any_strokes` and `any_dispersion`.
    `seen`: which kinds of defect were reported by then.
    """

    shape: FloatArray
    strokes: FloatArray
    dispersion: FloatArray
    any_shape: FloatArray
    any_strokes: FloatArray
    any_dispersion: float
    seen: BoolArray

    @property
    def watched(self) -> int:
        """How many series of a machine and a kind of defect there are."""
        return len(self.any_shape) * int(self.seen.sum())

    def of(self, machine: IntArray, defect: IntArray) -> Baselines:
        """Of series, by places."""
        return Baselines(
            self.shape[machine, defect], self.strokes[machine, defect], self.dispersion[defect]
        )

    def of_all_kinds(self, machine: IntArray) -> Baselines:
        """Of machines by place, all kinds of defect together."""
        over = np.full(len(machine), self.any_dispersion)
        return Baselines(self.any_shape[machine], self.any_strokes[machine], over)


def learn(evidence: Evidence, at: float, left_out: Sequence[Span]) -> Learned:
    """Learn the baselines from what was known at an instant of the year before it.

    The last thirteen weeks, or a quarter of a shorter past, are no part of that year. Of kinds
    of defect with few entries up to three years count, as far as the log goes back, without their
    last 26 or 39 weeks.

    Where a person froze a period, that one counts in the place of the year.

    Each kind of defect has a gamma over the machines (`stats.shrinkage`), which each machine's
    own past updates; counts that vary more than chance makes them weigh less.

    Args:
        evidence: all that is known.
        at: the instant, seconds since 1970; entries logged later are not used.
        left_out: stretches of series that are no baseline.
    """
    log = evidence.log
    known = log.only((log.at < at) & (log.logged_at <= at))
    windows = _windows(evidence, known, at)
    start, end = windows[:, known.defect]
    past = known.only((known.at >= start) & (known.at < end))
    counted, strokes = _usual(evidence, past, windows, left_out)
    counts = np.zeros(strokes.shape)
    np.add.at(counts, (counted.machine, counted.defect), counted.counted)
    latest = {(one.machine, one.defect): one for one in evidence.frozen if one.since <= at}
    for one in latest.values():
        if one.period is not None:
            _freeze(evidence, at, one, counts, strokes)
    year, until = _window(evidence, 1, at)
    lately = known.only((known.at >= year) & (known.at < until))
    over, any_over = _dispersions(evidence, lately, year, until)
    shape, exposure = np.zeros(counts.shape), np.zeros(counts.shape)
    for place in range(len(evidence.defects)):
        prior = _prior(counts[:, place], strokes[:, place], float(over[place]))
        shape[:, place] = prior[0] + counts[:, place] / over[place]
        exposure[:, place] = prior[1] + strokes[:, place] / over[place]
    of_all = np.repeat([[year], [until]], len(evidence.defects), axis=1)
    counted, _strokes = _usual(evidence, lately, of_all, left_out)
    every = np.bincount(counted.machine, counted.counted, evidence.machines).astype(np.float64)
    made = evidence.strokes_between(year, until)
    prior = _prior(every, made, any_over)
    return Learned(
        *(shape, exposure, over, prior[0] + every / any_over, prior[1] + made / any_over),
        *(any_over, np.isin(np.arange(len(evidence.defects)), past.defect)),
    )


def _usual(
    evidence: Evidence, past: Log, windows: FloatArray, left_out: Sequence[Span]
) -> tuple[Log, FloatArray]:
    """Entries and strokes, machines by kinds of defect, without what is left out."""
    strokes = np.zeros((evidence.machines, len(evidence.defects)))
    for start, end in np.unique(windows.T, axis=0).tolist():
        own = (windows[0] == start) & (windows[1] == end)
        strokes[:, own] = evidence.strokes_between(start, end)[:, None]
    whole = strokes.copy()
    usual = np.ones(len(past.at), dtype=np.bool_)
    for span in left_out:
        start, end = windows[:, span.defect].tolist()
        low, high = max(span.start, start), min(span.end, end)
        if low < high:
            own = (past.machine == span.machine) & (past.defect == span.defect)
            usual &= ~(own & (past.at >= low) & (past.at < high))
            strokes[span.machine, span.defect] -= evidence.strokes_between(low, high)[span.machine]
    strokes = np.maximum(strokes, 0.0)
    bare = strokes.sum(axis=0) < _LEAST_REMAINING * whole.sum(axis=0)
    return past.only(usual | bare[past.defect]), np.where(bare, whole, strokes)


def _lag(years: int, past: float) -> float:
    """How much of the latest past is left out, seconds: what has just begun is not usual.

    What is rare takes longer to be told, so more is left out where more years are learned from.
    """
    return min(years * LAG_DAYS * DAY, past * _LAG_SHARE)


def _window(evidence: Evidence, years: int, at: float) -> tuple[float, float]:
    """So many years before an instant without the latest past; all of it if nothing ran then."""
    first = float(evidence.day_ends[0])
    end = at - _lag(years, at - first)
    start = max(end - years * BASELINE_DAYS * DAY, first)
    return (start, end) if evidence.strokes_between(start, end).any() else (first, at)


def _windows(evidence: Evidence, known: Log, at: float) -> FloatArray:
    """From when until when each kind of defect is learned, seconds: 2 by kinds of defect.

    A year, or more where it is rare: a series of one entry in three weeks tells so little in a
    year that a doubled rate could never be told, and older entries are a better guide than none.
    """
    first = float(evidence.day_ends[0])
    makers = max(int((evidence.strokes_between(first, at) > 0).sum()), 1)
    windows = np.zeros((2, len(evidence.defects)))
    undecided = np.ones(len(evidence.defects), dtype=np.bool_)
    for years in range(1, MOST_YEARS + 1):
        start, end = _window(evidence, years, at)
        inside = (known.at >= start) & (known.at < end)
        counted = np.bincount(known.defect[inside], known.counted[inside], windows.shape[1])
        windows[:, undecided] = [[start], [end]]
        undecided &= counted < ENOUGH_ENTRIES * makers
    return windows


def _freeze(
    evidence: Evidence, at: float, one: Frozen, counts: FloatArray, strokes: FloatArray
) -> None:
    """Put what a person's period holds in the place of the year."""
    assert one.period is not None  # noqa: S101
    start, end = one.period[0], min(one.period[1], at)
    log = evidence.log
    own = (log.machine == one.machine) & (log.defect == one.defect)
    own &= (log.at >= start) & (log.at < end) & (log.logged_at <= at)
    made = float(evidence.strokes_between(start, max(end, start))[one.machine])
    if made > 0:
        counts[one.machine, one.defect] = log.counted[own].sum()
        strokes[one.machine, one.defect] = made


def _prior(counts: FloatArray, strokes: FloatArray, dispersion: float) -> tuple[float, float]:
    """Shape and strokes of the gamma that machines' rates come from, by moments.

    The between-machine variance of Buhlmann and Straub (1970), Mitteilungen der Vereinigung
    schweizerischer Versicherungsmathematiker 70:111-133, drawn to a usual one where machines are
    few; likelihood takes twenty times as long and is no surer with a dozen machines.
    """
    total, made = float(counts.sum()), float(strokes.sum())
    if made <= 0:
        return _NEVER_SEEN, 1.0
    if total <= 0:
        return _NEVER_SEEN, made
    mean = total / made
    expected = mean * strokes
    within = dispersion * float((expected * (1 - strokes / made)).sum())
    spread = float(((counts - expected) ** 2).sum()) - within
    scale = float((expected**2).sum()) * (1 - float((strokes**2).sum()) / made**2)
    machines = float((strokes > 0).sum())
    # What few events say of the spread counts less: by the share that is not chance. A single
    # machine says nothing.
    weight = machines * scale / (scale + within) if scale + within > 0 else 0.0
    squared = (weight * spread / max(scale, 1e-9) + _USUAL_WEIGHT * _USUAL_SPREAD) / (
        weight + _USUAL_WEIGHT
    )
    shape = 1 / min(max(squared, _LEAST_SPREAD), _MOST_SPREAD)
    return shape, shape / mean


def _dispersions(
    evidence: Evidence, past: Log, start: float, at: float
) -> tuple[FloatArray, float]:
    """Variance over mean of the counts of each kind of defect, and of all together; at least 1.

    By days or by weeks, whichever is more: what lasts for some days shows in weeks.
    """
    first = int(np.searchsorted(evidence.day_ends, start))
    end = int(np.searchsorted(evidence.day_ends, at))
    end -= (end - first) % 7
    days = end - first
    kinds = len(evidence.defects)
    if days < 7 or not kinds:
        return np.ones(kinds), 1.0
    day = np.searchsorted(evidence.day_ends, past.at, side="right") - 1 - first
    inside = (day >= 0) & (day < days)
    counts = np.zeros((evidence.machines, kinds, days))
    where = past.machine[inside], past.defect[inside], day[inside]
    np.add.at(counts, where, past.counted[inside])
    made = evidence.day_strokes(first, end)
    found = []
    for width in (1, 7):
        grouped = counts.reshape(evidence.machines, kinds, -1, width).sum(axis=3)
        exposure = made.reshape(evidence.machines, -1, width).sum(axis=2)
        every = grouped.sum(axis=1, keepdims=True)
        found.append((_squares(grouped, exposure), _squares(every, exposure)))
    own = np.maximum(*(_shrunk(squares) for squares, _every in found))
    together = max(float(_shrunk(every)[0]) for _squares_, every in found)
    return np.maximum(own, 1.0), max(together, 1.0)


def _squares(counts: FloatArray, exposure: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sum over machines and periods of squared distances, and of what they are expected to be."""
    made = exposure.sum(axis=1)
    rate = counts.sum(axis=2) / np.maximum(made, 1.0)[:, None]
    expected = rate[:, :, None] * exposure[:, None, :]
    share = (exposure**2).sum(axis=1) / np.maximum(made, 1.0) ** 2
    squared = ((counts - expected) ** 2).sum(axis=(0, 2))
    return squared, (expected.sum(axis=2) * (1 - share)[:, None]).sum(axis=0)


def _shrunk(squares: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Dispersion of each kind, drawn to that of all where there were few events."""
    squared, expected = squares
    common = float(squared.sum()) / max(float(expected.sum()), 1.0)
    return (squared + _COMMON_EVENTS * max(common, 1.0)) / (expected + _COMMON_EVENTS)


def thresholds(learned: Learned, strokes_a_day: FloatArray, budget: float) -> dict[Kind, float]:
    """Thresholds of each kind of watch with which the plant keeps its budget of false signals.

    Args:
        learned: baselines of all series.
        strokes_a_day: of each machine.
        budget: false signals a week of the whole plant.
    """
    # Only what was made and seen by then, so that later kinds and machines change no figure.
    machines, kinds = np.flatnonzero(strokes_a_day > 0), np.flatnonzero(learned.seen)
    strokes_a_day = strokes_a_day[machines]
    machine, kind_of = (one.ravel() for one in np.meshgrid(machines, kinds, indexing="ij"))
    each = learned.of(machine, kind_of)
    every = learned.of_all_kinds(machines)
    a_day = np.repeat(strokes_a_day, len(kinds))
    found = {}
    for kind in (Kind.RISE, Kind.FALL):
        alarms = false_alarms(
            *(each, a_day, RATIOS[kind], _TRIED, _days(kind, len(a_day)), _SEED),
            handicaps=HANDICAPS[kind],
        )
        found[kind] = _where(alarms, SHARES[kind] * budget / 7)
    silences = false_silences(
        every, strokes_a_day, _TRIED, _days(Kind.SILENT, len(machines)), _SEED
    )
    found[Kind.SILENT] = _where(silences, SHARES[Kind.SILENT] * budget / 7)
    return found


def _where(alarms: FloatArray, a_day: float) -> float:
    """The threshold with so many alarms a day, by the two tried that are nearest."""
    first = 0 if alarms[1] < a_day else 1
    return threshold_for(alarms[first : first + 2], _TRIED[first : first + 2], a_day)


def _days(kind: Kind, series: int) -> int:
    return min(max(_SIMULATED[kind] // max(series, 1), _LEAST_DAYS), _MOST_DAYS)
