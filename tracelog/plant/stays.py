"""Reads of what was where and when: tools in machines, coils on lines, pallets, changes.

`as_of` leaves out what began later, and takes an end that lies later as not known yet.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from tracelog.plant.models import Change, Coil, CoilRun, Pallet, Tool, ToolFit

Moment = InstrumentedAttribute[datetime]
MaybeMoment = InstrumentedAttribute[datetime | None]


@dataclass(frozen=True)
class ToolStay:
    """A tool in a position of a machine; `removed_at` None: still in, or not known."""

    serial: str
    tool_type: str | None
    machine_id: uuid.UUID
    position: str
    fitted_at: datetime
    removed_at: datetime | None
    removal_reason: str | None


@dataclass(frozen=True)
class CoilStay:
    """A coil on a line."""

    coil: str
    alloy: str | None
    gauge_mm: float | None
    line_id: uuid.UUID
    started_at: datetime
    ended_at: datetime | None


@dataclass(frozen=True)
class PalletStay:
    """A pallet being filled at the end of a line."""

    pallet: str
    line_id: uuid.UUID
    started_at: datetime
    ended_at: datetime | None
    cans: int | None
    status: str | None


@dataclass(frozen=True)
class ChangeMade:
    """Something deliberately altered; `machine_id` None: on the whole line."""

    line_id: uuid.UUID
    machine_id: uuid.UUID | None
    at: datetime
    kind: str
    note: str | None


def overlapping(
    started: Moment, ended: MaybeMoment, start: datetime, end: datetime
) -> ColumnElement[bool]:
    """Condition: the stay and [start, end] share an instant; an unknown end is still running."""
    return (started <= end) & or_(ended.is_(None), ended >= start)


def _known(ended_at: datetime | None, as_of: datetime | None) -> datetime | None:
    return None if as_of is not None and ended_at is not None and ended_at > as_of else ended_at


def tool_stays(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    machine_ids: Sequence[uuid.UUID] | None = None,
    serial: str | None = None,
    as_of: datetime | None = None,
) -> list[ToolStay]:
    """Tools that were in a machine at some instant of [start, end]. One statement.

    Returns:
        Stays by time of fitting, then position.
    """
    asked = (
        select(
            Tool.serial,
            Tool.tool_type,
            ToolFit.machine_id,
            ToolFit.position,
            ToolFit.fitted_at,
            ToolFit.removed_at,
            ToolFit.removal_reason,
        )
        .join(Tool, Tool.id == ToolFit.tool_id)
        .where(overlapping(ToolFit.fitted_at, ToolFit.removed_at, start, end))
        .order_by(ToolFit.fitted_at, ToolFit.position)
    )
    if machine_ids is not None:
        asked = asked.where(ToolFit.machine_id.in_(machine_ids))
    if serial is not None:
        asked = asked.where(Tool.serial == serial)
    if as_of is not None:
        asked = asked.where(ToolFit.fitted_at <= as_of)
    return [
        ToolStay(
            row.serial,
            row.tool_type,
            row.machine_id,
            row.position,
            row.fitted_at,
            _known(row.removed_at, as_of),
            row.removal_reason if _known(row.removed_at, as_of) else None,
        )
        for row in session.execute(asked)
    ]


def coil_stays(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    line_id: uuid.UUID | None = None,
    coil: str | None = None,
    as_of: datetime | None = None,
) -> list[CoilStay]:
    """Coils that were on a line at some instant of [start, end], by time. One statement."""
    asked = (
        select(
            Coil.coil,
            Coil.alloy,
            Coil.gauge_mm,
            CoilRun.line_id,
            CoilRun.started_at,
            CoilRun.ended_at,
        )
        .join(Coil, Coil.id == CoilRun.coil_id)
        .where(overlapping(CoilRun.started_at, CoilRun.ended_at, start, end))
        .order_by(CoilRun.started_at, Coil.coil)
    )
    if line_id is not None:
        asked = asked.where(CoilRun.line_id == line_id)
    if coil is not None:
        asked = asked.where(Coil.coil == coil)
    if as_of is not None:
        asked = asked.where(CoilRun.started_at <= as_of)
    return [
        CoilStay(
            row.coil,
            row.alloy,
            row.gauge_mm,
            row.line_id,
            row.started_at,
            _known(row.ended_at, as_of),
        )
        for row in session.execute(asked)
    ]


def pallet_stays(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    line_id: uuid.UUID | None = None,
    as_of: datetime | None = None,
    most: int | None = None,
) -> list[PalletStay]:
    """Pallets that were being filled at some instant of [start, end], by time. One statement."""
    asked = (
        select(Pallet)
        .where(overlapping(Pallet.started_at, Pallet.ended_at, start, end))
        .order_by(Pallet.started_at, Pallet.pallet)
        .limit(most)
    )
    if line_id is not None:
        asked = asked.where(Pallet.line_id == line_id)
    if as_of is not None:
        asked = asked.where(Pallet.started_at <= as_of)
    return [_pallet(row, as_of) for row in session.execute(asked).scalars()]


def pallet_named(session: Session, pallet: str, as_of: datetime | None = None) -> PalletStay | None:
    """One pallet by its number. One statement."""
    row = session.execute(select(Pallet).where(Pallet.pallet == pallet)).scalar_one_or_none()
    if row is None or (as_of is not None and row.started_at > as_of):
        return None
    return _pallet(row, as_of)


def _pallet(row: Pallet, as_of: datetime | None) -> PalletStay:
    ended_at = _known(row.ended_at, as_of)
    cans = row.cans if ended_at is not None or row.ended_at is None else None
    return PalletStay(row.pallet, row.line_id, row.started_at, ended_at, cans, row.status)


def changes_between(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    line_id: uuid.UUID | None = None,
    machine_id: uuid.UUID | None = None,
) -> list[ChangeMade]:
    """What was altered in [start, end], newest first. One statement.

    Args:
        session: an open session.
        start: UTC, included.
        end: UTC, included.
        line_id: only this line.
        machine_id: with `line_id`, only this machine and changes to its whole line.
    """
    asked = (
        select(Change)
        .where(Change.at >= start, Change.at <= end)
        .order_by(Change.at.desc(), Change.kind)
    )
    if line_id is not None:
        asked = asked.where(Change.line_id == line_id)
    if machine_id is not None:
        asked = asked.where(or_(Change.machine_id.is_(None), Change.machine_id == machine_id))
    return [
        ChangeMade(row.line_id, row.machine_id, row.at, row.kind, row.note)
        for row in session.execute(asked).scalars()
    ]
