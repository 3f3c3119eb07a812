"""Decisions about the plant that need no database: shifts and crews, dome codes, names."""

import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from tracelog.plant.dome_code import DomeCode, dome_code_of


@dataclass(frozen=True)
class ShiftRule:
    """One shift: what it is called, and when it starts on the plant's clock."""

    ordinal: int
    label: str
    starts: time


@dataclass(frozen=True)
class ShiftRota:
    """The plant's shifts and who works them.

    Attributes:
        zone: the plant's zone.
        shifts: in order of their start on the clock.
        starts_on: first day of the cycle.
        crews: for each day of the cycle, crew by shift ordinal.
    """

    zone: ZoneInfo
    shifts: tuple[ShiftRule, ...]
    starts_on: date | None
    crews: tuple[dict[int, str], ...]


@dataclass(frozen=True)
class ShiftNow:
    """The shift that holds an instant.

    Attributes:
        shift: its label.
        crew: who works it, None without a rota.
        day: calendar day on which it starts; a night shift belongs to the day it starts.
        started_at, ended_at: UTC; 11 or 13 hours apart when the clock changes in between.
    """

    shift: str
    crew: str | None
    day: date
    started_at: datetime
    ended_at: datetime


def shift_labels(names: Sequence[str], rota_names: Sequence[str | None]) -> list[str]:
    """What to call each shift: its name, or the rota's word where names do not tell them apart."""
    if len(set(names)) == len(names):
        return list(names)
    return [
        rota or f"{name} {ordinal + 1}"
        for ordinal, (name, rota) in enumerate(zip(names, rota_names, strict=True))
    ]


def rota_by_position(names: Sequence[str], words: Sequence[str]) -> list[str]:
    """The rota's word for each shift.

    Args:
        names: names of the shifts, in order; they may be equal.
        words: the words by which the rota calls them, in order, as many and all different.

    Returns:
        For each shift its own name where the rota uses it, and else the next word left over.
    """
    own = [name if name in words and names.count(name) == 1 else None for name in names]
    left_over = iter(word for word in words if word not in own)
    return [next(left_over) if word is None else word for word in own]


def shift_at(rota: ShiftRota, moment: datetime) -> ShiftNow | None:
    """The shift that holds `moment`, None where the plant has no shifts.

    Args:
        rota: the plant's shifts.
        moment: an instant with an offset.
    """
    if not rota.shifts:
        return None
    day = moment.astimezone(rota.zone).date()
    for back in (0, 1):
        for shift in reversed(rota.shifts):
            started_at = _starts(rota.zone, day - timedelta(days=back), shift)
            if started_at <= moment:
                return _shift_from(rota, day - timedelta(days=back), shift)
    raise AssertionError("a day has at least one shift")


def shifts_between(rota: ShiftRota, start: datetime, end: datetime) -> Iterator[ShiftNow]:
    """Every shift that overlaps [start, end), in order of time."""
    present = shift_at(rota, start)
    while present is not None and present.started_at < end:
        yield present
        present = shift_at(rota, present.ended_at)


def _starts(zone: ZoneInfo, day: date, shift: ShiftRule) -> datetime:
    return datetime.combine(day, shift.starts, zone).astimezone(UTC)


def _shift_from(rota: ShiftRota, day: date, shift: ShiftRule) -> ShiftNow:
    place = rota.shifts.index(shift)
    if place + 1 < len(rota.shifts):
        ended_at = _starts(rota.zone, day, rota.shifts[place + 1])
    else:
        ended_at = _starts(rota.zone, day + timedelta(days=1), rota.shifts[0])
    crew = None
    if rota.starts_on is not None and rota.crews:
        cycle_day = (day - rota.starts_on).days % len(rota.crews)
        crew = rota.crews[cycle_day].get(shift.ordinal)
    return ShiftNow(shift.label, crew, day, _starts(rota.zone, day, shift), ended_at)


@dataclass(frozen=True)
class CodeOverride:
    """A machine whose cans bear `code` in [valid_from, valid_to)."""

    code: DomeCode
    machine_id: uuid.UUID
    valid_from: datetime
    valid_to: datetime | None

    def holds_at(self, moment: datetime) -> bool:
        """Whether the code was on that machine then."""
        return self.valid_from <= moment and (self.valid_to is None or moment < self.valid_to)


@dataclass(frozen=True)
class CodedMachine:
    """A bodymaker and the code that its cans bear by default."""

    machine_id: uuid.UUID
    line: int
    number: int

    @cached_property
    def default_code(self) -> DomeCode:
        """Line and number of the machine itself."""
        return dome_code_of(self.line, self.number)


def candidates(
    read: DomeCode | None,
    moment: datetime,
    machines: Iterable[CodedMachine],
    overrides: Sequence[CodeOverride],
) -> list[uuid.UUID]:
    """Machines whose cans can bear the code as it was read, at an instant.

    A dome code recorded for the period wins over the default: while machine 1-3 makes cans that
    bear 1-19, the code 1-19 means 1-3, and a code that another machine bears for a while means
    only that machine.

    Args:
        read: the code as read; None: nothing could be read.
        moment: when the can was made, as far as known.
        machines: all bodymakers.
        overrides: all recorded dome codes.

    Returns:
        Machine ids without repeats; exactly one when the code names its machine.
    """
    in_force = [override for override in overrides if override.holds_at(moment)]
    taken = {override.code for override in in_force}
    found = [
        override.machine_id for override in in_force if read is None or read.fits(override.code)
    ]
    found += [
        machine.machine_id
        for machine in machines
        if machine.default_code not in taken and (read is None or read.fits(machine.default_code))
    ]
    return list(dict.fromkeys(found))
