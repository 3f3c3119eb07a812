"""Reads of the floor: every line and machine in one look, and one machine on one time axis."""

import uuid
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket as Buckets
from tracelog.defects.counts import ProductionCount, production_counts
from tracelog.defects.queries import EntryFilter, EntryView, entries
from tracelog.floor.rules import STANDSTILL, is_silent, reasons
from tracelog.plant.queries import Directory, MachineView, directory
from tracelog.plant.stays import ChangeMade, ToolStay, changes_between, tool_stays
from tracelog.service.queries import (
    ServiceDone,
    ServiceStanding,
    ToolStanding,
    service_standings,
    services_done,
    tool_standings,
)
from tracelog.strokes.queries import (
    Bucket,
    BucketStrokes,
    LastReading,
    OpenQuestion,
    Span,
    last_reading,
    open_questions,
    strokes_between,
    strokes_by_bucket,
    total_at,
)

RECENT = timedelta(hours=24)
MOST_ENTRIES = 300


@dataclass(frozen=True)
class FloorMachine:
    """One bodymaker on the floor. `standing` is the level furthest used up."""

    machine: MachineView
    standing: ServiceStanding | None
    strokes_recent: int
    entries_recent: int
    stopped: bool
    reasons: tuple[str, ...]

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
        return tuple(machine for machine in self.machines if machine.reasons)


def floor(session: Session, as_of: datetime) -> list[FloorLine]:
    """Every line with its bodymakers as they stand at an instant (UTC).

    A fixed number of statements.
    """
    plant = directory(session)
    furthest: dict[uuid.UUID, ServiceStanding] = {}
    for standing in service_standings(session, as_of):
        furthest.setdefault(standing.machine.id, standing)
    last = last_reading(session, as_of=as_of)
    questions = Counter(one.machine_id for one in open_questions(session, as_of=as_of))
    logged = production_counts(
        session,
        EntryFilter(start=as_of - RECENT, end=as_of + timedelta(microseconds=1), as_of=as_of),
        by=("machine",),
    )
    entries_by = {row.machine_id: row.entries for row in logged}
    machines = plant.bodymakers
    strokes = strokes_between(
        session, [Span(machine.id, as_of - RECENT, as_of) for machine in machines]
    )
    moved = strokes_between(
        session,
        [
            Span(machine.id, last[machine.id].read_at - STANDSTILL, last[machine.id].read_at)
            for machine in machines
            if machine.id in last
        ],
    )
    moving = dict(zip((one.id for one in machines if one.id in last), moved, strict=True))
    lines: dict[int, list[FloorMachine]] = {line: [] for line in plant.lines}
    for machine, recent in zip(machines, strokes, strict=True):
        read = last.get(machine.id)
        silent = is_silent(read.read_at if read else None, as_of)
        most_used = furthest.get(machine.id)
        lines[machine.line].append(
            FloorMachine(
                machine,
                most_used,
                recent,
                entries_by.get(machine.id, 0),
                moving.get(machine.id, 0) == 0,
                reasons(
                    most_used.share if most_used else None,
                    most_used.level.service if most_used else None,
                    questions[machine.id],
                    silent,
                ),
            )
        )
    return [FloorLine(line, plant.line_names[line], tuple(found)) for line, found in lines.items()]


@dataclass(frozen=True)
class MachineHistory:
    """One machine between two instants, all on one time axis."""

    machine: MachineView
    start: datetime
    end: datetime
    bucket: str
    strokes: tuple[BucketStrokes, ...]
    strokes_total: int
    last_reading: LastReading | None
    questions: tuple[OpenQuestion, ...]
    standings: tuple[ServiceStanding, ...]
    tools: tuple[ToolStanding, ...]
    stays: tuple[ToolStay, ...]
    services: tuple[ServiceDone, ...]
    changes: tuple[ChangeMade, ...]
    entries: tuple[EntryView, ...]
    entries_cut: bool
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
    bucket: Bucket = "hour" if days <= 8 else "day"
    asked = EntryFilter(
        start=start,
        end=as_of + timedelta(microseconds=1),
        machine_ids=(machine.id,),
        as_of=as_of,
    )
    found = entries(session, asked, limit=MOST_ENTRIES + 1).rows
    last = last_reading(session, [machine.id], as_of=as_of)
    return MachineHistory(
        machine,
        start,
        as_of,
        bucket,
        tuple(strokes_by_bucket(session, [machine.id], start, as_of, bucket)),
        total_at(session, [machine.id], as_of).get(machine.id, 0),
        last.get(machine.id),
        tuple(open_questions(session, machine.id, as_of=as_of)),
        tuple(service_standings(session, as_of, machine.id)),
        tuple(sorted(tool_standings(session, as_of, machine.id), key=lambda one: one.position)),
        tuple(tool_stays(session, start, as_of, machine_ids=[machine.id], as_of=as_of)),
        tuple(services_done(session, as_of, since=start, machine_id=machine.id, plant=plant)),
        tuple(
            changes_between(session, start, as_of, line_id=machine.line_id, machine_id=machine.id)
        ),
        tuple(found[:MOST_ENTRIES]),
        len(found) > MOST_ENTRIES,
        tuple(production_counts(session, asked, by=("bucket",), bucket=Buckets(bucket))),
    )
