"""Reads of what was where and when: tools in machines, coils on lines, pallets, changes.

`as_of` leaves out what began later, and takes an end that lies later as not known yet.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracelog.instants import EARLIEST
from tracelog.plant.models import Change, Pallet, ToolFit
from tracelog.plant.stay_statements import (
    PALLET_COLUMNS,
    all_fits,
    fits_around,
    pallets_between,
    runs_asked,
    some_fits,
)


@dataclass(frozen=True)
class ToolStay:
    """A tool in a position of a machine; `removed_at` None: still in, or not known."""

    serial: str
    tool_type: str | None
    life_strokes: int | None
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


def _known(ended_at: datetime | None, as_of: datetime | None) -> datetime | None:
    return None if as_of is not None and ended_at is not None and ended_at > as_of else ended_at


def _ended(
    known_end: datetime | None, as_of: datetime | None, *following: datetime | None
) -> datetime | None:
    """When a stay ended: as reported, else when the next one began that excludes it."""
    reported = _known(known_end, as_of)
    if reported is not None:
        return reported
    return min((one for one in following if one is not None), default=None)


def _since(start: datetime, as_of: datetime | None) -> datetime:
    """A stay that ended from then on may be asked for: an end after `as_of` is not known."""
    return start if as_of is None else min(start, as_of)


def tool_stays(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    machine_ids: Sequence[uuid.UUID] | None = None,
    serials: Sequence[str] | None = None,
    fits: Sequence[uuid.UUID] | None = None,
    as_of: datetime | None = None,
) -> list[ToolStay]:
    """Tools that were in a machine at some instant of [start, end]. One statement.

    Where no removal was reported, a tool was out when it, or another in its place, was fitted
    next.

    Returns:
        Stays by time of fitting, then position.
    """
    if machine_ids is not None or serials is not None or fits is not None:
        asked = some_fits(
            is_known=as_of is not None,
            of_machines=machine_ids is not None,
            of_tools=serials is not None,
            of_fits=fits is not None,
        )
    else:
        asked = all_fits(end, as_of)
    given: dict[str, Any] = {"start": _since(start, as_of), "end": end, "as_of": as_of}
    given |= {"machine_ids": machine_ids, "serials": serials, "fits": fits}
    found = []
    for row in session.execute(asked, _given(given)):
        removed_at = _ended(row.removed_at, as_of, row.tool_fitted_next_at, row.place_taken_next_at)
        if removed_at is None or removed_at >= start:
            reason = row.removal_reason if removed_at == row.removed_at else None
            found.append(
                ToolStay(
                    row.serial,
                    row.tool_type,
                    row.life_strokes,
                    row.machine_id,
                    row.position,
                    row.fitted_at,
                    removed_at,
                    reason,
                )
            )
    return found


def _given(values: dict[str, Any]) -> dict[str, Any]:
    """Values for a statement that leaves them open; None: it does not ask for that one."""
    return {name: value for name, value in values.items() if value is not None}


def stays_around(
    session: Session, machine_id: uuid.UUID, start: datetime, end: datetime, as_of: datetime
) -> tuple[list[ToolStay], list[ToolStay]]:
    """Tools that were in a machine at some instant of [start, end], and where they were around it.

    Two statements.

    Returns:
        Those stays, and they with each tool's stay before and after them.
    """
    asked = {"machine_id": machine_id, "start": _since(start, as_of), "end": end, "as_of": as_of}
    ids = {one for row in session.execute(fits_around(), asked) for one in row if one is not None}
    if not ids:
        return [], []
    around = tool_stays(session, EARLIEST, as_of, fits=sorted(ids), as_of=as_of)
    here = [
        one
        for one in around
        if one.machine_id == machine_id
        and one.fitted_at <= end
        and (one.removed_at is None or one.removed_at >= start)
    ]
    return here, around


def positions_used(session: Session) -> list[str]:
    """Every position in which a tool was ever fitted. One statement."""
    return list(session.execute(select(ToolFit.position).distinct()).scalars())


def coil_stays(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    line_id: uuid.UUID | None = None,
    coil: str | None = None,
    coils: Sequence[str] | None = None,
    as_of: datetime | None = None,
) -> list[CoilStay]:
    """Coils that were on a line at some instant of [start, end], by time. One statement.

    Where no end was reported, a coil was off when the next one began on its line.
    """
    asked = runs_asked(
        is_known=as_of is not None,
        of_line=line_id is not None,
        of_coil=coil is not None,
        of_coils=coils is not None,
    )
    given: dict[str, Any] = {"start": _since(start, as_of), "end": end, "as_of": as_of}
    given |= {"line_id": line_id, "coil": coil, "coils": coils}
    found = []
    for row in session.execute(asked, _given(given)):
        ended_at = _ended(row.ended_at, as_of, row.next_started_at)
        if ended_at is None or ended_at >= start:
            found.append(
                CoilStay(row.coil, row.alloy, row.gauge_mm, row.line_id, row.started_at, ended_at)
            )
    return found


def pallet_stays(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    line_id: uuid.UUID,
    as_of: datetime | None = None,
    most: int | None = None,
) -> list[PalletStay]:
    """Pallets that were being filled at some instant of [start, end], by time. One statement.

    See `pallet_windows` for pallets whose end nobody reported.
    """
    asked = pallets_between(is_known=as_of is not None, most=most)
    given = {"line_id": line_id, "start": start, "end": end, "as_of": as_of}
    return [pallet_stay(row, as_of) for row in session.execute(asked, _given(given))]


def pallet_named(session: Session, pallet: str, as_of: datetime | None = None) -> PalletStay | None:
    """One pallet by its number. One statement."""
    row = session.execute(select(*PALLET_COLUMNS).where(Pallet.pallet == pallet)).one_or_none()
    if row is None or (as_of is not None and row.started_at > as_of):
        return None
    return pallet_stay(row, as_of)


def pallet_stay(row: Any, as_of: datetime | None) -> PalletStay:
    """A row of `PALLET_COLUMNS`, as it was known."""
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
    kind: str | None = None,
) -> list[ChangeMade]:
    """What was altered in [start, end], newest first. One statement.

    Args:
        session: an open session.
        start: UTC, included.
        end: UTC, included.
        line_id: only this line.
        machine_id: with `line_id`, only this machine and changes to its whole line.
        kind: only of this kind.
    """
    asked = (
        select(Change.line_id, Change.machine_id, Change.at, Change.kind, Change.note)
        .where(Change.at >= start, Change.at <= end)
        .order_by(Change.at.desc(), Change.kind)
    )
    if line_id is not None:
        asked = asked.where(Change.line_id == line_id)
    if machine_id is not None:
        asked = asked.where(or_(Change.machine_id.is_(None), Change.machine_id == machine_id))
    if kind is not None:
        asked = asked.where(Change.kind == kind)
    return [ChangeMade(*row) for row in session.execute(asked)]
