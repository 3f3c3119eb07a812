"""Reads of the calendar of planned periods."""

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracelog.plant.calendar_rules import PeriodKind, PlannedPeriodView
from tracelog.plant.models import PlannedPeriod

_COLUMNS = (
    *(PlannedPeriod.id, PlannedPeriod.kind, PlannedPeriod.line_id, PlannedPeriod.machine_id),
    *(PlannedPeriod.starts_at, PlannedPeriod.ends_at, PlannedPeriod.reason, PlannedPeriod.uid),
    # In the order of PlannedPeriodView.
    *(PlannedPeriod.announced_at, PlannedPeriod.withdrawn_at),
)

__all__ = ["PeriodKind", "PlannedPeriodView", "planned_periods"]


def planned_periods(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    as_of: datetime | None = None,
    kind: PeriodKind | None = None,
) -> list[PlannedPeriodView]:
    """Planned periods that share an instant with [start, end). One statement.

    Args:
        session: an open session.
        start, end: UTC.
        as_of: UTC; only what was announced by then, and not withdrawn by then. None: all that
            stands, whenever it was announced.
        kind: only periods of this kind; None: of any.

    Returns:
        In order of start and end, those of the plant before those of lines and machines.
    """
    asked = select(*_COLUMNS).where(PlannedPeriod.ends_at > start, PlannedPeriod.starts_at < end)
    if as_of is None:
        asked = asked.where(PlannedPeriod.withdrawn_at.is_(None))
    else:
        asked = asked.where(
            or_(PlannedPeriod.announced_at.is_(None), PlannedPeriod.announced_at <= as_of),
            or_(PlannedPeriod.withdrawn_at.is_(None), PlannedPeriod.withdrawn_at > as_of),
        )
    if kind is not None:
        asked = asked.where(PlannedPeriod.kind == kind.value)
    found = [_view(*row) for row in session.execute(asked)]
    # Engines differ in where a blank comes in the order.
    return sorted(found, key=_place)


def _view(row_id: uuid.UUID, kind: str, *others: Any) -> PlannedPeriodView:
    return PlannedPeriodView(row_id, PeriodKind(kind), *others)


def _place(period: PlannedPeriodView) -> tuple[datetime, datetime, str, str, uuid.UUID]:
    return (
        *(period.starts_at, period.ends_at),
        *(str(period.line_id or ""), str(period.machine_id or ""), period.id),
    )
