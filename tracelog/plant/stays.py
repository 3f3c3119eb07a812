"""Reads of what was where and when: tools in machines, coils on lines, pallets, changes.

`as_of` leaves out what began later, and takes an end that lies later as not known yet.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, func, or_, select, union_all
from sqlalchemy.orm import Session, aliased

from tracelog.plant.models import Change, Coil, CoilRun, Pallet, Tool, ToolFit

# A line fills fewer pallets than this at a time (common practice, no source).
MOST_AT_ONCE = 16


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


def overlapping(started: Any, ended: Any, start: datetime, end: datetime) -> ColumnElement[bool]:
    """Condition on two columns: stay and [start, end] share an instant; no end: still running."""
    inside: ColumnElement[bool] = (started <= end) & or_(ended.is_(None), ended >= start)
    return inside


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


def _next(moment: Any) -> Any:
    # Without its type named, what a window function gives is taken for text on SQLite.
    return func.lead(moment, type_=moment.type)


def tool_stays(
    session: Session,
    start: datetime,
    end: datetime,
    *,
    machine_ids: Sequence[uuid.UUID] | None = None,
    serials: Sequence[str] | None = None,
    as_of: datetime | None = None,
) -> list[ToolStay]:
    """Tools that were in a machine at some instant of [start, end]. One statement.

    Where no removal was reported, a tool was out when it, or another in its place, was fitted
    next.

    Returns:
        Stays by time of fitting, then position.
    """
    if machine_ids is None and serials is None:
        asked = _all_fits(end, as_of)
    else:
        asked = _some_fits(start, end, as_of)
    if machine_ids is not None:
        asked = asked.where(ToolFit.machine_id.in_(machine_ids))
    if serials is not None:
        asked = asked.where(Tool.serial.in_(serials))
    found = []
    for row in session.execute(asked):
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


_FIT = (
    *(Tool.serial, Tool.tool_type, Tool.life_strokes, ToolFit.machine_id, ToolFit.position),
    *(ToolFit.fitted_at, ToolFit.removed_at, ToolFit.removal_reason),
)


def _all_fits(end: datetime, as_of: datetime | None) -> Select[Any]:
    """All fits by `end`, each with the next of its tool and of its place: the table read once."""
    ids = [ToolFit.id.label("id")]
    for name, key in (
        ("tool_fitted_next_at", (ToolFit.tool_id,)),
        ("place_taken_next_at", (ToolFit.machine_id, ToolFit.position)),
    ):
        following = _next(ToolFit.fitted_at)
        ids.append(following.over(partition_by=key, order_by=ToolFit.fitted_at).label(name))
    seen = select(*ids)
    if as_of is not None:
        seen = seen.where(ToolFit.fitted_at <= as_of)
    fits = seen.subquery()
    return (
        select(*_FIT, fits.c.tool_fitted_next_at, fits.c.place_taken_next_at)
        .join(fits, fits.c.id == ToolFit.id)
        .join(Tool, Tool.id == ToolFit.tool_id)
        .where(ToolFit.fitted_at <= end)
        .order_by(ToolFit.fitted_at, ToolFit.position)
    )


def _some_fits(start: datetime, end: datetime, as_of: datetime | None) -> Select[Any]:
    """The same of few tools or machines, where each next one is looked up by itself."""
    other = aliased(ToolFit)
    place = (other.machine_id == ToolFit.machine_id, other.position == ToolFit.position)

    def following(*same: Any) -> Any:
        later = select(func.min(other.fitted_at)).where(*same, other.fitted_at > ToolFit.fitted_at)
        if as_of is not None:
            later = later.where(other.fitted_at <= as_of)
        return later.correlate(ToolFit).scalar_subquery()

    return (
        select(
            *_FIT,
            following(other.tool_id == ToolFit.tool_id).label("tool_fitted_next_at"),
            following(*place).label("place_taken_next_at"),
        )
        .join(Tool, Tool.id == ToolFit.tool_id)
        .where(
            overlapping(ToolFit.fitted_at, ToolFit.removed_at, _since(start, as_of), end),
            *(() if as_of is None else (ToolFit.fitted_at <= as_of,)),
        )
        .order_by(ToolFit.fitted_at, ToolFit.position)
    )


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
    few = line_id is not None or coil is not None or coils is not None
    asked = _some_runs(as_of) if few else _all_runs(as_of)
    asked = asked.where(
        overlapping(CoilRun.started_at, CoilRun.ended_at, _since(start, as_of), end)
    )
    if line_id is not None:
        asked = asked.where(CoilRun.line_id == line_id)
    if coil is not None:
        asked = asked.where(Coil.coil == coil)
    if coils is not None:
        asked = asked.where(Coil.coil.in_(coils))
    found = []
    for row in session.execute(asked):
        ended_at = _ended(row.ended_at, as_of, row.next_started_at)
        if ended_at is None or ended_at >= start:
            found.append(
                CoilStay(row.coil, row.alloy, row.gauge_mm, row.line_id, row.started_at, ended_at)
            )
    return found


_RUN = (
    *(Coil.coil, Coil.alloy, Coil.gauge_mm),
    *(CoilRun.line_id, CoilRun.started_at, CoilRun.ended_at),
)


def _all_runs(as_of: datetime | None) -> Select[Any]:
    """All runs, each with the next of its line: the table read once."""
    following = _next(CoilRun.started_at).over(
        partition_by=CoilRun.line_id, order_by=CoilRun.started_at
    )
    seen = select(CoilRun.id.label("id"), following.label("next_started_at"))
    if as_of is not None:
        seen = seen.where(CoilRun.started_at <= as_of)
    runs = seen.subquery()
    return (
        select(*_RUN, runs.c.next_started_at)
        .join(runs, runs.c.id == CoilRun.id)
        .join(Coil, Coil.id == CoilRun.coil_id)
        .order_by(CoilRun.started_at, Coil.coil)
    )


def _some_runs(as_of: datetime | None) -> Any:
    """The same of one coil or line, where each next one is looked up by itself."""
    other = aliased(CoilRun)
    later = select(func.min(other.started_at)).where(
        other.line_id == CoilRun.line_id, other.started_at > CoilRun.started_at
    )
    if as_of is not None:
        later = later.where(other.started_at <= as_of)
    following = later.correlate(CoilRun).scalar_subquery().label("next_started_at")
    asked: Any = (
        select(*_RUN, following)
        .join(Coil, Coil.id == CoilRun.coil_id)
        .order_by(CoilRun.started_at, Coil.coil)
    )
    return asked if as_of is None else asked.where(CoilRun.started_at <= as_of)


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
    begun = select(*PALLET_COLUMNS).where(
        Pallet.line_id == line_id, Pallet.started_at > start, Pallet.started_at <= end
    )
    both = union_all(begun, being_filled(line_id, start)).subquery()
    asked = select(both).order_by(both.c.started_at, both.c.pallet).limit(most)
    if as_of is not None:
        asked = asked.where(both.c.started_at <= as_of)
    return [pallet_stay(row, as_of) for row in session.execute(asked)]


PALLET_COLUMNS = (
    *(Pallet.pallet, Pallet.line_id, Pallet.started_at, Pallet.ended_at),
    *(Pallet.cans, Pallet.status),
)


def being_filled(line_id: uuid.UUID, moment: datetime) -> Select[Any]:
    """A query for a line's pallets that had begun by an instant and were not ended before it.

    Only the last `MOST_AT_ONCE` that had begun are looked at: a line fills few at a time, and the
    index then leads to them whatever came before and after.
    """
    last = (
        select(*PALLET_COLUMNS)
        .where(Pallet.line_id == line_id, Pallet.started_at <= moment)
        .order_by(Pallet.started_at.desc(), Pallet.pallet.desc())
        .limit(MOST_AT_ONCE)
        .subquery()
    )
    return select(last).where(or_(last.c.ended_at.is_(None), last.c.ended_at >= moment))


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
        select(Change)
        .where(Change.at >= start, Change.at <= end)
        .order_by(Change.at.desc(), Change.kind)
    )
    if line_id is not None:
        asked = asked.where(Change.line_id == line_id)
    if machine_id is not None:
        asked = asked.where(or_(Change.machine_id.is_(None), Change.machine_id == machine_id))
    if kind is not None:
        asked = asked.where(Change.kind == kind)
    return [
        ChangeMade(row.line_id, row.machine_id, row.at, row.kind, row.note)
        for row in session.execute(asked).scalars()
    ]
