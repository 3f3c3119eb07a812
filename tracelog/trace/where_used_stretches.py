"""Where and when a tool, a coil, a machine, a crew or a change touched bodymakers."""

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.defects.queries import first_and_last
from tracelog.errors import NotFound, UnknownReference
from tracelog.facts import known_words
from tracelog.instants import EARLIEST, parse_instant, write_instant
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, PlantView
from tracelog.plant.rules import ShiftNow, shifts_between
from tracelog.plant.stays import ChangeMade, ToolStay, changes_between, coil_stays, tool_stays
from tracelog.strokes.queries import first_reading
from tracelog.trace.rules import CUP_CONVEYOR

KINDS = ("tool", "coil", "machine", "crew", "change")
_INSTANT = timedelta(microseconds=1)


@dataclass(frozen=True)
class Touch:
    """A stretch of a machine's time that the subject touched.

    Entries count up to `last_can_at`, which may be later than `end`: cups still wait on the
    conveyor when their coil is off. `shift` is set for a crew.
    """

    machine: MachineView
    position: str
    start: datetime
    end: datetime
    last_can_at: datetime
    is_open: bool
    shift: ShiftNow | None = None

    @property
    def hours(self) -> float:
        """How long it is."""
        return (self.end - self.start) / timedelta(hours=1)


@dataclass(frozen=True)
class Asked:
    """What is asked for: a subject between two instants, as it was known at a third (UTC)."""

    kind: str
    name: str
    start: datetime
    end: datetime
    as_of: datetime


@dataclass(frozen=True)
class Touched:
    """The stretches of a subject by time, and all stays of a tool that was asked for."""

    stretches: tuple[Touch, ...]
    stays: tuple[ToolStay, ...] = ()


def touched(session: Session, asked: Asked, plant: PlantView, machines: Directory) -> Touched:
    """The stretches in which a subject touched bodymakers.

    A fixed number of statements for each kind.

    Raises:
        NotFound: no such tool, coil, crew or change touched anything then.
        UnknownReference: no such machine; at the field ``machine``.
    """
    stays: tuple[ToolStay, ...] = ()
    if asked.kind == "machine":
        machine = machines.machine_named(asked.name)
        found = [_clipped(machine, "", asked.start, asked.end, asked)]
    elif asked.kind == "tool":
        stays = tuple(
            tool_stays(session, EARLIEST, asked.as_of, serials=[asked.name], as_of=asked.as_of)
        )
        found = _of_tool(stays, asked, machines)
    elif asked.kind == "coil":
        found = _of_coil(session, asked, machines)
    elif asked.kind == "crew":
        found = _of_crew(session, asked, plant, machines)
    else:
        found = _of_change(session, asked, plant, machines)
    if not found:
        raise NotFound(
            _("%(kind)s '%(name)s' was not in use in that time", kind=asked.kind, name=asked.name),
            asked.kind,
        )
    return Touched(tuple(found), stays)


def _clipped(
    machine: MachineView,
    position: str,
    begun_at: datetime,
    ended_at: datetime | None,
    asked: Asked,
    lag: timedelta = timedelta(0),
) -> Touch:
    first, last = max(begun_at, asked.start), min(ended_at or asked.end, asked.end)
    last_can_at = min(last + lag, max(asked.end, last))
    return Touch(machine, position, first, last, last_can_at, is_open=ended_at is None)


def _of_tool(stays: Iterable[ToolStay], asked: Asked, machines: Directory) -> list[Touch]:
    return [
        _clipped(
            machines.by_id[stay.machine_id], stay.position, stay.fitted_at, stay.removed_at, asked
        )
        for stay in stays
        if stay.fitted_at <= asked.end
        and (stay.removed_at is None or stay.removed_at >= asked.start)
    ]


def _of_coil(session: Session, asked: Asked, machines: Directory) -> list[Touch]:
    runs = coil_stays(session, asked.start, asked.end, coil=asked.name, as_of=asked.as_of)
    return [
        _clipped(machine, "", run.started_at, run.ended_at, asked, lag=CUP_CONVEYOR)
        for run in runs
        for machine in _bodymakers(machines, run.line_id)
    ]


def _bodymakers(machines: Directory, line_id: uuid.UUID) -> list[MachineView]:
    return [machine for machine in machines.bodymakers if machine.line_id == line_id]


def _of_crew(session: Session, asked: Asked, plant: PlantView, machines: Directory) -> list[Touch]:
    crews = sorted({crew for day in plant.rota.crews for crew in day.values()})
    if asked.name not in crews:
        raise NotFound(
            _(
                "there is no crew '%(name)s' in the rota; crews are %(known)s",
                name=asked.name,
                known=known_words(crews) or _("not entered yet"),
            ),
            "crew",
        )
    # Shifts go back for ever; what was made does not.
    logged, read_at = first_and_last(session), first_reading(session)
    begun = min((one for one in (logged and logged[0], read_at) if one), default=asked.end)
    shifts = shifts_between(plant.rota, max(asked.start, begun), asked.end)
    return [
        Touch(machine, "", start, end, end, is_open=False, shift=shift)
        for shift in shifts
        if shift.crew == asked.name
        for start, end in [(max(shift.started_at, asked.start), min(shift.ended_at, asked.end))]
        if start < end
        for machine in machines.bodymakers
    ]


def change_name(change: ChangeMade, machines: Directory) -> str:
    """How a change is named, such as ``coolant @ 3-7 @ 2026-03-01T06:00:00Z``.

    Of a whole line its number stands in the middle.
    """
    place = str(machines.line_numbers[change.line_id])
    if change.machine_id is not None:
        place = machines.by_id[change.machine_id].text
    return f"{change.kind} @ {place} @ {write_instant(change.at)}"


def _of_change(
    session: Session, asked: Asked, plant: PlantView, machines: Directory
) -> list[Touch]:
    change = _change_named(session, asked, plant, machines)
    later = changes_between(
        session, change.at + _INSTANT, asked.as_of, line_id=change.line_id, kind=change.kind
    )
    mine = _bodymakers(machines, change.line_id)
    if change.machine_id is not None:
        mine = [machines.by_id[change.machine_id]]
    found = []
    for machine in mine:
        ended_at = _superseded_at(later, machine)
        if change.at < asked.end and (ended_at is None or ended_at > asked.start):
            found.append(_clipped(machine, "", change.at, ended_at, asked))
    return found


def _superseded_at(later: Sequence[ChangeMade], machine: MachineView) -> datetime | None:
    """When the next change of the kind touched a machine: its own, or one of its whole line."""
    moments = [one.at for one in later if one.machine_id in (None, machine.id)]
    return min(moments, default=None)


def _change_named(
    session: Session, asked: Asked, plant: PlantView, machines: Directory
) -> ChangeMade:
    """The change that a name means.

    Raises:
        NotFound: there is none; at the field ``change``.
    """
    how = _("write it as kind @ 3-7 @ instant, and for a whole line as kind @ 3 @ instant")
    parts = [part.strip() for part in asked.name.rsplit("@", 2)]
    try:
        kind, place, moment = parts
        at = parse_instant(moment, plant.zone)
        line_id, machine_id = _place(place, machines)
    except (ValueError, UnknownReference) as problem:
        raise NotFound(
            _("'%(name)s' names no change; %(how)s", name=asked.name[:80], how=how), "change"
        ) from problem
    for one in changes_between(session, at, min(at, asked.as_of), line_id=line_id, kind=kind):
        if one.machine_id == machine_id:
            return one
    raise NotFound(
        _("no change '%(name)s' is on record; %(how)s", name=asked.name[:80], how=how), "change"
    )


def _place(text: str, machines: Directory) -> tuple[uuid.UUID, uuid.UUID | None]:
    number = text.removeprefix("line ")
    if number.isdecimal():
        return machines.line(int(number)), None
    machine = machines.machine_named(text)
    return machine.line_id, machine.id
