"""Reads of the plant: the plant itself, the directory of its machines, its shifts."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.db import read_once
from tracelog.errors import NoPlant, UnknownReference
from tracelog.facts import known_words
from tracelog.instants import zone_named
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, dome_code_of, parse_dome_code
from tracelog.plant.models import DomeCodeRow, Line, Machine, Plant, RotaDay, Shift
from tracelog.plant.rules import (
    CodedMachine,
    CodeOverride,
    ShiftNow,
    ShiftRota,
    ShiftRule,
    candidates,
    shift_at,
    shift_labels,
)

BODYMAKER = "bodymaker"


@dataclass(frozen=True)
class PlantView:
    """The plant's own settings.

    `transit_minutes` is shortest and longest way from bodymaker to palletiser, None if unknown.
    """

    id: uuid.UUID
    name: str
    zone: ZoneInfo
    transit_minutes: tuple[int, int] | None
    rota: ShiftRota

    def shift_at(self, moment: datetime) -> ShiftNow | None:
        """The shift that holds an instant."""
        return shift_at(self.rota, moment)


@dataclass(frozen=True)
class MachineView:
    """One machine as pages and answers name it."""

    id: uuid.UUID
    line_id: uuid.UUID
    line: int
    station: str
    number: int
    name: str | None
    counter_max: int | None
    rated_spm: float | None

    @property
    def text(self) -> str:
        """How a machine is named: a bodymaker by its dome code, others by line, station, number."""
        if self.station == BODYMAKER:
            return f"{self.line}-{self.number}"
        return f"{self.line} {self.station} {self.number}"


@dataclass(frozen=True)
class Directory:
    """All lines and machines with their ids, read once and asked often."""

    lines: dict[int, uuid.UUID]
    line_names: dict[int, str]
    machines: dict[tuple[int, str, int], MachineView]
    overrides: tuple[CodeOverride, ...] = field(default=())

    @cached_property
    def by_id(self) -> dict[uuid.UUID, MachineView]:
        """Machines by id."""
        return {machine.id: machine for machine in self.machines.values()}

    @cached_property
    def line_numbers(self) -> dict[uuid.UUID, int]:
        """Line numbers by the line's id."""
        return {line_id: line for line, line_id in self.lines.items()}

    @cached_property
    def bodymakers(self) -> tuple[MachineView, ...]:
        """Bodymakers in order of line and number."""
        chosen = [machine for machine in self.machines.values() if machine.station == BODYMAKER]
        return tuple(sorted(chosen, key=lambda machine: (machine.line, machine.number)))

    @cached_property
    def _coded(self) -> tuple[CodedMachine, ...]:
        return tuple(
            CodedMachine(machine.id, machine.line, machine.number) for machine in self.bodymakers
        )

    @cached_property
    def _by_code(self) -> dict[DomeCode, CodedMachine]:
        return {machine.default_code: machine for machine in self._coded}

    def line(self, line: int) -> uuid.UUID:
        """Id of a line.

        Raises:
            UnknownReference: the plant has no such line; at the field ``line``.
        """
        if line not in self.lines:
            raise UnknownReference(
                _(
                    "there is no line %(line)d; lines are %(known)s",
                    line=line,
                    known=known_words(sorted(self.lines)) or _("not entered yet"),
                ),
                "line",
            )
        return self.lines[line]

    def machine(self, line: int, station: str, number: int) -> MachineView:
        """A machine by its line, station and number.

        Raises:
            UnknownReference: at the field ``line``, ``station`` or ``number``; a bodymaker that
                is missing is told at the field ``bodymaker``.
        """
        self.line(line)
        found = self.machines.get((line, station, number))
        if found is not None:
            return found
        numbers = sorted(
            m.number for m in self.machines.values() if m.line == line and m.station == station
        )
        raise UnknownReference(
            _(
                "line %(line)d has no %(station)s %(number)d; it has %(known)s",
                line=line,
                station=station,
                number=number,
                known=known_words(numbers) if numbers else _("none"),
            ),
            BODYMAKER if station == BODYMAKER else "number",
        )

    def bodymaker(self, line: int, number: int) -> MachineView:
        """A bodymaker by line and number.

        Raises:
            UnknownReference: at the field ``line`` or ``bodymaker``.
        """
        return self.machine(line, BODYMAKER, number)

    def machine_named(self, text: str) -> MachineView:
        """A machine by its text: ``3-7`` or ``3 bodymaker 7``.

        Raises:
            UnknownReference: not a machine of this plant; at the field ``machine``.
        """
        words = text.split()
        try:
            if len(words) == 3 and words[0].isdecimal() and words[2].isdecimal():
                return self.machine(int(words[0]), words[1], int(words[2]))
            code = parse_dome_code(text)
            if code.is_complete:
                return self.bodymaker(int(code.line), int(code.number))
        except UnknownReference as problem:
            raise UnknownReference(problem.sentence, "machine") from None
        except ValueError:
            pass
        raise UnknownReference(
            _("'%(text)s' is not a machine; write 3-7 or 3 bodymaker 7", text=text[:40]), "machine"
        )

    def code_borne(self, machine: MachineView, moment: datetime) -> DomeCode:
        """The code that a bodymaker's cans bear at an instant: its own numbers unless recorded."""
        for override in self.overrides:
            if override.machine_id == machine.id and override.holds_at(moment):
                return override.code
        return dome_code_of(machine.line, machine.number)

    def candidates(self, read: DomeCode | None, moment: datetime) -> list[MachineView]:
        """Bodymakers whose cans can bear the code as read, at an instant."""
        coded: Iterable[CodedMachine] = self._coded
        if read is not None and read.is_complete:
            # By default it is the code of one machine, whatever others the plant has.
            own = self._by_code.get(read)
            coded = () if own is None else (own,)
        return [self.by_id[found] for found in candidates(read, moment, coded, self.overrides)]


def the_plant(session: Session) -> PlantView:
    """The plant of this database. Three statements, once in a snapshot.

    Raises:
        NoPlant: none has been imported yet.
    """
    return read_once(session, "plant", lambda: _the_plant(session))


def _the_plant(session: Session) -> PlantView:
    plant = session.execute(select(Plant).order_by(Plant.id).limit(1)).scalar_one_or_none()
    if plant is None:
        raise _no_plant()
    shifts = (
        session.execute(select(Shift).where(Shift.plant_id == plant.id).order_by(Shift.ordinal))
        .scalars()
        .all()
    )
    days = session.execute(
        select(RotaDay.day, RotaDay.shift_ordinal, RotaDay.crew)
        .where(RotaDay.plant_id == plant.id)
        .order_by(RotaDay.day)
    ).all()
    zone = zone_named(plant.time_zone)
    transit = None
    if plant.transit_min_minutes is not None and plant.transit_max_minutes is not None:
        transit = (plant.transit_min_minutes, plant.transit_max_minutes)
    return PlantView(plant.id, plant.name, zone, transit, _rota(zone, plant, shifts, days))


def _rota(
    zone: ZoneInfo, plant: Plant, shifts: Iterable[Shift], days: Iterable[tuple[int, int, str]]
) -> ShiftRota:
    shifts = list(shifts)
    labels = shift_labels([s.name for s in shifts], [s.rota_name for s in shifts])
    rules = [
        ShiftRule(shift.ordinal, label, shift.starts)
        for shift, label in zip(shifts, labels, strict=True)
    ]
    cycle: dict[int, dict[int, str]] = {}
    for day, ordinal, crew in days:
        cycle.setdefault(day, {})[ordinal] = crew
    return ShiftRota(
        zone,
        tuple(sorted(rules, key=lambda rule: rule.starts)),
        plant.rota_starts_on,
        tuple(cycle[day] for day in sorted(cycle)),
    )


def the_zone(session: Session) -> ZoneInfo:
    """The plant's zone alone, for writes, which read everything anew each time. One statement.

    Raises:
        NoPlant: none has been imported yet.
    """
    name = session.execute(select(Plant.time_zone).order_by(Plant.id).limit(1)).scalar()
    if name is None:
        raise _no_plant()
    return zone_named(name)


def _no_plant() -> NoPlant:
    return NoPlant(_("this database holds no plant yet; import a folder with a plant.toml"))


def directory(session: Session) -> Directory:
    """All lines, machines and recorded dome codes. Three statements, once in a snapshot."""
    return read_once(session, "directory", lambda: _directory(session))


def _directory(session: Session) -> Directory:
    lines = session.execute(select(Line.id, Line.line, Line.name).order_by(Line.line)).all()
    numbers = {row.id: row.line for row in lines}
    machines = [
        MachineView(
            row.id,
            row.line_id,
            numbers[row.line_id],
            row.station,
            row.number,
            row.name,
            row.counter_max,
            row.rated_spm,
        )
        for row in session.execute(
            select(
                Machine.id,
                Machine.line_id,
                Machine.station,
                Machine.number,
                Machine.name,
                Machine.counter_max,
                Machine.rated_spm,
            )
        )
    ]
    overrides = session.execute(
        select(
            DomeCodeRow.code, DomeCodeRow.machine_id, DomeCodeRow.valid_from, DomeCodeRow.valid_to
        ).order_by(DomeCodeRow.valid_from, DomeCodeRow.code)
    )
    return Directory(
        {row.line: row.id for row in lines},
        {row.line: row.name or _("Line %(line)d", line=row.line) for row in lines},
        {(machine.line, machine.station, machine.number): machine for machine in machines},
        tuple(
            CodeOverride(parse_dome_code(row.code), row.machine_id, row.valid_from, row.valid_to)
            for row in overrides
        ),
    )
