"""Recording the readings of gauge studies."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.outcomes import Outcome
from tracelog.plant.batch_actions import Keeping, record_rows
from tracelog.trends.measured.facts import GaugeReadingFact
from tracelog.trends.models import GaugeReading

_READINGS = Keeping(
    table=GaugeReading,
    kind="gauge readings",
    key=("id",),
    values=(
        *("study", "characteristic", "unit", "part", "appraiser"),
        *("trial", "value", "measured_at"),
    ),
    among="id",
)


def record_gauge_readings(
    session: Session, facts: Sequence[GaugeReadingFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep readings of gauge studies.

    Args:
        session: an open session that writes.
        facts: the readings.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    rows = [
        (
            *(fact.id, fact.study, fact.characteristic, fact.unit, fact.part),
            *(fact.appraiser, fact.trial, fact.value, fact.measured_at),
        )
        for fact in facts
    ]
    return record_rows(session, _READINGS, rows, actor, now)
