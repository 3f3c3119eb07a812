"""Settling jumps of counters: what people decide on them is kept, and strokes counted anew."""

import uuid
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.audit import Actor, take_turn
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import UNCHANGED, Became, Outcome, conflict, refused
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.queries import BODYMAKER, MachineView, directory
from tracelog.strokes.facts import CounterDecisionFact, CounterSettlementFact, Verdict
from tracelog.strokes.hour_actions import derive_touched
from tracelog.strokes.models import CounterSettlement, Reading
from tracelog.strokes.question_rules import shown_strokes
from tracelog.strokes.recounts import Touched
from tracelog.strokes.retired import is_retired, retired_until
from tracelog.strokes.rules import CLOCKS_DIFFER, CounterLimits, most_risen
from tracelog.strokes.settlements import Key, Settlement, Stretch, latest_settlements, stretches_to
from tracelog.strokes.timelines import accepted_at

_SETTLEMENTS = Keeping(
    table=CounterSettlement,
    kind="counter settlements",
    key=("machine_id", "to_at", "settled_at"),
    values=("verdict", "from_at", "strokes", "settled_by", "note"),
    among="machine_id",
    between="to_at",
    told_at={"machine_id": "bodymaker"},
)


def record_counter_settlements(
    session: Session, facts: Sequence[CounterSettlementFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep what was decided on jumps of counters, and count anew the strokes that this changes.

    What was decided of a stretch that is another by now is kept too, and so is what was decided
    of a reading that has not come yet: neither has a say until the facts fit.

    Args:
        session: an open session that writes; the caller commits.
        facts: in any order, also late or repeated.
        actor: who reports them.
        now: the present instant, UTC.

    Returns:
        What became of each, in order. Refused: an unknown machine, a decision that lies ahead,
        another one of the same reading at the same instant, one on a reading that was retired.
    """
    take_turn(session)
    known = directory(session)

    def row_of(fact: CounterSettlementFact) -> Values:
        machine = known.bodymaker(fact.line, fact.bodymaker)
        key = (machine.id, fact.to_at, fact.settled_at)
        return (*key, fact.verdict.value, fact.from_at, fact.strokes, fact.settled_by, fact.note)

    retired = retired_until(session)
    rows = [
        _refusal(fact, now, retired) or row
        for fact, row in zip(facts, resolved(facts, row_of), strict=True)
    ]
    names = {machine.id: machine.text for machine in known.machines.values()}
    outcomes = record_rows(session, _SETTLEMENTS, rows, actor, now, names=names)
    derive_touched(session, _touched(rows, outcomes), known)
    return outcomes


def _refusal(fact: CounterSettlementFact, now: datetime, retired: datetime) -> Outcome | None:
    """Why a decision is not taken, whatever machine it is about; None: it may be."""
    if fact.to_at < retired:
        return refused("to_at", is_retired())
    if fact.settled_at <= now + CLOCKS_DIFFER:
        return None
    return refused(
        "settled_at",
        _(
            "lies ahead of the present, %(now)s; send the instant of the decision",
            now=write_instant(now.replace(microsecond=0)),
        ),
    )


def _not_read(machine: MachineView, moment: datetime) -> str:
    return _(
        "the counter of %(machine)s was not read at %(at)s; give the instant of the reading that"
        " the question is about",
        machine=machine.text,
        at=write_instant(moment),
    )


def _touched(
    rows: Sequence[Values | Outcome], outcomes: Sequence[Outcome]
) -> dict[uuid.UUID, Touched]:
    """First and last reading that something new was said of, by machine."""
    found: dict[uuid.UUID, tuple[datetime, datetime]] = {}
    for row, outcome in zip(rows, outcomes, strict=True):
        if isinstance(row, Outcome) or outcome.became is not Became.CREATED:
            continue
        machine, to_at = row[0], row[1]
        first, last = found.get(machine, (to_at, to_at))
        found[machine] = (min(first, to_at), max(last, to_at))
    return dict(found)


def settle_counters(
    session: Session, facts: Sequence[CounterDecisionFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Decide on jumps of counters as they stand now.

    Args:
        session: an open session that writes; the caller commits.
        facts: the decisions; who settled and when is the actor and now unless they say so.
        actor: who decides.
        now: the present instant, UTC.

    Returns:
        What became of each, in order. Refused beside what `record_counter_settlements` refuses:
        an instant at which the counter was not read; a question that somebody else settled
        meanwhile, or whose stretch is another by now; strokes that no machine makes in that time
        and the counter does not show.
    """
    take_turn(session)
    looked_at = _LookedAt(session, facts)
    judged = [looked_at.judge(fact, _as_settlement(fact, actor, now)) for fact in facts]
    kept = [one for one in judged if isinstance(one, CounterSettlementFact)]
    became = iter(record_counter_settlements(session, kept, actor, now))
    return [one if isinstance(one, Outcome) else next(became) for one in judged]


class _LookedAt:
    """The questions of one call as they stand: readings, stretches, what was settled last."""

    def __init__(self, session: Session, facts: Sequence[CounterDecisionFact]) -> None:
        self._known = directory(session)
        asked: dict[uuid.UUID, set[datetime]] = {}
        for fact in facts:
            if machine := self._machine(fact):
                asked.setdefault(machine.id, set()).add(fact.to_at)
        keys = [(machine, moment) for machine, moments in asked.items() for moment in moments]
        columns = (Reading.machine_id, Reading.read_at, (Reading.strokes,))
        self._read = accepted_at(session, columns, asked)
        self._settled = latest_settlements(session, keys)
        self._stretches = stretches_to(session, keys)
        self._decided: set[Key] = set()

    def _machine(self, fact: CounterSettlementFact) -> MachineView | None:
        return self._known.machines.get((fact.line, BODYMAKER, fact.bodymaker))

    def judge(
        self, fact: CounterDecisionFact, settling: CounterSettlementFact
    ) -> Outcome | CounterSettlementFact:
        """What is to be recorded, or why not."""
        machine = self._machine(fact)
        if machine is None:
            return settling  # told when it is recorded
        key = (machine.id, fact.to_at)
        if key not in self._read:
            return refused("to_at", _not_read(machine, fact.to_at))
        last = self._settled.get(key)
        if last is None and settling.verdict is Verdict.OPEN:
            return UNCHANGED
        if last is not None and _says(last) == _says(settling):
            return UNCHANGED
        if key in self._decided:
            return conflict("to_at", _("is decided on by another item too; send one of the two"))
        self._decided.add(key)
        problem = last and _overtaken(fact, settling, last)
        if problem is None and settling.verdict is Verdict.MADE:
            problem = _unlike(settling, self._stretches.get(key), machine)
        return problem or settling


def _as_settlement(fact: CounterDecisionFact, actor: Actor, now: datetime) -> CounterSettlementFact:
    return CounterSettlementFact.model_construct(
        line=fact.line,
        bodymaker=fact.bodymaker,
        to_at=fact.to_at,
        settled_at=fact.settled_at or now,
        verdict=fact.verdict,
        from_at=fact.from_at,
        strokes=fact.strokes,
        settled_by=fact.settled_by or actor.name[:80],
        note=fact.note,
    )


def _says(one: Settlement | CounterSettlementFact) -> tuple[object, ...]:
    return one.verdict, one.from_at, one.strokes, one.settled_by, one.note


def _overtaken(
    fact: CounterDecisionFact, settling: CounterSettlementFact, last: Settlement
) -> Outcome | None:
    """Refuse what was decided without knowing of what somebody else decided last."""
    by = last.settled_by or _("somebody")
    if fact.last_settled_at != last.settled_at:
        return conflict(
            "last_settled_at",
            _(
                "%(by)s settled this at %(at)s: %(said)s; look at the question again",
                by=by,
                at=write_instant(last.settled_at),
                said=said_in_words(last),
            ),
        )
    if settling.settled_at <= last.settled_at:
        return refused(
            "settled_at",
            _(
                "does not lie after %(at)s, when %(by)s settled this; the latest decision stands",
                at=write_instant(last.settled_at),
                by=by,
            ),
        )
    return None


def said_in_words(settlement: Settlement) -> str:
    """What was decided, for people."""
    if settlement.verdict is Verdict.MADE:
        return _("%(strokes)d strokes were made", strokes=settlement.strokes or 0)
    if settlement.verdict is Verdict.MISREAD:
        return _("the reading is wrong")
    return _("opened again")


def _unlike(
    settling: CounterSettlementFact, stretch: Stretch | None, machine: MachineView
) -> Outcome | None:
    """Refuse strokes that cannot be those of the stretch as it is now."""
    if stretch is None:
        return refused(
            "to_at",
            _("the counter was not read before, so that no strokes are counted up to it"),
        )
    figures = stretch.figures
    if figures.from_at != settling.from_at:
        return conflict(
            "from_at",
            _(
                "the stretch that ends at %(to)s begins at %(from)s by now, with %(figure)d; look"
                " at the question again",
                **{
                    "to": write_instant(figures.to_at),
                    "from": write_instant(figures.from_at),
                    "figure": figures.from_strokes,
                },
            ),
        )
    limits = CounterLimits(machine.counter_max, machine.rated_spm)
    made, most = settling.strokes or 0, int(most_risen(figures.minutes, limits))
    if made <= most or made == shown_strokes(figures, limits):
        return None
    return refused(
        "strokes",
        _(
            "%(made)d are more than %(machine)s can have made in that time, %(most)d at most; give"
            " what the counter shows, or what is known otherwise",
            made=made,
            machine=machine.text,
            most=most,
        ),
    )
