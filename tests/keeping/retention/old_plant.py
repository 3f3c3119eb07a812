"""A plant of counters whose months are old enough to go, and what is asked of it."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from tests.strokes.counters import (
    ACTOR,
    counter_event,
    derived,
    make_plant,
    reading,
    settlement,
)
from tests.support.plants import ENDS_AT
from tracelog import db
from tracelog.buckets import Bucket
from tracelog.defects.actions import seed_vocabulary
from tracelog.keeping.integrity import Integrity, look_over
from tracelog.keeping.retention.actions import RetiredNow, retire_month
from tracelog.keeping.retention.queries import due_months
from tracelog.outcomes import CREATED
from tracelog.plant.models import Machine
from tracelog.plant.queries import directory
from tracelog.strokes.actions import (
    record_counter_events,
    record_readings,
)
from tracelog.strokes.models import Reading
from tracelog.strokes.queries import (
    first_reading,
    last_reading,
    machine_span,
    open_questions,
    strokes_by_bucket,
)
from tracelog.strokes.questions import silences
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements

START = datetime(2026, 1, 20, 5, 30, tzinfo=UTC)
END = datetime(2026, 5, 6, tzinfo=UTC)
NOW = END + timedelta(hours=3)
MARCH, APRIL = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
# An hour that is not UTC's, and one whose clock is changed in between.
ZONES = ("Asia/Kolkata", "Europe/Madrid")
LIMITS = {number: CounterLimits(99_999, 400) for number in (1, 2, 3, 4)}


def fill(engine: Engine, zone: str) -> None:
    """Four counters: one to the end, one that ended in February, one that began in April, one odd.

    The odd one rolls over, was reset, has a wrong reading just before March, and says nothing
    for weeks.
    """
    with db.writing(engine) as session:
        make_plant(session, zone, LIMITS)
        seed_vocabulary(session, ACTOR, NOW)
    steps = int((END - START) / timedelta(hours=5))
    every = [START + timedelta(hours=5) * step for step in range(steps)]
    facts = [reading(1, at, step * 1_500 % 100_000) for step, at in enumerate(every)]
    early = [one for one in every if one < MARCH - 9 * HOUR]
    facts += [reading(2, at, step * 700 % 100_000) for step, at in enumerate(early)]
    facts += [reading(3, at, 5 + step) for step, at in enumerate(every) if at >= APRIL + HOUR]
    odd = [one for one in every if not MARCH + 50 * HOUR < one < APRIL + 50 * HOUR]
    facts += [reading(4, at, step * 900 % 100_000) for step, at in enumerate(odd)]
    wrong = MARCH - timedelta(minutes=20)
    facts.append(reading(4, wrong, 77))
    with db.writing(engine) as session:
        for piece in (facts[::2], facts[1::2]):
            assert set(record_readings(session, piece, ACTOR, NOW)) == {CREATED}
        decided = [settlement(4, wrong, None, "misread", wrong + HOUR)]
        assert record_counter_settlements(session, decided, ACTOR, NOW) == [CREATED]
        event = counter_event(2, START + 3 * HOUR, 0)
        assert record_counter_events(session, [event], ACTOR, NOW) == [CREATED]
        settle_all(session)


def settle_all(session: Session) -> None:
    """Say of every open question, as soon as it came up, that so many strokes were made."""
    machines = directory(session).by_id
    for one in open_questions(session):
        machine = machines[one.machine_id]
        said = settlement(machine.number, one.to_at, (one.from_at, 10), settled_at=one.to_at)
        said = said.model_copy(update={"line": machine.line})
        assert record_counter_settlements(session, [said], ACTOR, ENDS_AT) == [CREATED]
    assert open_questions(session) == []


def numbers(session: Any) -> dict[int, Any]:
    return {number: key for number, key in session.execute(select(Machine.number, Machine.id))}  # noqa: C416


def go(engine: Engine, folder: Path, keep: int = 1) -> list[RetiredNow]:
    """Retire all months that are due."""
    done = []
    while True:
        with db.writing(engine) as session:
            due = next(due_months(session, NOW, keep), None)
            if due is None:
                return done
            done.append(retire_month(session, due, folder, ACTOR, NOW))


def answers(engine: Engine) -> dict[str, Any]:
    """What is asked of counters without looking back: hours, days, spans, first and last."""
    with db.reading(engine) as session:
        return {
            "derived": derived(session),
            "spans": machine_span(session),
            "first": first_reading(session),
            "last": last_reading(session),
            "days": set(strokes_by_bucket(session, None, START, END, Bucket.DAY)),
            "silent": silences(session, NOW),
            "then": machine_span(session, as_of=APRIL + 30 * HOUR),
        }


def whole(engine: Engine) -> Integrity:
    with db.writing(engine) as session:
        found = look_over(session, NOW, rebuild=False)
        session.rollback()
    return found


def readings_of(engine: Engine) -> int:
    with db.reading(engine) as session:
        return session.execute(select(func.count()).select_from(Reading)).scalar_one()
