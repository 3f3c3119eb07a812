"""Writes of the counters: readings and events, and the strokes derived from them."""

import hashlib
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeAlias, cast

from sqlalchemy import BindParameter, Table, bindparam, delete, update
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import insert_tuples, pieces
from tracelog.errors import UnknownReference
from tracelog.facts import write_value
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome, counts, refused
from tracelog.plant.queries import Directory, MachineView, directory, the_plant
from tracelog.strokes.facts import CounterEventFact, ReadingFact
from tracelog.strokes.models import CounterEventRow, CounterQuestion, Reading, StrokeHour
from tracelog.strokes.recounts import Recount, Touched, plan_recounts, recount
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.timelines import (
    EARLIEST,
    LATEST,
    accepted_at,
    timelines,
)

Reported: TypeAlias = ReadingFact | CounterEventFact
# A year of hourly readings of so many machines is held at once.
_MACHINES_AT_ONCE = 16
_READING_COLUMNS = (Reading.machine_id, Reading.read_at, (Reading.strokes,))
_EVENT_COLUMNS = (
    CounterEventRow.machine_id,
    CounterEventRow.at,
    (CounterEventRow.event, CounterEventRow.strokes_after),
)


def record_readings(
    session: Session, facts: Sequence[ReadingFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep what counters showed, and count anew the strokes that this changes.

    Args:
        session: an open session that writes; the caller commits.
        facts: in any order, also late or repeated.
        actor: who reports them.
        now: the present instant, UTC.

    Returns:
        What became of each, in order. Refused: an unknown machine, a figure above the counter's
        last one, another figure than was accepted before at the same instant.
    """
    take_turn(session)
    batch = _Batch(directory(session))
    batch.judge(facts, accepted_at(session, _READING_COLUMNS, batch.instants(facts)))
    if batch.fresh:
        audit_id = _audit(session, actor, now, "reading", batch)
        columns = ("machine_id", "read_at", "strokes", "audit_id")
        rows = [(machine.id, *fact.key[2:], *_content(fact)) for machine, fact in batch.fresh]
        insert_tuples(session, Reading, columns, [(*row, audit_id) for row in rows])
        _derive(session, batch.touched(), batch.known)
    return batch.outcomes


def record_counter_events(
    session: Session, facts: Sequence[CounterEventFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep what was done to counters, and count anew the strokes that this changes.

    Args and returns as `record_readings`; a kind of event or a figure that differs from what was
    accepted before at the same instant is refused.
    """
    take_turn(session)
    batch = _Batch(directory(session))
    batch.judge(facts, accepted_at(session, _EVENT_COLUMNS, batch.instants(facts)))
    if batch.fresh:
        audit_id = _audit(session, actor, now, "counter event", batch)
        columns = ("machine_id", "at", "event", "strokes_after", "audit_id")
        rows = [(machine.id, *fact.key[2:], *_content(fact)) for machine, fact in batch.fresh]
        insert_tuples(session, CounterEventRow, columns, [(*row, audit_id) for row in rows])
        _derive(session, batch.touched(), batch.known)
    return batch.outcomes


def derive_machines(session: Session, machine_ids: Collection[uuid.UUID]) -> None:
    """Count all strokes of machines anew: when a counter's last figure or a rated speed changes.

    When the plant's zone changes, its hours do too: call it for all machines.

    Args:
        session: an open session that writes; the caller commits.
        machine_ids: machines of the plant.
    """
    take_turn(session)
    _derive(session, dict.fromkeys(machine_ids), directory(session))


def rebuild_strokes(session: Session, actor: Actor | None, now: datetime) -> None:
    """Drop the hours and open questions of all machines, and make them anew from the facts.

    Args:
        session: an open session that writes; the caller commits.
        actor: who asks for it; None leaves no audit record.
        now: the present instant, UTC.
    """
    take_turn(session)
    known = directory(session)
    connection = session.connection()
    connection.execute(delete(StrokeHour))
    connection.execute(delete(CounterQuestion))
    _derive(session, dict.fromkeys(known.by_id), known)
    if actor is not None:
        append(session, actor, now, "rebuild strokes", Subject("strokes", _("all machines")))


def _content(fact: Reported) -> tuple[Any, ...]:
    """What a fact says beyond its key, as the table holds it."""
    if isinstance(fact, ReadingFact):
        return (fact.strokes,)
    return fact.event.value, fact.strokes_after


@dataclass
class _Batch:
    """Facts of one call: which are fresh, and what becomes of the others."""

    known: Directory
    outcomes: list[Outcome] = field(default_factory=list)
    fresh: list[tuple[MachineView, Reported]] = field(default_factory=list)

    def instants(self, facts: Iterable[Reported]) -> dict[uuid.UUID, set[datetime]]:
        """Instants that facts are about, by machine; unknown machines are left out."""
        asked: dict[uuid.UUID, set[datetime]] = {}
        for fact in facts:
            machine = self._machine(fact)
            if isinstance(machine, MachineView):
                asked.setdefault(machine.id, set()).add(fact.key[2])
        return asked

    def judge(
        self,
        facts: Iterable[Reported],
        accepted: Mapping[tuple[uuid.UUID, datetime], tuple[Any, ...]],
    ) -> None:
        """Decide on each fact, knowing what was accepted at the same instants before."""
        sent: dict[tuple[uuid.UUID, datetime], tuple[Any, ...]] = {}
        for fact in facts:
            machine = self._machine(fact)
            if isinstance(machine, Outcome):
                self.outcomes.append(machine)
                continue
            key, content = (machine.id, fact.key[2]), _content(fact)
            if key in accepted or key in sent:
                before = accepted.get(key) or sent[key]
                self.outcomes.append(
                    UNCHANGED
                    if before == content
                    else _conflict(machine, fact, before, in_batch=key in sent)
                )
            elif machine.counter_max is not None and content[-1] > machine.counter_max:
                self.outcomes.append(_above_last(machine, fact))
            else:
                sent[key] = content
                self.fresh.append((machine, fact))
                self.outcomes.append(CREATED)

    def touched(self) -> dict[uuid.UUID, Touched]:
        """First and last instant of what is fresh, by machine."""
        instants: dict[uuid.UUID, list[datetime]] = {}
        for machine, fact in self.fresh:
            instants.setdefault(machine.id, []).append(fact.key[2])
        return {machine: (min(at), max(at)) for machine, at in instants.items()}

    def _machine(self, fact: Reported) -> MachineView | Outcome:
        found = self.known.machines.get((fact.line, "bodymaker", fact.bodymaker))
        if found is not None:
            return found
        try:
            return self.known.bodymaker(fact.line, fact.bodymaker)
        except UnknownReference as problem:
            return refused(problem.field, problem.sentence)


def _conflict(
    machine: MachineView, fact: Reported, before: tuple[Any, ...], *, in_batch: bool
) -> Outcome:
    names = [name for name in fact.columns() if name not in fact.key_fields]
    content = _content(fact)
    place = next(place for place, value in enumerate(content) if value != before[place])
    said = _("another row sent with it says") if in_batch else _("accepted before was")
    return refused(
        names[place],
        _(
            "%(value)s contradicts what is known of %(machine)s at %(at)s: %(said)s %(before)s;"
            " what was accepted stands, so send %(before)s or leave the row out",
            value=content[place],
            machine=machine.text,
            at=write_instant(fact.key[2]),
            said=said,
            before=before[place],
        ),
    )


def _above_last(machine: MachineView, fact: Reported) -> Outcome:
    return refused(
        fact.columns()[-1],
        _(
            "%(strokes)d is above %(last)d, the last figure of the counter of %(machine)s;"
            " send what the counter shows, or correct counter_max of the machine first",
            strokes=_content(fact)[-1],
            last=machine.counter_max,
            machine=machine.text,
        ),
    )


def _audit(session: Session, actor: Actor, now: datetime, noun: str, batch: _Batch) -> uuid.UUID:
    fresh = sorted((fact for _machine, fact in batch.fresh), key=lambda fact: fact.key)
    first, last = (" ".join(map(write_value, fact.key)) for fact in (fresh[0], fresh[-1]))
    if len(fresh) == 1:
        return append(
            session, actor, now, f"record {noun}", Subject(noun, first), None, dict(fresh[0])
        )
    digest = hashlib.sha256()
    for fact in fresh:
        digest.update((",".join(map(write_value, (*fact.key, *_content(fact)))) + "\n").encode())
    after = {
        "counts": counts(batch.outcomes),
        "first": first,
        "last": last,
        "sha256": digest.hexdigest(),
    }
    name = f"{len(fresh)} from {first} to {last}"
    return append(session, actor, now, f"record {noun}s", Subject(noun, name), None, after)


def _derive(session: Session, touched: Mapping[uuid.UUID, Touched], known: Directory) -> None:
    """Make hours and questions of machines what the facts say, where they were touched."""
    zone = the_plant(session).zone
    for part in pieces(touched.items(), _MACHINES_AT_ONCE):
        plans, rows = plan_recounts(session, dict(part), zone)
        lines = timelines(session, [plan.window for plan in plans])
        recounts = []
        for plan in plans:
            machine = known.by_id[plan.window.machine_id]
            limits = CounterLimits(machine.counter_max, machine.rated_spm)
            recounts.append(recount(plan, lines[machine.id], limits, zone, rows))
        _replace(session, recounts)


def _replace(session: Session, recounts: Sequence[Recount]) -> None:
    """Put what was counted anew in the place of what stood there."""
    if not recounts:
        return
    hours, questions = cast(Table, StrokeHour.__table__), cast(Table, CounterQuestion.__table__)
    connection = session.connection()
    machine: BindParameter[Any] = bindparam("machine")
    start: BindParameter[Any] = bindparam("start")
    end: BindParameter[Any] = bindparam("end")
    connection.execute(
        delete(hours).where(
            hours.c.machine_id == machine, hours.c.hour_at >= start, hours.c.hour_at < end
        ),
        [
            {
                "machine": one.plan.window.machine_id,
                "start": one.plan.from_hour or EARLIEST,
                "end": one.plan.until_hour or LATEST,
            }
            for one in recounts
        ],
    )
    connection.execute(
        delete(questions).where(
            questions.c.machine_id == machine, questions.c.to_at > start, questions.c.to_at <= end
        ),
        [
            {
                "machine": one.plan.window.machine_id,
                "start": one.plan.window.start or EARLIEST,
                "end": one.plan.window.end or LATEST,
            }
            for one in recounts
        ],
    )
    insert_tuples(
        session,
        StrokeHour,
        ("machine_id", "hour_at", "strokes", "total_before"),
        [row for one in recounts for row in one.hours],
    )
    insert_tuples(
        session,
        CounterQuestion,
        ("machine_id", "to_at", "from_at", "from_strokes", "to_strokes"),
        [row for one in recounts for row in one.questions],
    )
    shifts = [
        {
            "machine": one.plan.window.machine_id,
            "start": one.plan.until_hour,
            "shift": one.shift,
        }
        for one in recounts
        if one.shift
    ]
    if shifts:
        connection.execute(
            update(hours)
            .where(hours.c.machine_id == machine, hours.c.hour_at >= start)
            .values(total_before=hours.c.total_before + bindparam("shift")),
            shifts,
        )
