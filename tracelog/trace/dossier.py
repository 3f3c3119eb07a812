"""The dossier of a can: from its two numbers to the machine, tools and metal behind it."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NoReturn

from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryFilter, EntryView, entries
from tracelog.defects.settling import known_by
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
from tracelog.service.tool_histories import tool_histories
from tracelog.strokes.queries import total_at
from tracelog.trace.candidates import Candidate, Opening, weigh
from tracelog.trace.rules import (
    CUP_CONVEYOR,
    Made,
    made_before_pallet,
    narrowed,
    reaches_pallets,
)

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
class ToolInPlace:
    """A tool that was in the machine, and the strokes it had made until then.

    `strokes_since_work` are those since it was last restored in the tool room.
    """

    stay: ToolStay
    strokes_on_tool: int
    strokes_since_work: int


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
    `then` is empty; `line` follows from the candidates. `is_weighed` says whether the candidates
    are told apart by strokes; without any on record all are equally likely.
    """

    question: Question
    made: Made
    candidates: tuple[Candidate, ...]
    is_weighed: bool
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
    machines = known_by(directory(session), as_of)
    pallet = _pallet(session, question, as_of)
    openings = _openings(session, question, pallet, plant, as_of)
    weighed = weigh(session, question.code, openings, machines, as_of)
    if not weighed.candidates and question.code and any(one.line_id for one in openings):
        _not_of_that_line(question, openings, machines)
    made, found = weighed.made, weighed.candidates
    machine = found[0].machine if len(found) == 1 else None
    lines: set[uuid.UUID | None] = {one.machine.line_id for one in found}
    lines = lines or {one.line_id for one in openings}
    line_id = lines.pop() if len(lines) == 1 else None
    return Dossier(
        question=question,
        made=made,
        candidates=found,
        is_weighed=weighed.is_weighed,
        machine=machine,
        line=machines.line_numbers[line_id] if line_id else None,
        shift=plant.shift_at(made.middle),
        coils=tuple(_coils(session, question, made, line_id, as_of)),
        pallets=(pallet,) if pallet else tuple(_pallets(session, made, line_id, plant, as_of)),
        then=MachineThen()
        if machine is None
        else _machine_then(session, machine, made, as_of, machines),
    )


def _pallet(session: Session, question: Question, as_of: datetime) -> PalletStay | None:
    if not question.pallet:
        return None
    pallet = pallet_named(session, question.pallet, as_of)
    if pallet is None:
        raise NotFound(
            _("there is no pallet '%(pallet)s' on record", pallet=question.pallet), "pallet"
        )
    return pallet


def _openings(
    session: Session,
    question: Question,
    pallet: PalletStay | None,
    plant: PlantView,
    as_of: datetime,
) -> list[Opening]:
    """When and on which line the can may have been made, as far as time, pallet and coil say."""
    made = Made(question.at, question.at, _("the time given")) if question.at else None
    line_id = pallet.line_id if pallet else None
    if pallet is not None:
        filled = made_before_pallet(pallet.started_at, pallet.ended_at, plant.transit_minutes)
        made = narrowed(made, filled) if made else filled
        if made is None:
            raise TracelogError(_("time and pallet do not go together: no can fits both"), "at")
    if not question.coil:
        return [Opening(made or Made(as_of, as_of, _("no time given: the present")), line_id)]
    runs = coil_stays(session, EARLIEST, as_of, coil=question.coil, as_of=as_of)
    if not runs:
        raise NotFound(_("there is no run of coil '%(coil)s'", coil=question.coil), "coil")
    found = []
    for run in runs:
        basis = _("the coil's time on the line")
        there = Made(run.started_at, (run.ended_at or as_of) + CUP_CONVEYOR, basis)
        both = narrowed(made, there) if made else there
        if both is not None and line_id in (None, run.line_id):
            found.append(Opening(both, run.line_id))
    if not found:
        raise TracelogError(
            _("time, pallet and coil do not go together: no can fits all of them"),
            "at" if question.at else "coil",
        )
    return found


def _not_of_that_line(
    question: Question, openings: Sequence[Opening], machines: Directory
) -> NoReturn:
    lines = {machines.line_numbers[one.line_id] for one in openings if one.line_id}
    raise TracelogError(
        _(
            "no bodymaker of line %(lines)s bore the code %(code)s then, and there the pallet or"
            " coil was; read the code again, or leave pallet and coil out",
            lines=", ".join(str(line) for line in sorted(lines)),
            code=question.code,
        ),
        "code",
    )


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


def _pallets(
    session: Session, made: Made, line_id: uuid.UUID | None, plant: PlantView, as_of: datetime
) -> list[PalletStay]:
    if line_id is None:
        return []
    first, last = reaches_pallets(made, plant.transit_minutes)
    return pallet_stays(session, first, last, line_id=line_id, as_of=as_of, most=MOST_PALLETS)


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
        ToolInPlace(stay, made_by_then.total, made_by_then.since_work)
        for stay in sorted(present, key=lambda stay: (stay.position, stay.fitted_at))
        for made_by_then in [histories[stay.serial].count]
    ]
