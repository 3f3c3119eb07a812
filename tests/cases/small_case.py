"""A case on the hand-made log: splits of 1-1 on five days, a new ring, and five days without.

1-1 makes a million strokes a day. See `tests.trends.small_log` for the days.
"""

import uuid
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from tests.support.recorded import recorded
from tests.trends.small_log import ZONE, day, entry, write_log
from tracelog.audit import Actor
from tracelog.cases.actions import open_case
from tracelog.cases.facts import CaseFact, StepFact
from tracelog.cases.step_actions import add_step
from tracelog.db import new_id
from tracelog.plant.queries import directory
from tracelog.trends.models import Signal

BY = Actor("Sara", "supervisor", "page")
# Half a day after the last entry before the new ring, and before the first day without.
ACTED_AT = day(5)


@recorded
def write_history(session: Session) -> None:
    """Two splits of 1-1 on each of the first five days, and one of 1-2 on the eighth."""
    write_log(
        session,
        [
            *(entry(n, "1-1", "split", cans=2, occurrences=2) for n in range(5)),
            entry(8, "1-2", "split"),
        ],
    )


def case_fact(**more: Any) -> CaseFact:
    """Splits on 1-1 since the log begins, unless said otherwise."""
    said = {
        "id": str(new_id()),
        "title": "splits on 1-1",
        "defect": "split",
        "place": "1-1",
        "since_at": day(0).isoformat(),
    }
    return CaseFact.read(said | more, ZONE)


def opened(session: Session, now: datetime = ACTED_AT, **more: Any) -> uuid.UUID:
    """Open a case; its id."""
    fact = case_fact(**more)
    assert open_case(session, fact, BY, now).is_kept
    assert fact.id is not None
    return fact.id


def step_fact(case_id: uuid.UUID, kind: str, at: datetime, **more: Any) -> StepFact:
    """A step with some text."""
    said = {"case": str(case_id), "kind": kind, "at": at.isoformat(), "text": "third ring new"}
    return StepFact.read(said | more, ZONE)


def acted(session: Session, case_id: uuid.UUID, at: datetime = ACTED_AT) -> None:
    """Write down the action on a case."""
    fact = step_fact(case_id, "action", at)
    assert add_step(session, fact, BY, at + timedelta(minutes=1)).is_kept


def raised(session: Session, kind: str, at: datetime, machine: str = "1-1") -> None:
    """Keep a signal that is on."""
    same = dict.fromkeys(("raised_at", "since", "since_low", "since_high"), at)
    numbers = dict.fromkeys(("ratio", "score", "threshold", "baseline_per_million"), 4.0)
    machine_id = directory(session).machine_named(machine).id
    session.execute(
        insert(Signal).values(
            machine_id=machine_id, defect="split", kind=kind, count=6, strokes=9, **same, **numbers
        )
    )
