"""Reads of the MQTT collector."""

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from tracelog.plant.models import Line, Machine
from tracelog.plant.queries import BODYMAKER
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.models import Reading

# More than a broker has under way at once.
_LATEST = 2000


def was_kept_before(session: Session, fact: ReadingFact) -> bool:
    """Whether one of the machine's latest readings shows the same figure. One statement.

    Args:
        session: an open session.
        fact: a figure whose own instant is not known.
    """
    latest = (
        select(Reading.strokes)
        .join(Machine, Machine.id == Reading.machine_id)
        .join(Line, Line.id == Machine.line_id)
        .where(
            Line.line == fact.line,
            Machine.station == BODYMAKER,
            Machine.number == fact.bodymaker,
        )
        .order_by(Reading.read_at.desc())
        .limit(_LATEST)
        .subquery()
    )
    asked = select(exists().where(latest.c.strokes == fact.strokes))
    return bool(session.execute(asked).scalar_one())
