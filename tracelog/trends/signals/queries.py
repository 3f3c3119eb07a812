"""Reads for signals: the evidence at an instant, signals as kept, and decisions about them."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.defects.queries import EntryFilter, occurrences, vocabulary
from tracelog.instants import day_of, start_of_day
from tracelog.plant.queries import Directory, MachineView, PlantView
from tracelog.stats.inputs import FloatArray
from tracelog.strokes.hourly import hourly_strokes
from tracelog.strokes.queries import first_reading, last_reading
from tracelog.trends.models import (
    FrozenBaseline,
    Signal,
    SignalBudget,
    SignalDecision,
    SignalEpoch,
    SignalProgress,
)
from tracelog.trends.series.rules import SeriesEvidence
from tracelog.trends.signals.evidence import Evidence, Frozen, Log, MachineStrokes
from tracelog.trends.signals.replay import Budget, FoundSignal, Replayed, replay
from tracelog.trends.signals.rules import (
    ANY_DEFECT,
    USUAL_BUDGET,
    Decision,
    Kind,
    rule_of,
)

PER = 1_000_000


@dataclass(frozen=True)
class DecisionView:
    """What somebody decided about a signal, when and why."""

    decision: Decision
    reason: str
    decided_at: datetime
    decided_by: str
    case_id: uuid.UUID | None


@dataclass(frozen=True)
class SignalView:
    """One signal, as pages and answers tell it; instants UTC, rates per million strokes.

    `defect` is its code, empty where all kinds are watched together. `since` lies with 90 %
    between `since_low` and `since_high`. `count` and `strokes` are those since then.
    """

    machine: MachineView
    defect: str
    kind: Kind
    raised_at: datetime
    since: datetime
    since_low: datetime
    since_high: datetime
    ended_at: datetime | None
    ratio: float
    score: float
    threshold: float
    baseline_per_million: float
    count: int
    strokes: int
    decision: DecisionView | None = None

    @property
    def rate_per_million(self) -> float | None:
        """Since it began; None where nothing has been made since."""
        return PER * self.count / self.strokes if self.strokes else None

    @property
    def is_open(self) -> bool:
        """Whether the rate is not back and nobody has dismissed the signal."""
        dismissed = self.decision is not None and self.decision.decision is Decision.DISMISSED
        return self.ended_at is None and not dismissed

    @property
    def rule(self) -> str:
        """What was reached, in words."""
        return rule_of(self.kind, self.ratio, self.threshold)


@dataclass(frozen=True)
class EpochView:
    """By what signals are judged now: thresholds by kind, the budget they keep, and how many."""

    starts_at: datetime
    thresholds: dict[Kind, float]
    false_signals_a_week: float
    series: int


@dataclass(frozen=True)
class Signals:
    """Signals in order, the latest raised first, and by what they were judged."""

    signals: tuple[SignalView, ...]
    epoch: EpochView | None
    as_of: datetime


def evidence_at(
    session: Session,
    plant: PlantView,
    places: Directory,
    now: datetime,
    as_of: datetime | None,
    machine_ids: Collection[uuid.UUID] | None = None,
) -> Evidence | None:
    """All that signals rest on; None where no strokes are on record. A fixed number of statements.

    Args:
        session: an open session.
        plant, places: as read.
        now: the instant up to which is watched.
        as_of: only what was known by then; None: all that is known.
        machine_ids: only of these machines; None: of all.
    """
    first = first_reading(session)
    if first is None or first >= now:
        return None
    start = start_of_day(day_of(first, plant.zone) + timedelta(days=1), plant.zone)
    if start >= now:
        return None
    hourly = hourly_strokes(session, start, now, as_of, machine_ids)
    latest = [one.read_at for one in last_reading(session, None, as_of).values()]
    machines = places.bodymakers
    edges = hourly.starts.astype(np.float64) / 1e6
    nothing = np.full(len(edges) - 1, np.nan)
    strokes = tuple(
        MachineStrokes.of(edges, hourly.strokes.get(machine.id, nothing)) for machine in machines
    )
    asked = EntryFilter(
        start=start,
        end=now,
        machine_ids=None if machine_ids is None else tuple(machine_ids),
        as_of=as_of,
    )
    found = occurrences(session, asked)
    defects = tuple(one.defect for one in vocabulary(session))
    machine_places = {machine.id: place for place, machine in enumerate(machines)}
    defect_places = {defect: place for place, defect in enumerate(defects)}
    begins = np.array([np.inf if one is None else one.edges[0] for one in strokes])
    log = Log(
        np.array([machine_places.get(one, -1) for one in found.machine_ids], dtype=np.intp),
        np.array([defect_places[one] for one in found.defects], dtype=np.intp),
        *(found.occurred_at, found.logged_at, found.counted),
    )
    known = log.machine >= 0
    known[known] &= log.at[known] >= begins[log.machine[known]]
    return Evidence(
        *(len(machines), defects, log.only(known), strokes),
        *(_midnights(start, now, plant), now.timestamp(), max(latest).timestamp()),
        _frozen(session, as_of, machine_places, defect_places),
    )


def _frozen(
    session: Session,
    as_of: datetime | None,
    machines: dict[uuid.UUID, int],
    defects: dict[str, int],
) -> tuple[Frozen, ...]:
    """Baselines that people chose for a machine and one kind of defect. One statement."""
    wanted = select(FrozenBaseline).where(
        FrozenBaseline.machine_id.is_not(None),
        FrozenBaseline.evidence == SeriesEvidence.PRODUCTION.value,
    )
    if as_of is not None:
        wanted = wanted.where(FrozenBaseline.frozen_at <= as_of)
    ordered = wanted.order_by(FrozenBaseline.frozen_at, FrozenBaseline.id)
    found = []
    for row in session.execute(ordered).scalars():
        if row.machine_id not in machines or row.of not in defects:
            continue
        period = None
        if row.starts_at is not None and row.ends_at is not None:
            period = row.starts_at.timestamp(), row.ends_at.timestamp()
        place = machines[row.machine_id], defects[row.of]
        found.append(Frozen(row.frozen_at.timestamp(), *place, period))
    return tuple(found)


def _midnights(start: datetime, end: datetime, plant: PlantView) -> FloatArray:
    day, found = day_of(start, plant.zone), list[float]()
    moment = start
    while moment <= end:
        found.append(moment.timestamp())
        day += timedelta(days=1)
        moment = start_of_day(day, plant.zone)
    return np.array(found)


def budgets(session: Session, as_of: datetime | None = None) -> list[Budget]:
    """Budgets in the order in which they were set. One statement."""
    wanted = select(SignalBudget.set_at, SignalBudget.false_signals_a_week)
    if as_of is not None:
        wanted = wanted.where(SignalBudget.set_at <= as_of)
    rows = session.execute(wanted.order_by(SignalBudget.set_at, SignalBudget.id))
    return [Budget(row.set_at.timestamp(), row.false_signals_a_week) for row in rows]


def signals_then(session: Session, plant: PlantView, places: Directory, at: datetime) -> Signals:
    """Signals exactly as they would have been given at an instant.

    Worked out anew from what was known by then; nothing that is kept is used.
    """
    evidence = evidence_at(session, plant, places, at, at)
    replayed = Replayed() if evidence is None else replay(evidence, budgets(session, at))
    defects = () if evidence is None else evidence.defects
    return as_views(replayed, places, defects, at, _decisions(session, at))


def as_views(
    replayed: Replayed,
    places: Directory,
    defects: Sequence[str],
    at: datetime,
    decisions: dict[tuple[uuid.UUID, str, str, datetime], DecisionView],
) -> Signals:
    """Signals that were worked out, with names and decisions."""
    machines = places.bodymakers
    views = []
    for one in replayed.signals:
        machine = machines[one.machine]
        defect = ANY_DEFECT if one.defect is None else defects[one.defect]
        views.append(_view(one, machine, defect, decisions))
    epoch = None
    if replayed.epochs:
        last = replayed.epochs[-1]
        epoch = EpochView(
            instant(last.starts_at), dict(last.thresholds), last.budget, last.learned.watched
        )
    return Signals(tuple(sorted(views, key=_latest_first)), epoch, at)


def _latest_first(one: SignalView) -> tuple[object, ...]:
    return (-one.raised_at.timestamp(), one.machine.line, one.machine.number, one.defect, one.kind)


def _view(
    one: FoundSignal,
    machine: MachineView,
    defect: str,
    decisions: dict[tuple[uuid.UUID, str, str, datetime], DecisionView],
) -> SignalView:
    raised_at = instant(one.raised_at)
    return SignalView(
        *(machine, defect, one.kind, raised_at),
        *(instant(one.since), instant(one.since_low), instant(one.since_high)),
        None if one.ended_at is None else instant(one.ended_at),
        *(one.ratio, one.score, one.threshold, PER * one.baseline),
        *(round(one.count), round(one.strokes)),
        decisions.get((machine.id, defect, one.kind.value, raised_at)),
    )


def instant(seconds: float) -> datetime:
    """The instant of so many seconds since 1970, to the second."""
    return datetime.fromtimestamp(round(seconds), UTC)


def _decisions(
    session: Session, as_of: datetime | None = None
) -> dict[tuple[uuid.UUID, str, str, datetime], DecisionView]:
    """The latest decision about each signal. One statement."""
    wanted = select(SignalDecision)
    if as_of is not None:
        wanted = wanted.where(SignalDecision.decided_at <= as_of)
    found = {}
    ordered = wanted.order_by(SignalDecision.decided_at, SignalDecision.id)
    for row in session.execute(ordered).scalars():
        view = DecisionView(
            *(Decision(row.decision), row.reason, row.decided_at, row.decided_by, row.case_id)
        )
        found[row.machine_id, row.defect, row.kind, row.raised_at] = view
    return found


def kept_signals(
    session: Session,
    places: Directory,
    machine_id: uuid.UUID | None = None,
    *,
    only_on: bool = False,
) -> list[SignalView]:
    """Signals as kept, the latest raised first. Two statements, one where there are none.

    Args:
        session: an open session.
        places: as read.
        machine_id: of one machine; None: of all.
        only_on: only those whose rate is not back.
    """
    wanted = select(Signal)
    if machine_id is not None:
        wanted = wanted.where(Signal.machine_id == machine_id)
    if only_on:
        wanted = wanted.where(Signal.ended_at.is_(None))
    rows = session.execute(wanted).scalars().all()
    decided = _decisions(session) if rows else {}
    found = []
    for row in rows:
        key = (row.machine_id, row.defect, row.kind, row.raised_at)
        found.append(
            SignalView(
                *(places.by_id[row.machine_id], row.defect, Kind(row.kind), row.raised_at),
                *(row.since, row.since_low, row.since_high, row.ended_at),
                *(row.ratio, row.score, row.threshold, row.baseline_per_million),
                *(row.count, row.strokes, decided.get(key)),
            )
        )
    return sorted(found, key=_latest_first)


def kept_epoch(session: Session) -> EpochView | None:
    """By what signals are judged now; None: nothing is watched yet. One statement."""
    rows = (
        session.execute(select(SignalEpoch).order_by(SignalEpoch.starts_at.desc()).limit(len(Kind)))
        .scalars()
        .all()
    )
    if not rows:
        return None
    latest = [row for row in rows if row.starts_at == rows[0].starts_at]
    return EpochView(
        rows[0].starts_at,
        {Kind(row.kind): row.threshold for row in latest},
        rows[0].false_signals_a_week,
        rows[0].series,
    )


def budget_now(session: Session) -> float:
    """False signals a week that the plant accepts. One statement."""
    set_ones = budgets(session)
    return set_ones[-1].a_week if set_ones else USUAL_BUDGET


def worked_out_until(session: Session) -> tuple[int, datetime] | None:
    """Up to which audit record, and when, signals were worked out last; None: never."""
    row = session.execute(
        select(SignalProgress.audit_sequence, SignalProgress.worked_out_at)
    ).one_or_none()
    return None if row is None else (row[0], row[1])


def last_record(session: Session) -> int:
    """Number of the last audit record; 0 without any. One statement."""
    found = session.execute(
        select(AuditRecord.sequence).order_by(AuditRecord.sequence.desc()).limit(1)
    ).scalar_one_or_none()
    return found or 0
