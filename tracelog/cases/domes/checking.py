"""The dome-number check: bad cans against the strokes of all machines that can have made them."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.cases.domes.facts import DomesFact
from tracelog.cases.domes.rules import MachineShare, further_cans, shared, spread_of
from tracelog.errors import TracelogError, UnknownReference
from tracelog.facts import known_words
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, dome_code_of
from tracelog.plant.queries import Directory, MachineView, PlantView
from tracelog.stats.dome_numbers import Spread
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trace.candidates import borne
from tracelog.trace.making import Question, openings
from tracelog.trace.rules import Made


@dataclass(frozen=True)
class DomesAnswer:
    """What a handful of bad cans suggests.

    Attributes:
        machines: all bodymakers of the lines in question, in order.
        spread: the exact chance, and what it suggests.
        made_from, made_to, basis: when the cans can have been made, and what says so.
        unread: codes with a digit that nobody could read; they are left out.
        is_weighed: whether strokes tell machines apart.
        moved: codes that went to another machine in that time.
        further: cans of the same machine that would suggest it; None: it does, or too many.
    """

    machines: tuple[MachineShare, ...]
    spread: Spread
    made_from: datetime
    made_to: datetime
    basis: str
    unread: tuple[DomeCode, ...]
    is_weighed: bool
    moved: tuple[DomeCode, ...]
    further: int | None

    @property
    def striking(self) -> MachineShare:
        """The machine that surprises most."""
        return self.machines[self.spread.machine]


def check_domes(
    session: Session, plant: PlantView, machines: Directory, fact: DomesFact, as_of: datetime
) -> DomesAnswer:
    """Compare bad cans with what each machine made in the time in which they can be made.

    Only machines of the lines that the codes name are compared: that the cans are of these lines
    is taken for known.

    Args:
        session: an open session.
        plant, machines: as read.
        fact: the codes and the time.
        as_of: UTC; only readings up to then, and the time found where none is given.

    Raises:
        TracelogError: a time lies ahead; or a can is of a machine that made none then.
        UnknownReference: no machine bore a code.
    """
    for name in ("seen_from", "seen_at", "made_from", "made_to"):
        moment = getattr(fact, name)
        if moment is not None and moment > as_of:
            raise TracelogError(_("lies ahead; give a time up to now"), name)
    read = [one for one in fact.codes if one.is_complete]
    unread = tuple(one for one in fact.codes if not one.is_complete)
    if not read:
        raise TracelogError(
            _("has no code that could be read whole; a digit must not be guessed"), "codes"
        )
    lines = sorted({int(one.line) for one in read})
    for line in lines:
        try:
            machines.line(line)
        except UnknownReference as problem:
            raise UnknownReference(problem.sentence, "codes") from None
    made = {line: _made(session, plant, machines, line, fact, as_of) for line in lines}
    compared = [one for one in machines.bodymakers if one.line in made]
    spans = [Span(one.id, made[one.line].start, made[one.line].end) for one in compared]
    strokes = strokes_between(session, spans, as_of)
    counts, moved = _counted(machines, compared, read, made)
    codes = dict(borne(machines, made[lines[0]].middle))
    named = [(one.text, codes.get(one.id, dome_code_of(one.line, one.number))) for one in compared]
    shares = shared(named, counts, strokes)
    is_weighed = any(strokes)
    for one in shares:
        if one.cans and is_weighed and not one.strokes:
            raise TracelogError(
                _(
                    "%(cans)d cans bear %(code)s, but no stroke of %(machine)s is known in the time"
                    " in which they can be made; read them again, give another time, or see whether"
                    " its number stands on another machine",
                    cans=one.cans,
                    code=one.code,
                    machine=one.machine,
                ),
                "codes",
            )
    spread = spread_of(shares)
    first = made[lines[0]]
    return DomesAnswer(
        shares,
        spread,
        min(one.start for one in made.values()),
        max(one.end for one in made.values()),
        first.basis,
        unread,
        is_weighed,
        moved,
        further_cans(shares, spread),
    )


def _made(
    session: Session,
    plant: PlantView,
    machines: Directory,
    line: int,
    fact: DomesFact,
    as_of: datetime,
) -> Made:
    if fact.made_from is not None and fact.made_to is not None:
        return Made(fact.made_from, fact.made_to, _("the time given"))
    last = _opening(session, plant, machines, line, fact, fact.seen_at or as_of, as_of)
    if fact.seen_from is None:
        return last
    first = _opening(session, plant, machines, line, fact, fact.seen_from, as_of)
    return Made(first.start, last.end, last.basis)


def _opening(
    session: Session,
    plant: PlantView,
    machines: Directory,
    line: int,
    fact: DomesFact,
    seen_at: datetime,
    as_of: datetime,
) -> Made:
    question = Question(seen_at=seen_at, found_at=fact.found_at)
    for one in openings(session, question, None, plant, as_of):
        if one.line_id == machines.line(line):
            return one.made
    raise TracelogError(_("no can of line %(line)d fits the times", line=line), "seen_at")


def _counted(
    machines: Directory,
    compared: Sequence[MachineView],
    read: Sequence[DomeCode],
    made: dict[int, Made],
) -> tuple[list[int], tuple[DomeCode, ...]]:
    """Cans of each machine, and the codes that another machine bore at an end of the time."""
    place = {one.id: number for number, one in enumerate(compared)}
    counts, moved = [0] * len(compared), []
    for code, cans in Counter(read).items():
        time = made[int(code.line)]
        bearers = [
            next(
                (machine for machine, borne_code in borne(machines, at) if borne_code == code), None
            )
            for at in (time.middle, time.start, time.end)
        ]
        if bearers[0] not in place:
            line = int(code.line)
            known = [one.number for one in compared if one.line == line]
            raise UnknownReference(
                _(
                    "no bodymaker of line %(line)d bore the number of %(code)s then; they are"
                    " %(known)s",
                    line=line,
                    code=code,
                    known=known_words(known) or _("none"),
                ),
                "codes",
            )
        counts[place[bearers[0]]] += cans
        if len(set(bearers)) > 1:
            moved.append(code)
    return counts, tuple(moved)
