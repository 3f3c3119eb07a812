"""Recording measured values."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.outcomes import Outcome
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.queries import directory
from tracelog.trends.facts import MeasurementFact
from tracelog.trends.models import Measurement

_MEASUREMENTS = Keeping(
    table=Measurement,
    kind="measurements",
    key=("id",),
    values=("machine_id", "measured_at", "characteristic", "unit", "value", "subgroup"),
    among="id",
    told_at={"machine_id": "bodymaker"},
)


def record_measurements(
    session: Session, facts: Sequence[MeasurementFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep figures that were read off cans of known machines.

    Args:
        session: an open session that writes.
        facts: the measured values.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)

    def row_of(fact: MeasurementFact) -> Values:
        machine = known.bodymaker(fact.line, fact.bodymaker)
        return (
            *(fact.id, machine.id, fact.measured_at, fact.characteristic),
            *(fact.unit, fact.value, fact.subgroup),
        )

    names = {machine.id: machine.text for machine in known.machines.values()}
    return record_rows(session, _MEASUREMENTS, resolved(facts, row_of), actor, now, names=names)
