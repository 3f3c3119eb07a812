"""Which machines may have made a can, and how likely each: by its code and the strokes made."""

import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from itertools import pairwise

import numpy as np
from sqlalchemy.orm import Session

from tracelog import reference
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, dome_code_of
from tracelog.plant.queries import Directory, MachineView
from tracelog.strokes.queries import Span
from tracelog.trace.reading.confusion import Confusion
from tracelog.trace.reading.queries import rates_of_defect, strokes_and_reach
from tracelog.trace.reading.rules import Bearing, joined, needs_doubt, shared
from tracelog.trace.rules import Made, hull
from tracelog.trace.transit import Way

# Strokes this long around an instant weigh the candidates of a code that is not settled.
WEIGHING = timedelta(minutes=30)
_PIECES = 12
_MINUTE = timedelta(minutes=1)
_NOTHING_READ = DomeCode("?", "?")


@dataclass(frozen=True)
class Opening:
    """A stretch of time in which the can may have been made; `line_id` None: on any line.

    Attributes:
        made: from when to when.
        line_id: on which line.
        seen: first and last instant at which the can was somewhere, with the way to there: not all
            of the stretch is alike then.
        is_timed: whether anything tells the time; else the present stands for it.
    """

    made: Made
    line_id: uuid.UUID | None
    seen: tuple[Way, datetime, datetime] | None = None
    is_timed: bool = True


@dataclass(frozen=True)
class Candidate:
    """A machine that may have made the can, the code that its cans bore then, and how likely.

    `reason` says why the code may have been read as it was; empty where nothing is in doubt.
    """

    machine: MachineView
    code: DomeCode
    probability: float
    reason: str = ""


@dataclass(frozen=True)
class Dropped:
    """What the code may have been too, and why it is no candidate."""

    code: DomeCode
    machine: MachineView | None
    reason: str


@dataclass(frozen=True)
class Weighed:
    """Candidates, the likeliest first, and when the can was made if it was one of them.

    Attributes:
        candidates: with probabilities that add up to one.
        made: when.
        is_weighed: whether strokes tell them apart; without any all are equally likely.
        dropped: what else was looked at, and why it was dropped.
        note: why a code that nobody doubted is doubted; None: it is not.
    """

    candidates: tuple[Candidate, ...]
    made: Made
    is_weighed: bool
    dropped: tuple[Dropped, ...] = ()
    note: str | None = None


@dataclass(frozen=True)
class _Piece:
    """A stretch in which codes mean the same, and how much its strokes weigh."""

    opening: int
    moment: datetime
    start: datetime
    end: datetime
    weight: float


@cache
def the_confusion() -> Confusion:
    """The model of reading from the plant's table of confusions."""
    return Confusion(reference.confusable_digits(), reference.reading_doubt())


def weigh(
    session: Session,
    code: DomeCode | None,
    openings: Sequence[Opening],
    machines: Directory,
    as_of: datetime,
    *,
    is_doubted: bool = False,
    defect: str | None = None,
) -> Weighed:
    """Find the machines whose cans can bear a code, each with its share of the strokes meanwhile.

    Where a code went to another machine in the middle of an opening, each machine counts with
    the strokes that it made while its cans bore the code. A code that is doubted may also be one
    that is read like it; so may one that no machine bore then, or whose machine made no can then.

    Args:
        session: an open session.
        code: as read; None: nothing could be read.
        openings: when and where the can may have been made; at least one.
        machines: the directory.
        as_of: UTC; only readings up to then.
        is_doubted: the reader was unsure.
        defect: its code, if known: what each machine made of it lately counts too.

    Returns:
        Probabilities that add up to one.
    """
    pieces = [
        one for number, each in enumerate(openings) for one in _pieces(number, each, machines)
    ]
    read = code or _NOTHING_READ
    doubts = is_doubted and code is not None
    every = _bearings(code, openings, pieces, machines, is_doubted=doubts)
    fitting = [one for one in every if one[1].is_as_read]
    if not fitting and not doubts and _bears_elsewhere(code, openings, pieces, machines):
        every = []
    chosen = every if doubts or (not fitting and code is not None) else fitting
    counted = _counted(session, chosen, as_of)
    note = None
    if not doubts and code is not None:
        note = needs_doubt(counted) if all(one.is_timed for one in openings) else None
        if not fitting and chosen:
            note = needs_doubt(counted)
        if note and chosen is fitting:
            chosen = every
            counted = _counted(session, every, as_of)
    if not doubts and not note:
        counted = [replace(one, likelihood=1.0) for one in counted]
    kept = [one for one in counted if not one.stood]
    if not kept or (note and not any(one.strokes for one in kept) and fitting):
        kept, standing = [one for one in counted if one.is_as_read] or counted, []
    else:
        standing = [one for one in counted if one.stood]
    reached = {piece.opening for piece, one in chosen if any(one.key == k.key for k in kept)}
    made = hull([openings[number].made for number in sorted(reached)] or [o.made for o in openings])
    kept = _with_rates(session, kept, defect, made, as_of)
    is_settled = not doubts and note is None and read.is_complete
    found, is_weighed = _candidates(kept, machines, is_settled, unread_counts=read.is_complete)
    return Weighed(
        found,
        made,
        is_weighed,
        (*_standing(standing, machines), *_not_built(code, every, is_doubted or note is not None)),
        note if found else None,
    )


def _bears_elsewhere(
    code: DomeCode | None,
    openings: Sequence[Opening],
    pieces: Iterable[_Piece],
    machines: Directory,
) -> bool:
    """Whether a machine bore the code, but on no line on which the can may have been made."""
    if all(one.line_id is None for one in openings):
        return False
    return any(
        code is None or code.fits(true)
        for piece in pieces
        for _machine_id, true in borne(machines, piece.moment)
    )


def _pieces(number: int, opening: Opening, machines: Directory) -> Iterator[_Piece]:
    """An opening cut where dome codes changed, and where the way makes some of it likelier."""
    made = opening.made
    if made.is_instant:
        yield _Piece(number, made.start, made.start - WEIGHING, made.start + WEIGHING, 1.0)
        return
    turns = {moment for one in machines.overrides for moment in (one.valid_from, one.valid_to)}
    edges = {made.start, made.end} | {one for one in turns if one and made.start < one < made.end}
    if opening.seen is not None:
        step = (made.end - made.start) / _PIECES
        edges |= {made.start + place * step for place in range(1, _PIECES)}
    for start, end in pairwise(sorted(edges)):
        yield _Piece(number, start, start, end, _density(opening, start, end))


def _density(opening: Opening, start: datetime, end: datetime) -> float:
    """Chance of a minute of a piece against that of one taken at random in the opening."""
    if opening.seen is None:
        return 1.0
    way, first, last = opening.seen
    middle = first + (last - first) / 2
    asked = [(middle - moment) / _MINUTE for moment in (start, end)]
    earlier, later = way.by(np.array(asked))
    share = (end - start) / (opening.made.end - opening.made.start)
    return float(max(earlier - later, 0.0) / share) if share else 1.0


def _bearings(
    code: DomeCode | None,
    openings: Sequence[Opening],
    pieces: Iterable[_Piece],
    machines: Directory,
    *,
    is_doubted: bool,
) -> list[tuple[_Piece, Bearing[uuid.UUID]]]:
    """Machines whose cans bore, in a piece of time, a code that may be read as the given one."""
    found = []
    for piece in pieces:
        line_id = openings[piece.opening].line_id
        for machine_id, true in borne(machines, piece.moment):
            machine = machines.by_id[machine_id]
            if line_id not in (None, machine.line_id):
                continue
            if code is None:
                found.append((piece, Bearing(machine_id, str(true), 1.0, "", is_as_read=True)))
                continue
            likelihood = the_confusion().of(code, true, is_doubted=is_doubted)
            if likelihood is None:
                continue
            fits = code.fits(true)
            reason = _reason(likelihood.reason, machine, true)
            found.append(
                (piece, Bearing(machine_id, str(true), likelihood.chance, reason, is_as_read=fits))
            )
    return found


def _reason(reason: str, machine: MachineView, true: DomeCode) -> str:
    if true == dome_code_of(machine.line, machine.number):
        return reason
    return _(
        "%(reason)s; a doming tool with %(code)s was in %(machine)s then",
        reason=reason,
        code=true,
        machine=machine.text,
    )


def borne(machines: Directory, moment: datetime) -> list[tuple[uuid.UUID, DomeCode]]:
    """Every code that cans of a machine bore at an instant; a recorded one wins over the default.

    The same as `Directory.candidates` says of each code.
    """
    in_force = [one for one in machines.overrides if one.holds_at(moment)]
    taken = {one.code for one in in_force}
    defaults = ((one.id, dome_code_of(one.line, one.number)) for one in machines.bodymakers)
    return [
        *((one.machine_id, one.code) for one in in_force),
        *((machine_id, code) for machine_id, code in defaults if code not in taken),
    ]


def _counted(
    session: Session, chosen: Sequence[tuple[_Piece, Bearing[uuid.UUID]]], as_of: datetime
) -> list[Bearing[uuid.UUID]]:
    spans = [Span(one.key, piece.start, piece.end) for piece, one in chosen]
    counted = [
        replace(one, strokes=strokes * piece.weight, is_known=is_known)
        for (piece, one), (strokes, is_known) in zip(
            chosen, strokes_and_reach(session, spans, as_of), strict=True
        )
    ]
    return joined(counted)


def _with_rates(
    session: Session,
    kept: list[Bearing[uuid.UUID]],
    defect: str | None,
    made: Made,
    as_of: datetime,
) -> list[Bearing[uuid.UUID]]:
    ids = list(dict.fromkeys(one.key for one in kept))
    if defect is None or len(ids) < 2:
        return kept
    rates = rates_of_defect(session, defect, ids, made.end, as_of)
    return [replace(one, rate=rates[one.key]) for one in kept]


def _candidates(
    kept: Sequence[Bearing[uuid.UUID]],
    machines: Directory,
    is_settled: bool,
    *,
    unread_counts: bool,
) -> tuple[tuple[Candidate, ...], bool]:
    if not kept:
        return (), False
    shares, is_weighed = shared(kept, unread_counts=unread_counts)
    found = [
        Candidate(
            machines.by_id[one.bearing.key],
            _code(one.bearing.code),
            one.probability,
            "" if is_settled else one.bearing.reason,
        )
        for one in shares
    ]
    found.sort(key=lambda one: (-one.probability, one.machine.line, one.machine.number))
    return tuple(found), is_weighed


def _standing(standing: Sequence[Bearing[uuid.UUID]], machines: Directory) -> Iterator[Dropped]:
    for one in standing:
        yield Dropped(_code(one.code), machines.by_id[one.key], _("not running then"))


def _not_built(
    code: DomeCode | None,
    every: Sequence[tuple[_Piece, Bearing[uuid.UUID]]],
    is_doubted: bool,
) -> Iterator[Dropped]:
    """Codes that look like the one that was read, and that no machine bears."""
    if code is None or not code.is_complete or not is_doubted:
        return
    there = {one.code for _piece, one in every}
    like = [code, *(one.code for one in the_confusion().misreadings(code))]
    for one in dict.fromkeys(like):
        if str(one) not in there:
            yield Dropped(one, None, _("no such machine"))


def _code(text: str) -> DomeCode:
    line, number = text.split("-")
    return DomeCode(line, number)
