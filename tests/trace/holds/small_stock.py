"""Six pallets of two lines, and people who hold, look and decide."""

import uuid
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from tests.support.recorded import recorded
from tests.trace.two_lines import ZONE, fill_pallet, hour, write_plant, write_readings
from tracelog.audit import Actor
from tracelog.db import new_id
from tracelog.outcomes import Outcome
from tracelog.trace.holds.actions import raise_hold, write_steps
from tracelog.trace.holds.facts import HoldFact, HoldStepFact
from tracelog.trace.holds.queries import HoldView, hold_with_id

SARA = Actor("sara", "supervisor", "page")
QUENTIN = Actor("quentin", "quality", "page")
QUIRINE = Actor("quirine", "quality", "page")
# Two days into the history.
NOW = hour(48)
MINUTE = timedelta(minutes=1)


@recorded
def write_stock(session: Session) -> None:
    """P-1 to P-5 of line 1, an hour each from the tenth hour on, and L-1 of line 2."""
    write_plant(session)
    write_readings(session, 48)
    for number in range(1, 6):
        fill_pallet(session, f"P-{number}", 1, 9 + number, 10 + number)
    fill_pallet(session, "L-1", 2, 10, 11)


def hold_fact(**more: Any) -> HoldFact:
    """Three pallets, one of which is on record nowhere, unless said otherwise."""
    said = {"id": str(new_id()), "reason": "splits at 1-1", "pallets": ["P-1", "P-2", "X-9"]}
    return HoldFact.read(said | more, ZONE)


def held(session: Session, by: Actor = SARA, now: datetime = NOW, **more: Any) -> uuid.UUID:
    """Put stock on hold; the hold's id."""
    fact = hold_fact(**more)
    assert raise_hold(session, fact, by, now).is_kept
    assert fact.id is not None
    return fact.id


def step_fact(hold: uuid.UUID, step: str, pallet: str | None = None, **more: Any) -> HoldStepFact:
    """A step, two minutes after the hold was raised unless said otherwise."""
    said: dict[str, Any] = {"hold": str(hold), "step": step, "at": NOW + 2 * MINUTE}
    if pallet is not None:
        said["pallet"] = pallet
    if step == "found":
        said["place"] = "row 4"
    elif step != "missing":
        said["reason"] = "looked at the domes"
    if step in ("inspected", "looked-over"):
        said |= {"inspected": 125, "defective": 0}
    return HoldStepFact.read(said | more, ZONE)


def write(
    session: Session, fact: HoldStepFact, by: Actor = QUENTIN, now: datetime = NOW + 3 * MINUTE
) -> Outcome:
    """Write one step."""
    (outcome,) = write_steps(session, [fact], by, now)
    return outcome


def told(outcome: Outcome) -> str:
    """The sentence of a refusal."""
    (fault,) = outcome.faults
    return fault.sentence


def seen(session: Session, hold: uuid.UUID, now: datetime = NOW + 60 * MINUTE) -> HoldView:
    """The hold as it stands."""
    return hold_with_id(session, hold, now)
