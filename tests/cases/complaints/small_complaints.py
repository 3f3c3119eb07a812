"""Complaints about the pallets of `tests.trace.holds.small_stock`."""

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from tests.trace.holds.small_stock import MINUTE, NOW, SARA
from tests.trace.two_lines import ZONE
from tracelog.audit import Actor
from tracelog.cases.complaints.actions import write_complaint, write_complaint_steps
from tracelog.cases.complaints.facts import ComplaintFact, ComplaintStepFact
from tracelog.cases.complaints.queries import ComplaintView, complaint_with_id
from tracelog.db import new_id
from tracelog.outcomes import Outcome

LATER = NOW + 60 * MINUTE


def complaint_fact(**more: Any) -> ComplaintFact:
    """A split can of 1-1 from pallet P-1, unless said otherwise."""
    said = {
        "id": str(new_id()),
        "received_at": NOW - 60 * MINUTE,
        "customer_reference": "Q-2291",
        "code": "1-1",
        "certainty": "sure",
        "pallet": "P-1",
        "defect": "split",
        "cans": 3,
        "cans_run": 12000,
    }
    return ComplaintFact.read(said | more, ZONE)


def written(session: Session, now: datetime = NOW, by: Actor = SARA, **more: Any) -> uuid.UUID:
    """Write a complaint; its id."""
    fact = complaint_fact(**more)
    assert write_complaint(session, fact, by, now).is_kept
    assert fact.id is not None
    return fact.id


def step_fact(complaint: uuid.UUID, step: str, **more: Any) -> ComplaintStepFact:
    """A step a minute after it was written, unless said otherwise."""
    said: dict[str, Any] = {"complaint": str(complaint), "step": step, "at": NOW + MINUTE}
    if step not in ("held", "case", "photo"):
        said["text"] = "said so"
    return ComplaintStepFact.read(said | more, ZONE)


def write(session: Session, fact: ComplaintStepFact, now: datetime = NOW + 2 * MINUTE) -> Outcome:
    """Write one step."""
    (outcome,) = write_complaint_steps(session, [fact], SARA, now)
    return outcome


def seen(session: Session, complaint: uuid.UUID, now: datetime = LATER) -> ComplaintView:
    """The complaint as it stands."""
    return complaint_with_id(session, complaint, now)
