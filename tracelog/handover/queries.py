"""Reads of the handover: what a shift did, what stood out, what is carried over."""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracelog.errors import NotFound
from tracelog.handover.counting import (
    LineShift,
    defect_shifts,
    known_counts,
    line_shifts,
    shift_counts,
)
from tracelog.handover.facts import About
from tracelog.handover.models import HandoverNote, HandoverSettlement
from tracelog.handover.moved import Moved, moved
from tracelog.handover.rules import DefectShift, StandsOut, pressing, standing_out
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
from tracelog.strokes.queries import OpenQuestion, open_questions


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
    defects: tuple[DefectShift, ...]
    moved: Moved

    @property
    def watch(self) -> list[Note]:
        """What an earlier shift asked to be watched, and nobody has settled yet."""
        return [
            note
            for note in self.notes
            if note.about == About.WATCH.value
            and note.settled_at is None
            and note.written_at < self.shift.started_at
        ]

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
    known = known_counts(session, plant, shift.started_at, until, as_of)
    return ShiftPage(
        shift,
        until,
        tuple(line_shifts(machines, known)),
        tuple(standing_out(shift_counts(machines, known))),
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
        tuple(defect_shifts(known)),
        moved(session, machines, shift.started_at, until, known.usual_rates()),
    )


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
