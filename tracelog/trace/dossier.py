"""The dossier of a can: from its two numbers to the machine, tools and metal behind it."""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryFilter, EntryView, entries
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import EARLIEST
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode
from tracelog.plant.queries import Directory, MachineView, PlantView, directory, the_plant
from tracelog.plant.rules import ShiftNow
from tracelog.plant.stays import (
    ChangeMade,
    CoilStay,
    PalletStay,
    ToolStay,
    changes_between,
    coil_stays,
    pallet_named,
    pallet_stays,
    tool_stays,
)
from tracelog.service.queries import ServiceDone, ServiceStanding, service_standings, services_done
from tracelog.strokes.queries import Span, strokes_between, total_at
from tracelog.trace.rules import (
    CUP_CONVEYOR,
    Made,
    made_before_pallet,
    narrowed,
    reaches_pallets,
    shares,
)

# Strokes this long around an instant weigh the candidates of a code that is not settled.
WEIGHING = timedelta(minutes=30)
NEARBY = timedelta(hours=24)
EARLIER = timedelta(days=14)
MOST_ENTRIES = 200
MOST_PALLETS = 500


@dataclass(frozen=True)
class Question:
    """What is known of a can: its code, and when it was made or where it lay."""

    code: DomeCode | None = None
    at: datetime | None = None
    pallet: str | None = None
    coil: str | None = None


@dataclass(frozen=True)
class Candidate:
    """A machine that may have made the can, and how likely."""

    machine: MachineView
    probability: float


@dataclass(frozen=True)
class ToolInPlace:
    """A tool that was in the machine, and the strokes it had made until then."""

    stay: ToolStay
    strokes_on_tool: int


@dataclass(frozen=True)
class MachineThen:
    """How the machine stood when it made the can, and what happened around it."""

    strokes_total: int | None = None
    services_since: tuple[ServiceStanding, ...] = ()
    tools: tuple[ToolInPlace, ...] = ()
    entries: tuple[EntryView, ...] = ()
    services: tuple[ServiceDone, ...] = ()
    changes: tuple[ChangeMade, ...] = ()


@dataclass(frozen=True)
class Dossier:
    """Everything on record about a can. Where no machine is settled, `machine` is None and
    `then` is empty; `line` follows from the candidates.
    """

    question: Question
    plant: PlantView
    made: Made
    candidates: tuple[Candidate, ...]
    machine: MachineView | None
    line: int | None
    then: MachineThen
    coils: tuple[CoilStay, ...]
    shift: ShiftNow | None
    pallets: tuple[PalletStay, ...]


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
    machines = directory(session)
    made, line_id = _made(session, question, plant, as_of)
    candidates = _candidates(session, question, machines, made, line_id, as_of)
    machine = candidates[0].machine if len(candidates) == 1 else None
    lines = {one.machine.line_id for one in candidates}
    line_id = lines.pop() if len(lines) == 1 else line_id
    return Dossier(
        question=question,
        plant=plant,
        made=made,
        candidates=tuple(candidates),
        machine=machine,
        line=machines.line_numbers[line_id] if line_id else None,
        shift=plant.shift_at(made.middle),
        coils=() if line_id is None else tuple(_coils(session, made, line_id, as_of)),
        pallets=()
        if line_id is None
        else tuple(_pallets(session, question, made, line_id, plant, as_of)),
        then=MachineThen()
        if machine is None
        else _machine_then(session, machine, made, as_of, machines),
    )


def _made(
    session: Session, question: Question, plant: PlantView, as_of: datetime
) -> tuple[Made, uuid.UUID | None]:
    known: list[Made] = []
    line_id: uuid.UUID | None = None
    if question.at is not None:
        known.append(Made(question.at, question.at, _("the time given")))
    if question.pallet:
        pallet = pallet_named(session, question.pallet, as_of)
        if pallet is None:
            raise NotFound(
                _("there is no pallet '%(pallet)s' on record", pallet=question.pallet), "pallet"
            )
        line_id = pallet.line_id
        known.append(made_before_pallet(pallet.started_at, pallet.ended_at, plant.transit_minutes))
    if question.coil:
        runs = coil_stays(session, EARLIEST, as_of, coil=question.coil, as_of=as_of)
        if not runs:
            raise NotFound(_("there is no run of coil '%(coil)s'", coil=question.coil), "coil")
        if line_id is None:
            line_id = runs[0].line_id
        chosen = [run for run in runs if run.line_id == line_id] or runs
        known.append(
            Made(
                chosen[0].started_at,
                (chosen[-1].ended_at or as_of) + CUP_CONVEYOR,
                _("the coil's time on the line"),
            )
        )
    if not known:
        known.append(Made(as_of, as_of, _("no time given: the present")))
    made = known[0]
    for further in known[1:]:
        both = narrowed(made, further)
        if both is None:
            raise TracelogError(
                _("time, pallet and coil do not go together: no can can fit all of them"), "at"
            )
        made = both
    return made, line_id


def _candidates(
    session: Session,
    question: Question,
    machines: Directory,
    made: Made,
    line_id: uuid.UUID | None,
    as_of: datetime,
) -> list[Candidate]:
    found = [
        machine
        for machine in machines.candidates(question.code, made.middle)
        if line_id in (None, machine.line_id)
    ]
    if len(found) <= 1:
        return [Candidate(machine, 1.0) for machine in found]
    start, end = made.start, made.end
    if made.is_instant:
        start, end = start - WEIGHING, end + WEIGHING
    strokes = strokes_between(session, [Span(one.id, start, end) for one in found], as_of)
    weighed = [
        Candidate(machine, share) for machine, share in zip(found, shares(strokes), strict=True)
    ]
    return sorted(weighed, key=lambda one: (-one.probability, one.machine.text))


def _coils(session: Session, made: Made, line_id: uuid.UUID, as_of: datetime) -> list[CoilStay]:
    return coil_stays(session, made.start - CUP_CONVEYOR, made.end, line_id=line_id, as_of=as_of)


def _pallets(
    session: Session,
    question: Question,
    made: Made,
    line_id: uuid.UUID,
    plant: PlantView,
    as_of: datetime,
) -> list[PalletStay]:
    first, last = reaches_pallets(made, plant.transit_minutes)
    found = pallet_stays(session, first, last, line_id=line_id, as_of=as_of, most=MOST_PALLETS)
    if question.pallet:
        return [pallet for pallet in found if pallet.pallet == question.pallet]
    return found


def _machine_then(
    session: Session, machine: MachineView, made: Made, as_of: datetime, machines: Directory
) -> MachineThen:
    at = min(made.middle, as_of)
    nearby = EntryFilter(
        start=made.start - NEARBY, end=made.end + NEARBY, machine_ids=(machine.id,), as_of=as_of
    )
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
        tuple(entries(session, nearby, limit=MOST_ENTRIES).rows),
        tuple(services_done(session, at, machine_id=machine.id, plant=machines)[:10]),
        tuple(changes),
    )


def tools_in_place(
    session: Session, machine_id: uuid.UUID, made: Made, as_of: datetime
) -> list[ToolInPlace]:
    """Tools in the machine while a can was made, with all strokes on each until then.

    A tool's strokes are those of every machine it was in. Three statements or fewer, and those
    of counting the strokes.
    """
    present = tool_stays(session, made.start, made.end, machine_ids=[machine_id], as_of=as_of)
    if made.is_instant:
        # Taken out at the very instant that the next one goes in: the next one made the can.
        present = [
            stay for stay in present if stay.removed_at is None or stay.removed_at > made.start
        ]
    serials = {stay.serial for stay in present}
    end = min(made.middle, as_of)
    earlier = [
        stay
        for stay in tool_stays(session, EARLIEST, end, as_of=as_of, serials=sorted(serials))
        if stay.fitted_at < end
    ]
    spans = [
        Span(stay.machine_id, stay.fitted_at, min(stay.removed_at or end, end)) for stay in earlier
    ]
    total: dict[str, int] = {}
    for stay, strokes in zip(earlier, strokes_between(session, spans, as_of), strict=True):
        total[stay.serial] = total.get(stay.serial, 0) + strokes
    return [
        ToolInPlace(stay, total.get(stay.serial, 0))
        for stay in sorted(present, key=lambda stay: (stay.position, stay.fitted_at))
    ]
