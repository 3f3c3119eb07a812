"""The dossier of a can: from its two numbers to the machine, tools and metal behind it."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.defects.nearby import entries_around
from tracelog.defects.queries import EntryView
from tracelog.defects.settling import known_by
from tracelog.errors import NotFound
from tracelog.instants import EARLIEST
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, directory, the_plant
from tracelog.plant.rules import ShiftNow
from tracelog.plant.stays import (
    ChangeMade,
    CoilStay,
    PalletStay,
    ToolStay,
    changes_between,
    coil_stays,
    pallet_named,
    tool_stays,
)
from tracelog.service.queries import ServiceDone, ServiceStanding, service_standings, services_done
from tracelog.service.tool_histories import StayStrokes, tool_histories
from tracelog.strokes.queries import total_at
from tracelog.trace.candidates import Candidate, Dropped, weigh
from tracelog.trace.contradicting import Contradiction, contradiction
from tracelog.trace.holds.queries import as_held, held_pallets
from tracelog.trace.laying import Laid, LaidOn, laid_on
from tracelog.trace.making import Question, not_of_that_line
from tracelog.trace.making import openings as openings_of
from tracelog.trace.rules import CUP_CONVEYOR, Made
from tracelog.trends.measured.queries import NearValues, measured_around
from tracelog.trends.signals.queries import SignalView, kept_signals

NEARBY = timedelta(hours=24)
EARLIER = timedelta(days=14)
MOST_ENTRIES = 60


@dataclass(frozen=True)
class ToolInPlace:
    """A tool that was in the machine, and the strokes it had made until then.

    `strokes_since_work` are those since it was last restored in the tool room. `earlier` are its
    stays before this one, in this machine and in others, with what it made in each.
    """

    stay: ToolStay
    strokes_on_tool: int
    strokes_since_work: int
    earlier: tuple[StayStrokes, ...] = ()


@dataclass(frozen=True)
class MachineThen:
    """How the machine stood when it made the can, and what happened around it.

    `entries` (the nearest) and `signals` are those within a day of the making, `measured` the
    values of each characteristic nearest before and after it. `entries_from` and `entries_to` are
    the ends of that day, `entries_cut` says whether it has more entries.
    """

    strokes_total: int | None = None
    services_since: tuple[ServiceStanding, ...] = ()
    tools: tuple[ToolInPlace, ...] = ()
    entries: tuple[EntryView, ...] = ()
    services: tuple[ServiceDone, ...] = ()
    changes: tuple[ChangeMade, ...] = ()
    signals: tuple[SignalView, ...] = ()
    measured: tuple[NearValues, ...] = ()
    entries_cut: bool = False
    entries_from: datetime | None = None
    entries_to: datetime | None = None


@dataclass(frozen=True)
class Dossier:
    """Everything on record about a can. Where no machine is settled, `machine` is None and
    `then` is empty; `line` follows from the candidates. `is_weighed` says whether the candidates
    are told apart by strokes; without any on record all are equally likely. `other_runs` are the
    runs of the same coils at other times and on other lines.
    """

    question: Question
    made: Made
    candidates: tuple[Candidate, ...]
    is_weighed: bool
    machine: MachineView | None
    line: int | None
    then: MachineThen
    coils: tuple[CoilStay, ...]
    other_runs: tuple[CoilStay, ...]
    shift: ShiftNow | None
    laid: Laid
    as_of: datetime
    # What else the code may have been and why it is not, and why a code is doubted by itself.
    dropped: tuple[Dropped, ...] = ()
    note: str | None = None
    # Code and pallet or coil that cannot both be right; then there are no candidates.
    contradiction: Contradiction | None = None

    @property
    def pallets(self) -> tuple[PalletStay, ...]:
        """The pallets on which it may lie, by time."""
        return tuple(one.stay for one in self.laid.pallets)


def dossier(session: Session, question: Question, as_of: datetime) -> Dossier:
    """Trace a can.

    Args:
        session: an open session.
        question: what is known of the can; without any time the present state is meant.
        as_of: UTC; only what was known by then.

    Returns:
        The dossier, from a fixed number of statements.

    Raises:
        NotFound: the pallet or coil is not on record.
        TracelogError: what is known contradicts itself.
    """
    plant = the_plant(session)
    machines = known_by(directory(session), as_of)
    pallet = _pallet(session, question, as_of)
    openings = openings_of(session, question, pallet, plant, as_of)
    weighed = weigh(
        session,
        question.code,
        openings,
        machines,
        as_of,
        is_doubted=question.is_doubted,
        defect=question.defect,
    )
    both_ways = None
    if not weighed.candidates and question.code and any(one.line_id for one in openings):
        both_ways = contradiction(session, question, openings, machines, as_of)
        if both_ways is None:
            not_of_that_line(question, openings, machines)
    made, found = weighed.made, weighed.candidates
    machine = found[0].machine if len(found) == 1 else None
    lines: set[uuid.UUID | None] = {one.machine.line_id for one in found}
    lines = lines or {one.line_id for one in openings}
    line_id = lines.pop() if len(lines) == 1 and both_ways is None else None
    coils = tuple(_coils(session, question, made, line_id, as_of))
    return Dossier(
        question=question,
        made=made,
        candidates=found,
        is_weighed=weighed.is_weighed,
        dropped=() if both_ways else weighed.dropped,
        note=weighed.note,
        contradiction=both_ways,
        machine=machine,
        line=machines.line_numbers[line_id] if line_id else None,
        shift=plant.shift_at(made.middle),
        coils=coils,
        other_runs=tuple(_other_runs(session, coils, as_of)),
        laid=_lies_on(session, pallet, as_of, None if both_ways else 1.0)
        if pallet
        else laid_on(session, made, line_id, plant, as_of),
        as_of=as_of,
        then=MachineThen()
        if machine is None
        else _machine_then(session, machine, made, as_of, machines),
    )


def _lies_on(
    session: Session, pallet: PalletStay, as_of: datetime, probability: float | None
) -> Laid:
    """The pallet that is known, with the holds that hold it."""
    held = held_pallets(session, as_of)
    (stay,) = as_held([pallet], held)
    return Laid((LaidOn(stay, probability, held.get(pallet.pallet, ())),))


def _pallet(session: Session, question: Question, as_of: datetime) -> PalletStay | None:
    if not question.pallet:
        return None
    pallet = pallet_named(session, question.pallet, as_of)
    if pallet is None:
        raise NotFound(
            _("there is no pallet '%(pallet)s' on record", pallet=question.pallet), "pallet"
        )
    return pallet


def _coils(
    session: Session, question: Question, made: Made, line_id: uuid.UUID | None, as_of: datetime
) -> list[CoilStay]:
    if line_id is None:
        return []
    return coil_stays(
        session,
        made.start - CUP_CONVEYOR,
        made.end,
        line_id=line_id,
        coil=question.coil,
        as_of=as_of,
    )


def _other_runs(session: Session, coils: Sequence[CoilStay], as_of: datetime) -> list[CoilStay]:
    """The other runs of the same coils: on the same line before or after, and on other lines."""
    if not coils:
        return []
    names = sorted({run.coil for run in coils})
    known = {(run.coil, run.line_id, run.started_at) for run in coils}
    runs = coil_stays(session, EARLIEST, as_of, coils=names, as_of=as_of)
    return [run for run in runs if (run.coil, run.line_id, run.started_at) not in known]


def _machine_then(
    session: Session, machine: MachineView, made: Made, as_of: datetime, machines: Directory
) -> MachineThen:
    at = min(made.middle, as_of)
    period = made.start - NEARBY, made.end + NEARBY
    nearby = entries_around(session, machine.id, made.middle, period, as_of, MOST_ENTRIES)
    changes = changes_between(
        session,
        made.start - EARLIER,
        min(made.end, as_of),
        line_id=machine.line_id,
        machine_id=machine.id,
    )
    return MachineThen(
        total_at(session, [machine.id], at, as_of).get(machine.id, 0),
        tuple(service_standings(session, at, machine.id, known_at=as_of)),
        tuple(tools_in_place(session, machine.id, made, as_of)),
        nearby.entries,
        tuple(services_done(session, at, machine_id=machine.id, plant=machines, most=10)),
        tuple(changes),
        tuple(_signals(session, machine, made, as_of, machines)),
        tuple(measured_around(session, machine.id, at, as_of)),
        nearby.is_cut,
        *period,
    )


def _signals(
    session: Session, machine: MachineView, made: Made, as_of: datetime, machines: Directory
) -> list[SignalView]:
    """Signals as kept, raised or on within a day of the making, as far as they were known."""
    found = []
    for one in kept_signals(session, machines, machine.id):
        is_over = one.ended_at is not None and one.ended_at < made.start - NEARBY
        if one.raised_at > min(as_of, made.end + NEARBY) or is_over:
            continue
        ended_at = one.ended_at if one.ended_at is None or one.ended_at <= as_of else None
        decided = one.decision if one.decision and one.decision.decided_at <= as_of else None
        found.append(replace(one, ended_at=ended_at, decision=decided))
    return found


def tools_in_place(
    session: Session, machine_id: uuid.UUID, made: Made, as_of: datetime
) -> list[ToolInPlace]:
    """Tools in the machine while a can was made, with all strokes on each until then.

    A tool's strokes are those of every machine it was in, after what its card says. A fixed
    number of statements.
    """
    # Taken out at the very instant that the next one goes in: the next one made the can.
    present = [
        stay
        for stay in tool_stays(session, made.start, made.end, machine_ids=[machine_id], as_of=as_of)
        if stay.removed_at is None or stay.removed_at > made.start
    ]
    serials = {stay.serial for stay in present}
    end = min(made.middle, as_of)
    histories = tool_histories(session, end, sorted(serials), known_at=as_of)
    return [
        ToolInPlace(stay, made_by_then.total, made_by_then.since_work, earlier)
        for stay in sorted(present, key=lambda stay: (stay.position, stay.fitted_at))
        for made_by_then in [histories[stay.serial].count]
        for earlier in [_before(histories[stay.serial].stays, stay)]
    ]


def _before(stays: Sequence[StayStrokes], present: ToolStay) -> tuple[StayStrokes, ...]:
    return tuple(one for one in stays if one.stay.fitted_at < present.fitted_at)
