"""The reverse of a dossier: everything that a tool, a coil or a machine made meanwhile."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryFilter, EntryView, entries
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import EARLIEST, write_instant
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, PlantView, directory, the_plant
from tracelog.plant.stays import PalletStay, coil_stays, pallets_within, tool_stays
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trace.rules import CUP_CONVEYOR, Made, reaches_pallets

MOST_ENTRIES = 1000
MOST_COUNTED = 10_000
MOST_PALLETS = 2000


@dataclass(frozen=True)
class Use:
    """One stretch of time in which the subject was on one machine.

    `position` is the tool's position, blank for a coil or the machine itself; `end` None: still
    there.
    """

    machine: MachineView
    position: str
    start: datetime
    end: datetime | None
    strokes: int
    entries: int
    cans: int


@dataclass(frozen=True)
class WhereUsed:
    """What the subject made between two instants.

    `entries` (the newest) and `pallets` (the first) are cut at a most; `entries_cut` and
    `pallets_cut` say so. Pallets are those that cans made meanwhile can have reached, so most
    cans on them are others'.
    """

    kind: str
    name: str
    start: datetime
    end: datetime
    uses: tuple[Use, ...]
    entries: tuple[EntryView, ...]
    pallets: tuple[PalletStay, ...]
    entries_cut: bool
    pallets_cut: bool

    @property
    def strokes(self) -> int:
        """Strokes over all uses."""
        return sum(use.strokes for use in self.uses)

    @property
    def entries_count(self) -> int:
        """Entries over all uses, also those that are not shown."""
        return sum(use.entries for use in self.uses)


@dataclass(frozen=True)
class _Stretch:
    """A use as it is asked for; entries count up to `last_can_at`, which may be later than `end`:
    cups still wait on the conveyor when their coil is off.
    """

    machine: MachineView
    position: str
    start: datetime
    end: datetime
    last_can_at: datetime
    is_open: bool

    def holds(self, entry: EntryView) -> bool:
        """Whether an entry is of a can that was made meanwhile."""
        inside = self.start <= entry.occurred_at < self.last_can_at
        return inside and entry.machine == self.machine


def where_used(
    session: Session, kind: str, name: str, start: datetime, end: datetime, as_of: datetime
) -> WhereUsed:
    """Everything a subject made in [start, end].

    Args:
        session: an open session.
        kind: ``tool`` (serial), ``coil`` (number) or ``machine`` (text such as 3-7).
        name: which one.
        start: UTC.
        end: UTC.
        as_of: UTC; only what was known by then.

    Returns:
        Uses by time, from a fixed number of statements; without a start, from the first use.

    Raises:
        TracelogError: `start` is not before `end`.
        NotFound: no such tool, coil or machine was in use then.
    """
    plant = the_plant(session)
    machines = directory(session)
    end = min(end, as_of)
    if start >= end:
        raise TracelogError(
            _("is not before the end, %(end)s; swap the two", end=write_instant(end)), "from"
        )
    stretches = _stretches(session, machines, kind, name, start, end, as_of)
    strokes = strokes_between(
        session, [Span(one.machine.id, one.start, one.end) for one in stretches], as_of
    )
    found = entries(
        session,
        EntryFilter(
            start=min(one.start for one in stretches),
            end=max(one.last_can_at for one in stretches),
            machine_ids=tuple({one.machine.id for one in stretches}),
            as_of=as_of,
        ),
        limit=MOST_COUNTED,
    )
    within = [entry for entry in found.rows if any(one.holds(entry) for one in stretches)]
    pallets = _pallets(session, stretches, plant, as_of)
    return WhereUsed(
        kind,
        name,
        start if start > EARLIEST else stretches[0].start,
        end,
        tuple(
            Use(
                one.machine,
                one.position,
                one.start,
                None if one.is_open else one.end,
                made,
                sum(one.holds(entry) for entry in within),
                sum(entry.cans for entry in within if one.holds(entry)),
            )
            for one, made in zip(stretches, strokes, strict=True)
        ),
        tuple(within[:MOST_ENTRIES]),
        tuple(pallets[:MOST_PALLETS]),
        len(within) > MOST_ENTRIES or found.next_after is not None,
        len(pallets) > MOST_PALLETS,
    )


def _stretches(
    session: Session,
    machines: Directory,
    kind: str,
    name: str,
    start: datetime,
    end: datetime,
    as_of: datetime,
) -> list[_Stretch]:
    if kind == "machine":
        return [_Stretch(machines.machine_named(name), "", start, end, end, is_open=False)]
    if kind == "tool":
        stays = tool_stays(session, start, end, serials=[name], as_of=as_of)
        found = [
            _clipped(
                machines.by_id[stay.machine_id],
                stay.position,
                stay.fitted_at,
                stay.removed_at,
                start,
                end,
            )
            for stay in stays
        ]
    else:
        runs = coil_stays(session, start, end, coil=name, as_of=as_of)
        found = [
            _clipped(
                machine,
                "",
                run.started_at,
                run.ended_at,
                start,
                end,
                lag=CUP_CONVEYOR,
            )
            for run in runs
            for machine in machines.bodymakers
            if machine.line_id == run.line_id
        ]
    if not found:
        raise NotFound(
            _("%(kind)s '%(name)s' was not in use in that time", kind=kind, name=name), kind
        )
    return found


def _clipped(
    machine: MachineView,
    position: str,
    begun_at: datetime,
    ended_at: datetime | None,
    start: datetime,
    end: datetime,
    lag: timedelta = timedelta(0),
) -> _Stretch:
    first, last = max(begun_at, start), min(ended_at or end, end)
    last_can_at = min(last + lag, max(end, last))
    return _Stretch(machine, position, first, last, last_can_at, is_open=ended_at is None)


def _pallets(
    session: Session, stretches: Sequence[_Stretch], plant: PlantView, as_of: datetime
) -> list[PalletStay]:
    """Pallets that cans of any stretch can have reached; one more than are shown."""
    windows = {
        (
            one.machine.line_id,
            *reaches_pallets(Made(one.start, one.last_can_at, ""), plant.transit_minutes),
        )
        for one in stretches
    }
    return pallets_within(session, sorted(windows, key=str), as_of, MOST_PALLETS + 1)
