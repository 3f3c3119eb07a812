"""Which machines may have made a can, and how likely each: by its code and the strokes made."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from sqlalchemy.orm import Session

from tracelog.plant.dome_code import DomeCode, dome_code_of
from tracelog.plant.queries import Directory, MachineView
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trace.rules import Made, hull, shares

# Strokes this long around an instant weigh the candidates of a code that is not settled.
WEIGHING = timedelta(minutes=30)


@dataclass(frozen=True)
class Opening:
    """A stretch of time in which the can may have been made; `line_id` None: on any line."""

    made: Made
    line_id: uuid.UUID | None


@dataclass(frozen=True)
class Candidate:
    """A machine that may have made the can, the code that its cans bore then, and how likely."""

    machine: MachineView
    code: DomeCode
    probability: float


@dataclass(frozen=True)
class Weighed:
    """Candidates, the likeliest first, and when the can was made if it was one of them.

    `is_weighed`: whether strokes tell them apart; without any on record all are equally likely.
    """

    candidates: tuple[Candidate, ...]
    made: Made
    is_weighed: bool


def weigh(
    session: Session,
    code: DomeCode | None,
    openings: Sequence[Opening],
    machines: Directory,
    as_of: datetime,
) -> Weighed:
    """Find the machines whose cans can bear a code, each with its share of the strokes meanwhile.

    Where a code went to another machine in the middle of an opening, each machine counts with
    the strokes that it made while its cans bore the code.

    Args:
        session: an open session.
        code: as read; None: nothing could be read.
        openings: when and where the can may have been made; at least one.
        machines: the directory.
        as_of: UTC; only readings up to then.

    Returns:
        Probabilities that add up to one; strokes are only asked for if there is a choice.
    """
    spans: list[Span] = []
    reached: list[Made] = []
    for opening in openings:
        found = _bearers(code, opening, machines)
        spans += found
        reached += [opening.made] if found else []
    made = hull(reached or [opening.made for opening in openings])
    ids = list(dict.fromkeys(span.machine_id for span in spans))
    strokes = dict.fromkeys(ids, 0)
    if len(ids) > 1:
        for span, counted in zip(spans, strokes_between(session, spans, as_of), strict=True):
            strokes[span.machine_id] += counted
    candidates = [
        Candidate(machines.by_id[one], _code_of(one, code, machines, made.middle), share)
        for one, share in zip(ids, shares(list(strokes.values())), strict=True)
    ]
    candidates.sort(key=lambda one: (-one.probability, one.machine.line, one.machine.number))
    return Weighed(tuple(candidates), made, any(strokes.values()))


def _bearers(code: DomeCode | None, opening: Opening, machines: Directory) -> list[Span]:
    """Machines and the times in which their cans bore the code, within an opening."""
    made = opening.made
    if made.is_instant:
        pieces = [(made.start, made.start - WEIGHING, made.start + WEIGHING)]
    else:
        turns = {moment for one in machines.overrides for moment in (one.valid_from, one.valid_to)}
        inside = {moment for moment in turns if moment and made.start < moment < made.end}
        edges = sorted({made.start, made.end} | inside)
        pieces = [(start, start, end) for start, end in pairwise(edges)]
    return [
        Span(machine.id, start, end)
        for moment, start, end in pieces
        for machine in machines.candidates(code, moment)
        if opening.line_id in (None, machine.line_id)
    ]


def _code_of(
    machine_id: uuid.UUID, read: DomeCode | None, machines: Directory, moment: datetime
) -> DomeCode:
    """The code that a machine's cans bear, at an instant, as far as it fits what was read."""
    for override in machines.overrides:
        mine = override.machine_id == machine_id and override.holds_at(moment)
        if mine and (read is None or read.fits(override.code)):
            return override.code
    machine = machines.by_id[machine_id]
    return dome_code_of(machine.line, machine.number)
