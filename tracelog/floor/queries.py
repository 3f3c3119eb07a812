"""Reads of the floor: every line and machine in one look, and one machine on one time axis."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.buckets import Bucket
from tracelog.defects.counts import ProductionCount, production_counts
from tracelog.defects.queries import EntryFilter, EntryView, entries
from tracelog.floor.rules import STANDSTILL, reasons
from tracelog.instants import EARLIEST
from tracelog.plant.queries import (
    BODYMAKER,
    Directory,
    MachineView,
    PlantView,
    directory,
    the_plant,
)
from tracelog.plant.stays import ChangeMade, ToolStay, changes_between, tool_stays
from tracelog.service.queries import (
    ServiceDone,
    ServiceStanding,
    service_standings,
    services_done,
)
from tracelog.service.tool_standings import ToolStanding, tool_standings
from tracelog.strokes.queries import (
    BucketStrokes,
    LastReading,
    OpenQuestion,
    Span,
    last_reading,
    open_questions,
    strokes_between,
    strokes_by_bucket,
)
from tracelog.strokes.questions import silences
from tracelog.trends.models import SignalProgress
from tracelog.trends.signals.queries import SignalView, kept_signals, signals_then
from tracelog.trends.signals.wording import short

RECENT = timedelta(hours=24)
MOST_ENTRIES = 300


@dataclass(frozen=True)
class FloorMachine:
    """One bodymaker on the floor.

    `standing` is the level furthest used up; `asks_counter`: something is open about its counter;
    `signals` are those that are on.
    """

    machine: MachineView
    standing: ServiceStanding | None
    strokes_recent: int
    entries_recent: int
    stopped: bool
    reasons: tuple[str, ...]
    asks_counter: bool
    signals: tuple[SignalView, ...]

    @property
    def signals_say(self) -> tuple[str, ...]:
        """The signals that are on, in a few words."""
        return tuple(short(one) for one in self.signals)

    @property
    def share(self) -> float | None:
        """Used share of the interval furthest used up."""
        return self.standing.share if self.standing else None


@dataclass(frozen=True)
class FloorLine:
    """One line: its machines in order of their numbers."""

    line: int
    name: str
    machines: tuple[FloorMachine, ...]

    @property
    def strokes_recent(self) -> int:
        """Strokes of the last 24 hours."""
        return sum(machine.strokes_recent for machine in self.machines)

    @property
    def entries_recent(self) -> int:
        """Entries of the last 24 hours."""
        return sum(machine.entries_recent for machine in self.machines)

    @property
    def needing(self) -> tuple[FloorMachine, ...]:
        """Machines that need somebody."""
        return tuple(one for one in self.machines if one.reasons or one.signals)


def open_signals(
    session: Session, plant: PlantView, as_of: datetime | None
) -> dict[uuid.UUID, tuple[SignalView, ...]]:
    """Signals that are on and not dismissed, by machine, the latest first.

    Args:
        session: an open session.
        plant: as read.
        as_of: as they would have been given then, which is worked out anew; None: as kept.
    """
    places = directory(session)
    if as_of is None:
        every: Sequence[SignalView] = kept_signals(session, places, only_on=True)
    else:
        every = signals_then(session, plant, places, as_of).signals
    found: dict[uuid.UUID, list[SignalView]] = defaultdict(list)
    for one in every:
        if one.is_open:
            found[one.machine.id].append(one)
    return {machine: tuple(own) for machine, own in found.items()}


_VERSION = (
    select(
        AuditRecord.sequence,
        AuditRecord.hash,
        select(SignalProgress.audit_sequence).scalar_subquery(),
        select(SignalProgress.worked_out_at).scalar_subquery(),
    )
    .order_by(AuditRecord.sequence.desc())
    .limit(1)
)


def floor_version(session: Session) -> tuple[Any, ...]:
    """What the floor as it stands was read from; equal ones show the same. One statement.

    Every fact leaves an audit record in its own transaction, and what is derived from facts is
    derived there; only signals follow later, and their progress says how far.
    """
    row = session.execute(_VERSION).first()
    return tuple(row) if row else ()


def floor(session: Session, as_of: datetime) -> list[FloorLine]:
    """Every line with its bodymakers as they stand at an instant (UTC).

    A fixed number of statements.
    """
    plant = directory(session)
    standings: dict[uuid.UUID, list[ServiceStanding]] = defaultdict(list)
    for standing in service_standings(session, as_of, ahead=False):
        standings[standing.machine.id].append(standing)
    last = last_reading(session, as_of=as_of)
    questions: dict[uuid.UUID, list[OpenQuestion]] = defaultdict(list)
    for question in open_questions(session, as_of=as_of):
        questions[question.machine_id].append(question)
    logged = production_counts(
        session,
        EntryFilter(start=as_of - RECENT, end=as_of + timedelta(microseconds=1), as_of=as_of),
        by=("machine",),
    )
    silent = silences(session, as_of)
    signals = open_signals(session, the_plant(session), None)
    entries_by = {row.machine_id: row.entries for row in logged}
    machines = plant.bodymakers
    made = _strokes(session, machines, RECENT, last, as_of)
    lines: dict[int, list[FloorMachine]] = {line: [] for line in plant.lines}
    for machine in machines:
        recent, before_last = made[machine.id]
        own, asked = standings[machine.id], questions[machine.id]
        lines[machine.line].append(
            FloorMachine(
                machine,
                own[0] if own else None,
                recent,
                entries_by.get(machine.id, 0),
                before_last == 0,
                _needs(own, asked, machine.id in silent),
                bool(asked) or machine.id in silent,
                signals.get(machine.id, ()),
            )
        )
    return [FloorLine(line, plant.line_names[line], tuple(found)) for line, found in lines.items()]


def _needs(
    standings: Sequence[ServiceStanding], questions: Sequence[OpenQuestion], silent: bool
) -> tuple[str, ...]:
    overdue = [one.level.service for one in standings if one.is_overdue]
    return reasons(overdue, len(questions), silent)


def _strokes(
    session: Session,
    machines: Sequence[MachineView],
    recent: timedelta,
    last: Mapping[uuid.UUID, LastReading],
    as_of: datetime,
) -> dict[uuid.UUID, tuple[int, int]]:
    """Strokes of each machine in the recent time, and in the standstill before its last reading."""
    spans = []
    for machine in machines:
        read_at = last[machine.id].read_at if machine.id in last else as_of
        spans.append(Span(machine.id, as_of - recent, as_of))
        spans.append(Span(machine.id, read_at - STANDSTILL, read_at))
    counted = iter(strokes_between(session, spans, as_of))
    return {machine.id: (next(counted), next(counted)) for machine in machines}


@dataclass(frozen=True)
class MachineHistory:
    """One machine between two instants, all on one time axis.

    `reasons` say why it needs somebody, `stopped` that it stands, `is_silent` that its counter says
    nothing for longer than usual; all only of bodymakers. `signals` are those raised in the period.
    """

    machine: MachineView
    start: datetime
    end: datetime
    bucket: Bucket
    strokes: tuple[BucketStrokes, ...]
    strokes_total: int
    last_reading: LastReading | None
    stopped: bool
    reasons: tuple[str, ...]
    is_silent: bool
    questions: tuple[OpenQuestion, ...]
    standings: tuple[ServiceStanding, ...]
    tools: tuple[ToolStanding, ...]
    stays: tuple[ToolStay, ...]
    services: tuple[ServiceDone, ...]
    changes: tuple[ChangeMade, ...]
    entries: tuple[EntryView, ...]
    entries_cut: bool
    signals: tuple[SignalView, ...]
    logged: tuple[ProductionCount, ...]


def machine_history(
    session: Session, machine: MachineView, days: int, as_of: datetime, plant: Directory
) -> MachineHistory:
    """One machine's recent life: strokes, services, tools, changes and entries.

    Args:
        session: an open session.
        machine: which one.
        days: how far back.
        as_of: UTC; the axis ends there.
        plant: the directory.

    Returns:
        A fixed number of statements; at most 300 entries, the newest.
    """
    start = as_of - timedelta(days=days)
    bucket = Bucket.HOUR if days <= 8 else Bucket.DAY
    asked = EntryFilter(
        start=start,
        end=as_of + timedelta(microseconds=1),
        machine_ids=(machine.id,),
        as_of=as_of,
    )
    found = entries(session, asked, limit=MOST_ENTRIES + 1).rows
    last = last_reading(session, [machine.id], as_of=as_of)
    total, before_last = _strokes(session, [machine], as_of - EARLIEST, last, as_of)[machine.id]
    read = last.get(machine.id)
    questions = tuple(open_questions(session, machine.id, as_of=as_of))
    standings = tuple(service_standings(session, as_of, machine.id))
    counted = machine.station == BODYMAKER
    silent = counted and machine.id in silences(session, as_of, machine.id)
    return MachineHistory(
        machine,
        start,
        as_of,
        bucket,
        tuple(strokes_by_bucket(session, [machine.id], start, as_of, bucket, as_of=as_of)),
        total,
        read,
        counted and before_last == 0,
        _needs(standings, questions, silent) if counted else (),
        silent,
        questions,
        standings,
        tuple(sorted(tool_standings(session, as_of, machine.id), key=lambda one: one.position)),
        tuple(tool_stays(session, start, as_of, machine_ids=[machine.id], as_of=as_of)),
        tuple(services_done(session, as_of, since=start, machine_id=machine.id, plant=plant)),
        tuple(
            changes_between(session, start, as_of, line_id=machine.line_id, machine_id=machine.id)
        ),
        tuple(found[:MOST_ENTRIES]),
        len(found) > MOST_ENTRIES,
        tuple(one for one in kept_signals(session, plant, machine.id) if one.raised_at >= start),
        tuple(production_counts(session, asked, by=("bucket",), bucket=bucket)),
    )
