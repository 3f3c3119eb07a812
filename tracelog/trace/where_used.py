"""The reverse of a dossier: everything that a tool, a coil or a machine made meanwhile."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryFilter, EntryView, entries
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, PlantView, directory, the_plant
from tracelog.plant.stays import PalletStay, coil_stays, pallet_stays, tool_stays
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trace.rules import CUP_CONVEYOR, Made, reaches_pallets

MOST_ENTRIES = 1000
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

    `entries` and `pallets` are cut at a most; `entries_cut`, `pallets_cut` say so. Pallets are
    those that cans made meanwhile can have reached, so most cans on them are others'.
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


@dataclass(frozen=True)
class _Stretch:
    machine: MachineView
    position: str
    start: datetime
    end: datetime
    is_open: bool


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
        Uses by time, from a fixed number of statements.

    Raises:
        NotFound: no such tool, coil or machine was in use then.
    """
    plant = the_plant(session)
    machines = directory(session)
    end = min(end, as_of)
    stretches = _stretches(session, machines, kind, name, start, end, as_of)
    strokes = strokes_between(
        session, [Span(one.machine.id, one.start, one.end) for one in stretches], as_of
    )
    found = entries(
        session,
        EntryFilter(
            start=start,
            end=end,
            machine_ids=tuple({one.machine.id for one in stretches}),
            as_of=as_of,
        ),
        limit=MOST_ENTRIES + 1,
    ).rows
    within = [entry for entry in found if any(_inside(one, entry) for one in stretches)]
    pallets = _pallets(session, stretches, plant, as_of)
    return WhereUsed(
        kind,
        name,
        start,
        end,
        tuple(
            Use(
                one.machine,
                one.position,
                one.start,
                None if one.is_open else one.end,
                made,
                sum(_inside(one, entry) for entry in within),
                sum(entry.cans for entry in within if _inside(one, entry)),
            )
            for one, made in zip(stretches, strokes, strict=True)
        ),
        tuple(within[:MOST_ENTRIES]),
        tuple(pallets[:MOST_PALLETS]),
        len(found) > MOST_ENTRIES,
        len(pallets) > MOST_PALLETS,
    )


def _inside(stretch: _Stretch, entry: EntryView) -> bool:
    return entry.machine == stretch.machine and stretch.start <= entry.occurred_at < stretch.end


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
        return [_Stretch(machines.machine_named(name), "", start, end, is_open=False)]
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
                run.ended_at + CUP_CONVEYOR if run.ended_at else None,
                start,
                end,
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
) -> _Stretch:
    last = min(ended_at or end, end)
    return _Stretch(machine, position, max(begun_at, start), last, is_open=ended_at is None)


def _pallets(
    session: Session, stretches: Sequence[_Stretch], plant: PlantView, as_of: datetime
) -> list[PalletStay]:
    """Pallets reached from all stretches: one statement for the widest window of each line."""
    windows: dict[object, list[tuple[datetime, datetime]]] = {}
    for one in stretches:
        made = Made(one.start, one.end, "")
        windows.setdefault(one.machine.line_id, []).append(
            reaches_pallets(made, plant.transit_minutes)
        )
    if not windows:
        return []
    first = min(window[0] for spans in windows.values() for window in spans)
    last = max(window[1] for spans in windows.values() for window in spans)
    found = pallet_stays(session, first, last, as_of=as_of)
    return [
        pallet
        for pallet in found
        if any(
            pallet.started_at <= window[1]
            and (pallet.ended_at is None or pallet.ended_at >= window[0])
            for window in windows.get(pallet.line_id, ())
        )
    ]
