"""Signals of a whole history, worked out in order of time: what was known when. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tracelog.stats.inputs import FloatArray, IntArray
from tracelog.stats.rate_watch import Alarm, Baselines, WatchState, watch
from tracelog.stats.watch_limits import limits
from tracelog.trends.signals.baselines import Learned, Span, learn, thresholds
from tracelog.trends.signals.beginning import beginning
from tracelog.trends.signals.evidence import Evidence
from tracelog.trends.signals.rules import (
    DAY,
    EPOCH_DAYS,
    FIRST_DAYS,
    HANDICAPS,
    RATIOS,
    THRESHOLD_EPOCHS,
    USUAL_BUDGET,
    Kind,
)


@dataclass(frozen=True)
class Series:
    """What is watched: places of machines and kinds of defect; no kinds: all of them together."""

    machine: IntArray
    defect: IntArray | None

    def __len__(self) -> int:
        return len(self.machine)


@dataclass(frozen=True)
class FoundSignal:
    """A signal; instants are seconds since 1970, rates per stroke.

    `defect` is a place, None for all kinds together; `ended_at` None: it is on. `since`, with
    `since_low` and `since_high` (90 %), is when the rate changed. `count` and `strokes` are those
    from then to its end.
    """

    machine: int
    defect: int | None
    kind: Kind
    raised_at: float
    since: float
    since_low: float
    since_high: float
    ended_at: float | None
    ratio: float
    score: float
    threshold: float
    baseline: float
    count: float
    strokes: float


@dataclass(frozen=True)
class Epoch:
    """Baselines and thresholds that hold from an instant on, and the budget they keep."""

    starts_at: float
    learned: Learned
    thresholds: Mapping[Kind, float]
    budget: float


@dataclass
class Replayed:
    """What a history gave: signals in order, and the epochs they were judged by."""

    signals: list[FoundSignal] = field(default_factory=list)
    epochs: list[Epoch] = field(default_factory=list)


@dataclass(frozen=True)
class Budget:
    """False signals of the whole plant in a week, from an instant on (seconds since 1970)."""

    since: float
    a_week: float


def epoch_starts(evidence: Evidence) -> list[float]:
    """Instants from which baselines are learned anew: after two weeks, then every four."""
    midnights = evidence.day_ends
    places = [FIRST_DAYS, *range(EPOCH_DAYS, len(midnights), EPOCH_DAYS)]
    found = [float(midnights[place]) for place in places if place < len(midnights)]
    return [start for start in found if start <= min(evidence.now, evidence.read_until)]


def replay(
    evidence: Evidence, budgets: Sequence[Budget] = (), epochs: Sequence[Epoch] | None = None
) -> Replayed:
    """Work out all signals from the first day on.

    Args:
        evidence: all that is known; for some machines or kinds of defect only, give `epochs`.
        budgets: as people set them, in order of time.
        epochs: baselines and thresholds known already; None: they are learned.
    """
    starts = epoch_starts(evidence)
    found = Replayed()
    if not starts:
        return found
    chosen = _chosen(evidence)
    walks = {kind: _Walk(evidence, kind, series, starts[0]) for kind, series in chosen.items()}
    for number, start in enumerate(starts):
        if epochs is None:
            epoch = _epoch(evidence, start, found.epochs, walks[Kind.RISE].spans(), budgets)
        else:
            epoch = epochs[number]
        found.epochs.append(epoch)
        end = starts[number + 1] if number + 1 < len(starts) else evidence.now
        for walk in walks.values():
            walk.go_on(epoch, start, end)
    signals = [signal for walk in walks.values() for signal in walk.signals()]
    found.signals = sorted(signals, key=lambda one: (one.raised_at, one.machine, one.kind))
    return found


def _chosen(evidence: Evidence) -> dict[Kind, Series]:
    """Series of which anything was ever logged: others cannot give a signal."""
    kinds = max(len(evidence.defects), 1)
    used = np.unique(evidence.log.machine * kinds + evidence.log.defect)
    pairs = Series((used // kinds).astype(np.intp), (used % kinds).astype(np.intp))
    machines = Series(np.unique(evidence.log.machine), None)
    return {Kind.RISE: pairs, Kind.FALL: pairs, Kind.SILENT: machines}


def _epoch(
    evidence: Evidence,
    start: float,
    before: Sequence[Epoch],
    left_out: Sequence[Span],
    budgets: Sequence[Budget],
) -> Epoch:
    learned = learn(evidence, start, left_out)
    budget = next((one.a_week for one in reversed(budgets) if one.since <= start), USUAL_BUDGET)
    anew = len(before) < 2 or len(before) % THRESHOLD_EPOCHS == 0
    if not anew and before[-1].budget == budget:
        return Epoch(start, learned, before[-1].thresholds, budget)
    first = float(evidence.day_ends[0])
    days = max((start - first) / DAY, 1.0)
    a_day = evidence.strokes_between(first, start) / days
    return Epoch(start, learned, thresholds(learned, a_day, budget), budget)


@dataclass(frozen=True)
class _Steps:
    """Steps of series: padded tables, series by steps."""

    counts: FloatArray
    exposures: FloatArray
    times: FloatArray


@dataclass
class _Open:
    """An alarm as it was raised, before it is made a signal."""

    alarm: Alarm
    raised_at: float
    threshold: float
    baselines: Baselines
    ended_at: float | None = None


class _Walk:
    """One kind of watch on its way through time."""

    def __init__(self, evidence: Evidence, kind: Kind, series: Series, start: float) -> None:
        self._evidence, self._kind, self._series, self._start = evidence, kind, series, start
        self._state = WatchState.at(start, len(series), len(RATIOS[kind]))
        self._raised: list[_Open] = []
        self._on: dict[int, _Open] = {}

    def go_on(self, epoch: Epoch, start: float, end: float) -> None:
        """Watch from `start` to `end` with what an epoch expects."""
        if not len(self._series) or end <= start:
            return
        steps = _steps(self._evidence, self._series, start, end)
        baselines = _baselines(epoch.learned, self._series)
        limit = limits(epoch.thresholds[self._kind], HANDICAPS[self._kind])
        alarms = watch(
            *(steps.counts, steps.exposures, steps.times, baselines),
            *(RATIOS[self._kind], limit, self._state),
        )
        for alarm in alarms:
            at = float(steps.times[alarm.series, alarm.step])
            if alarm.is_end:
                self._on.pop(alarm.series).ended_at = at
            else:
                own = float(limit[RATIOS[self._kind].index(alarm.ratio)])
                one = _Open(alarm, at, own, baselines.of(np.array([alarm.series])))
                self._on[alarm.series] = one
                self._raised.append(one)

    def spans(self) -> list[Span]:
        """Stretches in which a signal was on, as far as time has gone."""
        if self._series.defect is None:
            return []
        return [
            Span(
                int(self._series.machine[one.alarm.series]),
                int(self._series.defect[one.alarm.series]),
                one.alarm.began,
                np.inf if one.ended_at is None else one.ended_at,
            )
            for one in self._raised
        ]

    def signals(self) -> list[FoundSignal]:
        """All signals, with when each began and what was found since."""
        return [self._signal(one) for one in self._raised]

    def _signal(self, one: _Open) -> FoundSignal:
        alarm = one.alarm
        machine = int(self._series.machine[alarm.series])
        defect = None if self._series.defect is None else int(self._series.defect[alarm.series])
        baseline = float(one.baselines.shape[0] / one.baselines.exposure[0])
        row = Series(
            self._series.machine[[alarm.series]],
            None if self._series.defect is None else self._series.defect[[alarm.series]],
        )
        first = max(self._start, min(alarm.began, one.raised_at) - 28 * DAY)
        steps = _steps(self._evidence, row, first, np.nextafter(one.raised_at, np.inf))
        if self._kind is Kind.SILENT:
            low = since = high = alarm.began
        else:
            low, since, high = beginning(
                *(steps.counts[0], steps.exposures[0], steps.times[0], first),
                *(baseline, float(one.baselines.dispersion[0]), RATIOS[self._kind][0] > 1),
            )
        until = self._evidence.now if one.ended_at is None else one.ended_at
        after = _steps(self._evidence, row, since, np.nextafter(until, np.inf))
        return FoundSignal(
            *(machine, defect, self._kind, one.raised_at, since, low, high, one.ended_at),
            *(alarm.ratio, alarm.score, one.threshold, baseline),
            *(float(after.counts.sum()), float(after.exposures.sum())),
        )


def _baselines(learned: Learned, series: Series) -> Baselines:
    if series.defect is None:
        return learned.of_all_kinds(series.machine)
    return learned.of(series.machine, series.defect)


def _steps(evidence: Evidence, series: Series, start: float, end: float) -> _Steps:
    """Entries in [start, end) and midnights in (start, end], as steps of each series.

    Midnights after a machine's last known hour are none of its steps: what has not been read
    must not look like good cans. The last step ends at `end` where all is known until then.
    """
    kinds = max(len(evidence.defects), 1)
    log = evidence.log
    inside = (log.at >= start) & (log.at < end)
    log = log.only(inside)
    if series.defect is None:
        names, wanted = log.machine, series.machine
    else:
        names, wanted = log.machine * kinds + log.defect, series.machine * kinds + series.defect
    # The series are in ascending order.
    place = np.minimum(np.searchsorted(wanted, names), max(len(wanted) - 1, 0))
    own = wanted[place] == names
    midnights = evidence.day_ends[(evidence.day_ends > start) & (evidence.day_ends <= end)]
    known = np.array([-np.inf if one is None else float(one.edges[-1]) for one in evidence.strokes])
    told = known[series.machine][:, None] >= midnights[None, :]
    rows, columns = np.nonzero(told)
    row = np.concatenate((place[own], rows))
    at = np.concatenate((log.at[own], midnights[columns]))
    count = np.concatenate((log.counted[own], np.zeros(len(rows))))
    order = np.lexsort((at, row))
    return _padded(evidence, series, start, (row[order], at[order], count[order]))


def _padded(
    evidence: Evidence,
    series: Series,
    start: float,
    listed: tuple[IntArray, FloatArray, FloatArray],
) -> _Steps:
    row, at, count = listed
    totals = np.zeros(len(at))
    before = np.zeros(len(series))
    machine = series.machine[row] if len(row) else row
    for place in np.unique(series.machine).tolist():
        strokes = evidence.strokes[place]
        if strokes is None:
            continue
        mine = machine == place
        totals[mine] = strokes.at(at[mine])
        before[series.machine == place] = strokes.at(np.array([start]))[0]
    sizes = np.bincount(row, minlength=len(series))
    firsts = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    width = int(sizes.max(initial=0))
    earlier = np.concatenate((before[:1], totals[:-1])) if len(at) else totals
    has = sizes > 0
    earlier[firsts[has]] = before[has]
    column = np.arange(len(at)) - firsts[row]
    shape = (len(series), width)
    counts, exposures = np.zeros(shape), np.zeros(shape)
    times = np.full(shape, start)
    counts[row, column], exposures[row, column] = count, np.maximum(totals - earlier, 0.0)
    times[row, column] = at
    # Rows are filled up with their own last instant.
    return _Steps(counts, exposures, np.maximum.accumulate(times, axis=1))
