"""The reverse of a dossier: everything that something touched between two instants.

A tool, a coil, a machine, a crew, or a change. A change touches its machine, or the bodymakers of
its line, until the next change of the same kind there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby

from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryView
from tracelog.defects.stretches import LoggedWithin, logged_within
from tracelog.errors import TracelogError
from tracelog.instants import EARLIEST, write_instant
from tracelog.language import _
from tracelog.plant.pallet_windows import PalletsWithin, pallets_within
from tracelog.plant.queries import Directory, MachineView, PlantView, directory, the_plant
from tracelog.plant.rules import ShiftNow
from tracelog.plant.stays import PalletStay
from tracelog.plant.stretches import Stretch
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trace.holds.queries import as_held, held_pallets
from tracelog.trace.moves import Move, moves_of, tools_through
from tracelog.trace.rules import Made, reaches_pallets
from tracelog.trace.where_used_stretches import Asked, Touch, Touched, touched

MOST_ENTRIES = 1000
MOST_PALLETS = 2000


@dataclass(frozen=True)
class Use:
    """One stretch of time in which the subject was on one machine.

    `position` is the tool's position, blank for anything else; `end` None: still there; `hours`
    go to the end of the period then. `shift` is set for a crew.
    """

    machine: MachineView
    position: str
    start: datetime
    end: datetime | None
    hours: float
    strokes: int
    entries: int
    cans: int
    shift: ShiftNow | None = None


@dataclass(frozen=True)
class UsesOfMachine:
    """All uses of one machine and position added up."""

    machine: MachineView
    position: str
    start: datetime
    end: datetime | None
    times: int
    hours: float
    strokes: int
    entries: int
    cans: int


@dataclass(frozen=True)
class WhereUsed:
    """What the subject touched between two instants.

    `entries` (the newest) and `pallets` (the first) are cut at a most; the totals count all.
    Pallets are those that cans made meanwhile can have reached, so most cans on them are others'.
    `moves`: of a tool, all its stays; of a machine or a change to one, every tool that sat in it
    meanwhile; each with where it was before and after, also outside the period.
    """

    kind: str
    name: str
    start: datetime
    end: datetime
    uses: tuple[Use, ...]
    entries: tuple[EntryView, ...]
    pallets: tuple[PalletStay, ...]
    entries_total: int
    pallets_total: int
    moves: tuple[Move, ...]

    @property
    def strokes(self) -> int:
        """Strokes over all uses; each stroke is one can at most."""
        return sum(use.strokes for use in self.uses)

    @property
    def hours(self) -> float:
        """Machine-hours over all uses."""
        return sum(use.hours for use in self.uses)

    @property
    def cans(self) -> int:
        """Cans in the entries over all uses."""
        return sum(use.cans for use in self.uses)

    @property
    def entries_cut(self) -> bool:
        """Whether there are more entries than are listed."""
        return self.entries_total > len(self.entries)

    @property
    def pallets_cut(self) -> bool:
        """Whether there are more pallets than are listed."""
        return self.pallets_total > len(self.pallets)

    @property
    def by_machine(self) -> list[UsesOfMachine]:
        """Uses of each machine and position added up, in order of machines."""
        ordered = sorted(self.uses, key=lambda one: (*_place(one), one.start))
        return [_added_up(list(own)) for _key, own in groupby(ordered, key=_place)]


def _place(one: Use) -> tuple[int, str, int, str]:
    return one.machine.line, one.machine.station, one.machine.number, one.position


def _added_up(uses: Sequence[Use]) -> UsesOfMachine:
    return UsesOfMachine(
        *(uses[0].machine, uses[0].position, uses[0].start, uses[-1].end, len(uses)),
        *(sum(use.hours for use in uses), sum(use.strokes for use in uses)),
        *(sum(use.entries for use in uses), sum(use.cans for use in uses)),
    )


def where_used(
    session: Session,
    kind: str,
    name: str,
    start: datetime,
    end: datetime,
    as_of: datetime,
    *,
    most_entries: int | None = None,
    most_pallets: int | None = None,
) -> WhereUsed:
    """Everything a subject touched in [start, end].

    Args:
        session: an open session.
        kind: ``tool`` (serial), ``coil`` (number), ``machine`` (text such as 3-7), ``crew``
            (as in the rota) or ``change`` (as `where_used_stretches.change_name` writes it).
        name: which one.
        start, end: UTC.
        as_of: UTC; only what was known by then.
        most_entries, most_pallets: how many are listed; None: the usual most.

    Returns:
        Uses by time, from a fixed number of statements; without a start, from the first use.

    Raises:
        TracelogError: `start` is not before `end`.
        NotFound: no such tool, coil, crew or change touched anything then.
        UnknownReference: no such machine.
    """
    plant = the_plant(session)
    machines = directory(session)
    end = min(end, as_of)
    if start >= end:
        raise TracelogError(
            _("is not before the end, %(end)s; swap the two", end=write_instant(end)), "from"
        )
    asked = Asked(kind, name, start, end, as_of)
    found = touched(session, asked, plant, machines)
    stretches = found.stretches
    strokes = strokes_between(
        session, [Span(one.machine.id, one.start, one.end) for one in stretches], as_of
    )
    logged = logged_within(
        session,
        [Stretch(one.machine.id, one.start, one.last_can_at) for one in stretches],
        as_of,
        MOST_ENTRIES if most_entries is None else most_entries,
    )
    pallets = _pallets(
        session, stretches, plant, as_of, MOST_PALLETS if most_pallets is None else most_pallets
    )
    shown = tuple(as_held(pallets.first, held_pallets(session, as_of)))
    return WhereUsed(
        *(kind, name, start if start > EARLIEST else stretches[0].start, end),
        *(_uses(stretches, strokes, logged), logged.latest, shown),
        *(logged.total, pallets.total, tuple(_moves(session, asked, found, machines))),
    )


def _uses(
    stretches: Sequence[Touch], strokes: Sequence[int], logged: LoggedWithin
) -> tuple[Use, ...]:
    return tuple(
        Use(
            *(one.machine, one.position, one.start, None if one.is_open else one.end, one.hours),
            *(made, own.entries, own.cans, one.shift),
        )
        for one, made, own in zip(stretches, strokes, logged.each, strict=True)
    )


def _pallets(
    session: Session, stretches: Sequence[Touch], plant: PlantView, as_of: datetime, most: int
) -> PalletsWithin:
    """Pallets that cans of any stretch can have reached."""
    times = {(one.machine.line_id, one.start, one.last_can_at) for one in stretches}
    windows = {
        (line_id, *reaches_pallets(Made(start, end, ""), plant.transit_minutes))
        for line_id, start, end in times
    }
    return pallets_within(session, windows, as_of, most)


def _moves(session: Session, asked: Asked, found: Touched, machines: Directory) -> list[Move]:
    if asked.kind == "tool":
        return moves_of(found.stays, machines)
    touched_ids = {one.machine.id for one in found.stretches}
    if asked.kind not in ("machine", "change") or len(touched_ids) > 1:
        return []
    only = found.stretches[0]
    start, end = only.start, max(one.end for one in found.stretches)
    return tools_through(session, only.machine.id, start, end, machines, asked.as_of)


def usual_start(kind: str, end: datetime) -> datetime:
    """From when on to ask, where nobody says: a machine and a crew never stop making cans, so
    their last 28 days; a tool, a coil or a change from its first day.

    Args:
        kind: one of `where_used_stretches.KINDS`.
        end: of the period.
    """
    return end - timedelta(days=28) if kind in ("machine", "crew") else EARLIEST
