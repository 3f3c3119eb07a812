"""Reads of the calendar of planned periods."""

import re
import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.bulk import rows_with
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.plant.calendar_rules import PeriodKind, PlannedPeriodView, is_weekly_alike
from tracelog.plant.models import PlannedPeriod

_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_COLUMNS = (
    *(PlannedPeriod.id, PlannedPeriod.kind, PlannedPeriod.line_id, PlannedPeriod.machine_id),
    *(PlannedPeriod.starts_at, PlannedPeriod.ends_at, PlannedPeriod.reason, PlannedPeriod.uid),
    # In the order of PlannedPeriodView.
    *(PlannedPeriod.announced_at, PlannedPeriod.withdrawn_at),
)

__all__ = [
    "PeriodKind",
    "PlannedPeriodView",
    "later_alike",
    "periods_of_events",
    "planned_period",
    "planned_periods",
    "standing_periods",
]


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


def planned_period(session: Session, period_id: uuid.UUID) -> PlannedPeriodView:
    """One planned period, also a withdrawn one. One statement.

    Raises:
        NotFound: there is none with that id.
    """
    row = session.execute(select(*_COLUMNS).where(PlannedPeriod.id == period_id)).one_or_none()
    if row is None:
        raise NotFound(_("there is no planned period with the id %(id)s", id=period_id), "id")
    return _view(*row)


def standing_periods(session: Session) -> list[tuple[PlannedPeriodView, datetime]]:
    """Every planned period that stands, and the instant (UTC) at which it came on record.

    One statement; in order of start and end.
    """
    asked = (
        select(AuditRecord.at, *_COLUMNS)
        .select_from(PlannedPeriod)
        .join(AuditRecord, AuditRecord.id == PlannedPeriod.audit_id)
        .where(PlannedPeriod.withdrawn_at.is_(None))
    )
    found = [(_view(*values), at) for at, *values in session.execute(asked)]
    return sorted(found, key=lambda one: _place(one[0]))


def later_alike(
    session: Session, period: PlannedPeriodView, zone: ZoneInfo
) -> list[PlannedPeriodView]:
    """Later periods that stand and say the same at the same times of the week. One statement."""
    asked = select(*_COLUMNS).where(
        PlannedPeriod.starts_at > period.starts_at,
        PlannedPeriod.withdrawn_at.is_(None),
        PlannedPeriod.kind == period.kind.value,
        PlannedPeriod.line_id.is_not_distinct_from(period.line_id),
        PlannedPeriod.machine_id.is_not_distinct_from(period.machine_id),
    )
    found = [_view(*row) for row in session.execute(asked)]
    return sorted((one for one in found if is_weekly_alike(period, one, zone)), key=_place)


def periods_of_events(
    session: Session, keys: Iterable[str], start: datetime, end: datetime
) -> list[PlannedPeriodView]:
    """Periods that a calendar file may be about. Three statements for a few thousand keys.

    Args:
        session: an open session.
        keys: of the file's events (see `icalendar_matching.key_of`).
        start, end: UTC.

    Returns:
        Periods with one of the keys, withdrawn ones too; and those that came from any calendar
        file, stand, and share an instant with [start, end). In order of start and end.
    """
    wanted = list(keys)
    asked = select(*_COLUMNS).where(
        PlannedPeriod.uid.is_not(None),
        PlannedPeriod.withdrawn_at.is_(None),
        PlannedPeriod.ends_at > start,
        PlannedPeriod.starts_at < end,
    )
    rows = [*session.execute(asked), *rows_with(session, _COLUMNS, PlannedPeriod.uid, wanted)]
    # A period that was typed in goes by its id, which is what an export calls it.
    ids = [uuid.UUID(key) for key in wanted if _UUID.fullmatch(key)]
    rows += [row for row in rows_with(session, _COLUMNS, PlannedPeriod.id, ids) if row.uid is None]
    found = {row.id: _view(*row) for row in rows}
    return sorted(found.values(), key=_place)


def _view(row_id: uuid.UUID, kind: str, *others: Any) -> PlannedPeriodView:
    return PlannedPeriodView(row_id, PeriodKind(kind), *others)


def _place(period: PlannedPeriodView) -> tuple[datetime, datetime, str, str, uuid.UUID]:
    return (
        *(period.starts_at, period.ends_at),
        *(str(period.line_id or ""), str(period.machine_id or ""), period.id),
    )
