"""Writes of the vocabulary: which kinds of defect the plant has. No action commits."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog import reference
from tracelog.audit import Actor, take_turn
from tracelog.defects.checking import vocabulary_ids
from tracelog.defects.facts import DefectTypeFact, Severity
from tracelog.defects.models import DefectType
from tracelog.outcomes import Outcome
from tracelog.plant.batch_actions import Keeping, record_rows

_DEFECT_TYPES = Keeping(
    DefectType,
    "defect types",
    key=("defect",),
    values=DefectTypeFact.columns()[1:],
    among="defect",
    is_setting=True,
)


def record_defect_types(
    session: Session, facts: Sequence[DefectTypeFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Enter kinds of defect, or change what is known of them; a blank never erases.

    Args:
        session: an open session that writes.
        facts: the kinds of defect; one code twice with other content is refused.
        actor: who acts.
        now: when, UTC.

    Returns:
        What became of each fact, in order.
    """
    take_turn(session)
    rows = [
        (
            *(fact.defect, fact.name, fact.stage),
            fact.severity.value if fact.severity else None,
            *(fact.arises_at, fact.traces_to, fact.notes),
        )
        for fact in facts
    ]
    return record_rows(session, _DEFECT_TYPES, rows, actor, now)


def seed_vocabulary(session: Session, actor: Actor, now: datetime) -> list[Outcome]:
    """Enter the vocabulary of the trade if the plant has none of its own yet.

    Returns:
        What became of each kind of defect; empty if the plant has some already.
    """
    take_turn(session)
    if vocabulary_ids(session).ids:
        return []
    facts = [
        DefectTypeFact(
            defect=one.defect,
            name=one.name,
            stage=one.stage,
            severity=Severity(one.severity),
            arises_at=one.arises_at,
            traces_to=", ".join(one.traces_to) or None,
            notes=one.looks or None,
        )
        for one in reference.defect_types()
    ]
    return record_defect_types(session, facts, actor, now)
