"""Recording levels of service, services that were done, and what replacing tools costs."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.errors import UnknownReference
from tracelog.facts import known_words
from tracelog.language import _
from tracelog.outcomes import Outcome
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.queries import BODYMAKER, directory
from tracelog.service.facts import ReplacementCostFact, ServiceFact, ServiceLevelFact
from tracelog.service.models import ReplacementCost, Service, ServiceLevel

_LEVELS = Keeping(
    table=ServiceLevel,
    kind="service levels",
    key=("station", "service"),
    values=("interval_strokes", "interval_days", "hours", "people"),
    among="station",
    is_setting=True,
)
_SERVICES = Keeping(
    table=Service,
    kind="services",
    key=("machine_id", "service", "done_at"),
    values=("unplanned", "note"),
    among="machine_id",
    between="done_at",
    told_at={"machine_id": "bodymaker"},
)

_COSTS = Keeping(
    table=ReplacementCost,
    kind="replacement costs",
    key=("tool_type",),
    values=("planned_cost", "unplanned_cost", "interval_strokes", "note"),
    among="tool_type",
    is_setting=True,
)


def record_service_levels(
    session: Session, facts: Sequence[ServiceLevelFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep levels of service; what is said of a known level replaces what was said before.

    Args:
        session: an open session that writes.
        facts: the levels.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    rows: list[Values | Outcome] = [
        (
            *(fact.station, fact.service, fact.interval_strokes),
            *(fact.interval_days, fact.hours, fact.people),
        )
        for fact in facts
    ]
    return record_rows(session, _LEVELS, rows, actor, now)


def services_of_bodymakers(session: Session) -> list[str]:
    """Names of the levels of service that bodymakers have. One statement."""
    asked = (
        select(ServiceLevel.service)
        .where(ServiceLevel.station == BODYMAKER)
        .order_by(ServiceLevel.service)
    )
    return list(session.execute(asked).scalars())


def check_service(service: str, known: Sequence[str]) -> None:
    """Refuse a name that is no level of service of bodymakers, where they have any.

    Raises:
        UnknownReference: at ``service``.
    """
    if known and service not in known:
        raise UnknownReference(
            _(
                "there is no service '%(service)s' of a bodymaker; services are %(known)s",
                service=service,
                known=known_words(known),
            ),
            "service",
        )


def record_services(
    session: Session, facts: Sequence[ServiceFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep services that were done on bodymakers.

    Where the bodymakers have levels of service, a service is one of them; where they have none,
    any name is taken.

    Args:
        session: an open session that writes.
        facts: the services.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)
    names_of_services = services_of_bodymakers(session)

    def row_of(fact: ServiceFact) -> Values:
        machine = known.bodymaker(fact.line, fact.bodymaker)
        check_service(fact.service, names_of_services)
        return (machine.id, fact.service, fact.done_at, fact.unplanned, fact.note)

    names = {machine.id: machine.text for machine in known.machines.values()}
    return record_rows(session, _SERVICES, resolved(facts, row_of), actor, now, names=names)


def record_replacement_costs(
    session: Session, facts: Sequence[ReplacementCostFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep what replacing tools costs; what is said of a known tool type replaces what was said.

    Args:
        session: an open session that writes.
        facts: the costs, one for each tool type.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    rows: list[Values | Outcome] = [
        (
            *(fact.tool_type, fact.planned_cost, fact.unplanned_cost),
            *(fact.interval_strokes, fact.note),
        )
        for fact in facts
    ]
    return record_rows(session, _COSTS, rows, actor, now)
