"""Reads of the handover: what a shift did, what stood out, what is carried over."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracelog.defects.counts import production_counts
from tracelog.defects.queries import MOST_ENTRIES, EntryFilter, EntryView, entries
from tracelog.errors import NotFound
from tracelog.handover.models import HandoverNote, HandoverSettlement
from tracelog.handover.rules import ShiftCount, StandsOut, per_hour, pressing, standing_out
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, PlantView, directory
from tracelog.plant.rules import ShiftNow
from tracelog.plant.stays import (
    ChangeMade,
    CoilStay,
    ToolStay,
    changes_between,
    coil_stays,
    tool_stays,
)
from tracelog.service.queries import ServiceDone, services_done
from tracelog.strokes.queries import (
    MachineSpan,
    OpenQuestion,
    machine_span,
    open_questions,
    strokes_by_machine,
)

BEFORE = timedelta(days=28)


@dataclass(frozen=True)
class LineShift:
    """One line in a shift: strokes and entries, and strokes per hour against the 28 days before.

    `read_until` is when one of its counters was read last in the shift: strokes are known until
    then, and strokes per hour are of the time that is known. None: none was read yet.
    """

    line: int
    name: str
    strokes: int
    read_until: datetime | None
    strokes_per_hour: float
    usual_per_hour: float
    entries: int
    cans: int


@dataclass(frozen=True)
class Note:
    """Something written down for the next shift; `settled_at` None: still carried over."""

    id: uuid.UUID
    line: int | None
    about: str
    text: str
    written_at: datetime
    written_by: str
    settled_at: datetime | None
    settled_by: str | None
    reason: str | None


@dataclass(frozen=True)
class ShiftPage:
    """Everything about one shift, from facts and from what was written down."""

    shift: ShiftNow
    until: datetime
    lines: tuple[LineShift, ...]
    standing_out: tuple[StandsOut, ...]
    services: tuple[ServiceDone, ...]
    tools_in: tuple[tuple[MachineView, ToolStay], ...]
    changes: tuple[tuple[str, ChangeMade], ...]
    coils: tuple[tuple[int, CoilStay], ...]
    questions: tuple[tuple[MachineView, OpenQuestion], ...]
    notes: tuple[Note, ...]

    @property
    def is_silent(self) -> bool:
        """Whether nothing was logged in it."""
        return not any(one.entries for one in self.lines)

    @property
    def earlier(self) -> datetime:
        """An instant of the shift before."""
        return self.shift.started_at - timedelta(minutes=1)

    @property
    def later(self) -> datetime | None:
        """An instant of the shift after, None if it has not begun."""
        return self.shift.ended_at if self.until == self.shift.ended_at else None


def shift_page(session: Session, plant: PlantView, moment: datetime, as_of: datetime) -> ShiftPage:
    """The shift that holds an instant, as far as it has gone.

    Args:
        session: an open session.
        plant: for its shifts.
        moment: UTC.
        as_of: UTC; only what was known by then.

    Returns:
        A fixed number of statements.

    Raises:
        NotFound: the plant has no shifts.
    """
    shift = plant.shift_at(moment)
    if shift is None:
        raise NotFound(_("the plant has no shifts yet; give them in plant.toml"))
    until = min(shift.ended_at, as_of)
    machines = directory(session)
    known = _known_counts(session, shift.started_at, until, as_of)
    return ShiftPage(
        shift,
        until,
        tuple(_lines(machines, known)),
        tuple(standing_out(_shift_counts(machines, known))),
        tuple(
            one
            for one in services_done(session, until, since=shift.started_at, plant=machines)
            if one.done_at < shift.ended_at
        ),
        tuple(
            (machines.by_id[stay.machine_id], stay)
            for stay in tool_stays(session, shift.started_at, until, as_of=as_of)
            if shift.started_at <= stay.fitted_at < until
        ),
        tuple(
            (_place(machines, change), change)
            for change in changes_between(session, shift.started_at, until)
            if change.at < shift.ended_at
        ),
        tuple(
            sorted(
                (
                    (machines.line_numbers[run.line_id], run)
                    for run in coil_stays(session, until, until, as_of=as_of)
                    if run.started_at < until
                ),
                key=lambda one: one[0],
            )
        ),
        tuple(
            (machines.by_id[question.machine_id], question)
            for question in open_questions(session, as_of=until)
        ),
        tuple(notes(session, machines, shift.started_at, until)),
    )


@dataclass(frozen=True)
class _Known:
    """Strokes and entries of the shift [start, until), and of the 28 days before it."""

    start: datetime
    until: datetime
    strokes: Mapping[uuid.UUID, int]
    strokes_before: Mapping[uuid.UUID, int]
    spans: Mapping[uuid.UUID, MachineSpan]
    entries: Sequence[EntryView]
    happenings_before: Mapping[uuid.UUID, int]

    def read_until(self, machine_id: uuid.UUID) -> datetime | None:
        """Until when a machine's counter is known, None if not within the shift."""
        span = self.spans.get(machine_id)
        if span is None or span.last_at <= self.start:
            return None
        return min(span.last_at, self.until)


def _known_counts(session: Session, start: datetime, until: datetime, as_of: datetime) -> _Known:
    earlier = EntryFilter(start=start - BEFORE, end=start, as_of=as_of)
    happenings: dict[uuid.UUID, int] = {}
    for row in production_counts(session, earlier, by=("machine",)):
        if row.machine_id is not None:
            happenings[row.machine_id] = row.counted_occurrences
    in_shift = EntryFilter(start=start, end=until, as_of=as_of)
    return _Known(
        start,
        until,
        strokes_by_machine(session, start, until, as_of=as_of),
        strokes_by_machine(session, start - BEFORE, start, as_of=as_of),
        machine_span(session, as_of=as_of),
        entries(session, in_shift, MOST_ENTRIES).rows,
        happenings,
    )


def _shift_counts(machines: Directory, known: _Known) -> list[ShiftCount]:
    """What is compared: only happenings for which the strokes are known too."""
    happenings: dict[uuid.UUID, int] = {}
    for entry in known.entries:
        if entry.machine is not None and entry.inspected is None:
            read_until = known.read_until(entry.machine.id)
            if read_until is not None and entry.occurred_at < read_until:
                counted = happenings.get(entry.machine.id, 0) + entry.counted_occurrences
                happenings[entry.machine.id] = counted
    return [
        ShiftCount(
            machine.text,
            happenings.get(machine.id, 0),
            known.strokes.get(machine.id, 0),
            known.happenings_before.get(machine.id, 0),
            known.strokes_before.get(machine.id, 0),
        )
        for machine in machines.bodymakers
    ]


def _lines(machines: Directory, known: _Known) -> list[LineShift]:
    found = []
    for line in machines.lines:
        ids = [machine.id for machine in machines.bodymakers if machine.line == line]
        logged = [entry for entry in known.entries if entry.line == line]
        reads = [moment for moment in map(known.read_until, ids) if moment is not None]
        spans = [(one, known.spans[one]) for one in ids if one in known.spans]
        shift = [(known.strokes[one], _part(span, known.start, known.until)) for one, span in spans]
        usual = [
            (known.strokes_before[one], _part(span, known.start - BEFORE, known.start))
            for one, span in spans
        ]
        found.append(
            LineShift(
                line,
                machines.line_names[line],
                sum(known.strokes.get(one, 0) for one in ids),
                max(reads, default=None),
                per_hour(shift),
                per_hour(usual),
                len(logged),
                sum(entry.cans for entry in logged),
            )
        )
    return found


def _part(span: MachineSpan, start: datetime, end: datetime) -> float:
    """Hours of [start, end) for which a counter is known."""
    return (min(span.last_at, end) - max(span.first_at, start)) / timedelta(hours=1)


def _place(machines: Directory, change: ChangeMade) -> str:
    if change.machine_id is not None:
        return machines.by_id[change.machine_id].text
    return machines.line_names[machines.line_numbers[change.line_id]]


def notes(session: Session, machines: Directory, since: datetime, until: datetime) -> list[Note]:
    """Notes that were carried over when the shift began, or were written in it. One statement.

    What is open comes first, the most pressing before the latest; those settled by `until` say so.
    """
    rows = session.execute(
        select(HandoverNote, HandoverSettlement)
        .outerjoin(HandoverSettlement, HandoverSettlement.note_id == HandoverNote.id)
        .where(
            HandoverNote.written_at <= until,
            or_(HandoverSettlement.note_id.is_(None), HandoverSettlement.settled_at >= since),
        )
        .order_by(HandoverNote.written_at.desc(), HandoverNote.id.desc())
    )
    found = [_note(machines, note, settlement, until) for note, settlement in rows]
    return sorted(found, key=lambda one: (one.settled_at is not None, pressing(one.about)))


def _note(
    machines: Directory,
    note: HandoverNote,
    settlement: HandoverSettlement | None,
    until: datetime,
) -> Note:
    settled = settlement if settlement is not None and settlement.settled_at <= until else None
    return Note(
        note.id,
        machines.line_numbers[note.line_id] if note.line_id else None,
        note.about,
        note.text,
        note.written_at,
        note.written_by,
        settled.settled_at if settled else None,
        settled.settled_by if settled else None,
        settled.reason if settled else None,
    )
