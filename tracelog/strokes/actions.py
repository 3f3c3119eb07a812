"""Writes of the counters: readings and events, and the strokes derived from them."""

import hashlib
import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias

import numpy as np
from sqlalchemy import delete, func, literal, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import insert_tuples
from tracelog.db import UtcInstant
from tracelog.errors import UnknownReference
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Outcome, conflict, counts, refused
from tracelog.plant.queries import Directory, MachineView, directory
from tracelog.strokes.bounds import EARLIEST, reading_ends
from tracelog.strokes.facts import CounterEventFact, ReadingFact
from tracelog.strokes.hour_actions import derive_touched
from tracelog.strokes.hours import microseconds
from tracelog.strokes.models import (
    CarriedCounter,
    CounterEventRow,
    CounterQuestion,
    Reading,
    StrokeHour,
)
from tracelog.strokes.reading_actions import FreshReadings, write_readings
from tracelog.strokes.recounts import Touched
from tracelog.strokes.retired import is_retired, retired_until
from tracelog.strokes.rules import CLOCKS_DIFFER
from tracelog.strokes.timelines import accepted_at

Reported: TypeAlias = ReadingFact | CounterEventFact
READING_COLUMNS = (Reading.machine_id, Reading.read_at, (Reading.strokes,))
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
        What became of each, in order. Refused: an unknown machine, an instant that lies ahead, a
        figure above the counter's last one, another figure than was accepted before at the same
        instant, an instant in a month that was retired.
    """
    take_turn(session)
    batch = Batch(directory(session), facts, now, retired_until(session))
    asked = batch.instants()
    ends = reading_ends(session, asked)
    batch.judge(accepted_at(session, READING_COLUMNS, asked, ends))
    if batch.fresh:
        became = counts(batch.outcomes)
        write_readings(session, _fresh(batch), became, ends, batch.known, (actor, now))
    return batch.outcomes


def record_counter_events(
    session: Session, facts: Sequence[CounterEventFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep what was done to counters, and count anew the strokes that this changes.

    Args and returns as `record_readings`; a kind of event or a figure that differs from what was
    accepted before at the same instant is refused.
    """
    take_turn(session)
    batch = Batch(directory(session), facts, now, retired_until(session))
    batch.judge(accepted_at(session, _EVENT_COLUMNS, batch.instants()))
    if batch.fresh:
        audit_id = _audit(session, actor, now, batch)
        columns = ("machine_id", "at", "event", "strokes_after", "audit_id")
        rows = [(one.machine.id, one.at, *one.content, audit_id) for one in batch.fresh]
        insert_tuples(session, CounterEventRow, columns, rows)
        derive_touched(session, batch.touched(), batch.known)
    return batch.outcomes


def derive_machines(session: Session, machine_ids: Collection[uuid.UUID]) -> None:
    """Count all strokes of machines anew: when a counter's last figure or a rated speed changes.

    When the plant's zone changes, its hours do too: call it for all machines.

    Args:
        session: an open session that writes; the caller commits.
        machine_ids: machines of the plant.
    """
    take_turn(session)
    derive_touched(session, dict.fromkeys(machine_ids), directory(session))


def rebuild_strokes(session: Session, actor: Actor | None, now: datetime) -> None:
    """Drop the hours and open questions of all machines, and make them anew from the facts.

    Hours whose readings were retired are facts themselves, and stay.

    Args:
        session: an open session that writes; the caller commits.
        actor: who asks for it; None leaves no audit record.
        now: the present instant, UTC.
    """
    take_turn(session)
    known = directory(session)
    connection = session.connection()
    carried = select(CarriedCounter.hour_at).where(
        CarriedCounter.machine_id == StrokeHour.machine_id
    )
    since = func.coalesce(carried.scalar_subquery(), literal(EARLIEST, UtcInstant()))
    connection.execute(delete(StrokeHour).where(StrokeHour.hour_at >= since))
    connection.execute(delete(CounterQuestion))
    derive_touched(session, dict.fromkeys(known.by_id), known)
    if actor is not None:
        append(session, actor, now, "rebuild strokes", Subject("strokes", "all machines"))


def _fresh(batch: "Batch") -> FreshReadings:
    """What is new in a batch, as columns."""
    machines = list({told.machine.id: told.machine for told in batch.fresh}.values())
    places = {machine.id: place for place, machine in enumerate(machines)}
    rows = [(places[told.machine.id], microseconds(told.at), *told.content) for told in batch.fresh]
    return FreshReadings(machines, *np.array(rows, dtype=np.int64).T)


@dataclass(frozen=True, slots=True)
class _Told:
    """One fact of a batch, its machine found.

    `content` is what it says beyond machine and instant, as the table holds it; the counter's
    figure comes last.
    """

    machine: MachineView
    at: datetime
    content: tuple[Any, ...]
    fact: Reported

    @property
    def key(self) -> tuple[uuid.UUID, datetime]:
        """What tells it from others in its table."""
        return self.machine.id, self.at

    @property
    def place(self) -> tuple[int, int, datetime]:
        """Where it stands in a file."""
        return self.machine.line, self.machine.number, self.at


class Batch:
    """Facts of one call: which are fresh, in order of machine and time, and what became of all."""

    def __init__(
        self, known: Directory, facts: Sequence[Reported], now: datetime, retired: datetime
    ) -> None:
        self.known = known
        self.now = now
        self.retired_until = retired
        self.outcomes: list[Outcome] = []
        self.fresh: list[_Told] = []
        self._told = [self._told_by(fact) for fact in facts]

    def _told_by(self, fact: Reported) -> _Told | Outcome:
        try:
            machine = self.known.bodymaker(fact.line, fact.bodymaker)
        except UnknownReference as problem:
            return refused(problem.field, problem.sentence)
        if isinstance(fact, ReadingFact):
            return _Told(machine, fact.read_at, (fact.strokes,), fact)
        return _Told(machine, fact.at, (fact.event.value, fact.strokes_after), fact)

    def instants(self) -> dict[uuid.UUID, set[datetime]]:
        """Instants that facts are about, by machine; unknown machines are left out."""
        asked: dict[uuid.UUID, set[datetime]] = {}
        for told in self._told:
            if isinstance(told, _Told):
                asked.setdefault(told.machine.id, set()).add(told.at)
        return asked

    def judge(self, accepted: Mapping[tuple[uuid.UUID, datetime], tuple[Any, ...]]) -> None:
        """Decide on each fact, knowing what was accepted at the same instants before."""
        sent: dict[tuple[uuid.UUID, datetime], tuple[Any, ...]] = {}
        for told in self._told:
            if isinstance(told, Outcome):
                self.outcomes.append(told)
                continue
            key, last = told.key, told.machine.counter_max
            before = accepted.get(key) or sent.get(key)
            if before is not None:
                alike = before == told.content
                self.outcomes.append(
                    UNCHANGED if alike else _conflict(told, before, in_batch=key in sent)
                )
            elif told.at < self.retired_until:
                self.outcomes.append(refused(told.fact.key_fields[-1], is_retired()))
            elif told.at > self.now + CLOCKS_DIFFER:
                self.outcomes.append(_ahead(told, self.now))
            elif last is not None and told.content[-1] > last:
                self.outcomes.append(_above_last(told))
            else:
                sent[key] = told.content
                self.fresh.append(told)
                self.outcomes.append(CREATED)
        self.fresh.sort(key=lambda told: told.place)

    def touched(self) -> dict[uuid.UUID, Touched]:
        """First and last instant of what is fresh, by machine."""
        first = {told.machine.id: told.at for told in reversed(self.fresh)}
        last = {told.machine.id: told.at for told in self.fresh}
        return {machine: (at, last[machine]) for machine, at in first.items()}


def _conflict(told: _Told, before: tuple[Any, ...], *, in_batch: bool) -> Outcome:
    names = [name for name in told.fact.columns() if name not in told.fact.key_fields]
    place = next(place for place, value in enumerate(told.content) if value != before[place])
    values = {
        "value": told.content[place],
        "machine": told.machine.text,
        "at": write_instant(told.at),
        "before": before[place],
    }
    if in_batch:
        sentence = _(
            "%(value)s contradicts another row sent with it, which has %(before)s for"
            " %(machine)s at %(at)s; send one of the two",
            **values,
        )
    else:
        sentence = _(
            "%(value)s contradicts %(before)s, which was accepted before for %(machine)s at"
            " %(at)s and stands; send %(before)s or leave the row out",
            **values,
        )
    return conflict(names[place], sentence)


def _ahead(told: _Told, now: datetime) -> Outcome:
    return refused(
        told.fact.key_fields[-1],
        _(
            "%(at)s lies ahead of the present, %(now)s; send the instant at which it was so, or set"
            " the clock that is wrong",
            at=write_instant(told.at),
            now=write_instant(now.replace(microsecond=0)),
        ),
    )


def _above_last(told: _Told) -> Outcome:
    return refused(
        told.fact.columns()[-1],
        _(
            "%(strokes)d is above %(last)d, the last figure of the counter of %(machine)s;"
            " send what the counter shows, or correct counter_max of the machine first",
            strokes=told.content[-1],
            last=told.machine.counter_max,
            machine=told.machine.text,
        ),
    )


def _audit(session: Session, actor: Actor, now: datetime, batch: Batch) -> uuid.UUID:
    """Leave the record of a write of events: the fact itself, or what tells many of them."""
    fresh, noun = batch.fresh, "counter event"
    first, last = (f"{one.machine.text} {write_instant(one.at)}" for one in (fresh[0], fresh[-1]))
    if len(fresh) == 1:
        after = dict(fresh[0].fact)
        return append(session, actor, now, f"record {noun}", Subject(noun, first), None, after)
    rows = [
        ",".join((one.machine.text, write_instant(one.at), *map(str, one.content))) for one in fresh
    ]
    after = {
        "counts": counts(batch.outcomes),
        "first": first,
        "last": last,
        "earliest": write_instant(min(one.at for one in fresh)),
        "sha256": hashlib.sha256("\n".join(rows).encode()).hexdigest(),
    }
    name = f"{len(fresh)} from {first} to {last}"
    return append(session, actor, now, f"record {noun}s", Subject(noun, name), None, after)
