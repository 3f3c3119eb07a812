"""The sampling plan that goes with an answer about suspect cans."""

from sqlalchemy.orm import Session

from tracelog.defects.queries import vocabulary
from tracelog.reference import defect_type
from tracelog.trace.suspects.asking import Suspects
from tracelog.trace.suspects.clearing import ZERO_SEVERITIES, Clearing, clearing
from tracelog.trace.suspects.questions import PlanWish


def severity_of(session: Session, defect: str | None) -> str | None:
    """How serious a defect is, as the plant says, else as the vocabulary does."""
    if not defect:
        return None
    own = next((one for one in vocabulary(session) if one.defect == defect), None)
    if own is not None and own.severity:
        return own.severity
    known = defect_type(defect)
    return known.severity if known else None


def plan_for(session: Session, found: Suspects, wish: PlanWish) -> Clearing | None:
    """The plan for the cans that are held, or for the lot that was asked for; None: no lot.

    Where bad cans may leak or meet the drink, or where nobody knows what they do, not one may be
    found.

    Raises:
        TracelogError: the plan cannot be had, told at its field.
    """
    lot = wish.lot or found.window.tally_at(found.wish.risk).cans
    if lot < 2:
        return None
    severity = severity_of(session, found.wish.defect)
    is_zero = severity is None or severity in ZERO_SEVERITIES
    return clearing(lot, wish.quality_level, wish.level, is_zero, wish.seen)
