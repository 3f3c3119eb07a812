"""The statements that `stays` asks: made once, with what is asked for left open.

Building one takes as long as running it.
"""

from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Select, bindparam, func, or_, select, union_all
from sqlalchemy.orm import aliased

from tracelog.db import UtcInstant
from tracelog.plant.models import Coil, CoilRun, Pallet, Tool, ToolFit

# A line fills fewer pallets than this at a time, and takes fewer coils (common practice, no
# source).
MOST_AT_ONCE = 16


def overlapping(started: Any, ended: Any, start: Any, end: Any) -> ColumnElement[bool]:
    """Condition on two columns: stay and [start, end] share an instant; no end: still running."""
    inside: ColumnElement[bool] = (started <= end) & or_(ended.is_(None), ended >= start)
    return inside


def _next(moment: Any) -> Any:
    # Without its type named, what a window function gives is taken for text on SQLite.
    return func.lead(moment, type_=moment.type)


_FIT = (
    *(Tool.serial, Tool.tool_type, Tool.life_strokes, ToolFit.machine_id, ToolFit.position),
    *(ToolFit.fitted_at, ToolFit.removed_at, ToolFit.removal_reason),
)


def all_fits(end: datetime, as_of: datetime | None) -> Select[Any]:
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


@cache
def some_fits(
    *, is_known: bool, of_machines: bool, of_tools: bool, of_fits: bool = False
) -> Select[Any]:
    """The same of few tools or machines, where each next one is looked up by itself.

    Made once, with `start`, `end`, `as_of`, `machine_ids`, `serials` and `fits` left
    open.
    """
    other = aliased(ToolFit)
    place = (other.machine_id == ToolFit.machine_id, other.position == ToolFit.position)

    def following(*same: Any) -> Any:
        later = select(func.min(other.fitted_at)).where(*same, other.fitted_at > ToolFit.fitted_at)
        if is_known:
            later = later.where(other.fitted_at <= bindparam("as_of"))
        return later.correlate(ToolFit).scalar_subquery()

    asked = (
        select(
            *_FIT,
            following(other.tool_id == ToolFit.tool_id).label("tool_fitted_next_at"),
            following(*place).label("place_taken_next_at"),
        )
        .join(Tool, Tool.id == ToolFit.tool_id)
        .where(
            overlapping(
                ToolFit.fitted_at, ToolFit.removed_at, bindparam("start"), bindparam("end")
            ),
        )
        .order_by(ToolFit.fitted_at, ToolFit.position)
    )
    if is_known:
        asked = asked.where(ToolFit.fitted_at <= bindparam("as_of"))
    if of_machines:
        asked = asked.where(ToolFit.machine_id.in_(bindparam("machine_ids", expanding=True)))
    if of_tools:
        asked = asked.where(Tool.serial.in_(bindparam("serials", expanding=True)))
    if of_fits:
        asked = asked.where(ToolFit.id.in_(bindparam("fits", expanding=True)))
    return asked


@cache
def fits_around() -> Select[Any]:
    """Fits of a machine in a period, each with the one of its tool before and after: three ids.

    Made once, with `machine_id`, `start`, `end` and `as_of` left open.
    """
    other = aliased(ToolFit)
    as_of: Any = bindparam("as_of")
    mine = other.tool_id == ToolFit.tool_id
    before = select(other.id).where(mine, other.fitted_at < ToolFit.fitted_at)
    after = select(other.id).where(
        mine, other.fitted_at > ToolFit.fitted_at, other.fitted_at <= as_of
    )
    return select(
        ToolFit.id,
        _one(before.order_by(other.fitted_at.desc())),
        _one(after.order_by(other.fitted_at)),
    ).where(
        ToolFit.machine_id == bindparam("machine_id"),
        overlapping(ToolFit.fitted_at, ToolFit.removed_at, bindparam("start"), bindparam("end")),
        ToolFit.fitted_at <= as_of,
    )


def _one(asked: Select[Any]) -> Any:
    return asked.limit(1).correlate(ToolFit).scalar_subquery()


_RUN = (
    *(Coil.coil, Coil.alloy, Coil.gauge_mm),
    *(CoilRun.line_id, CoilRun.started_at, CoilRun.ended_at),
)


@cache
def runs_asked(*, is_known: bool, of_line: bool, of_coil: bool, of_coils: bool) -> Any:
    """Runs, each with the next of its line; made once, with what is asked for left open."""
    asked = _some_runs(is_known) if of_line or of_coil or of_coils else _all_runs(is_known)
    start = bindparam("start", type_=UtcInstant())
    asked = asked.where(overlapping(CoilRun.started_at, CoilRun.ended_at, start, bindparam("end")))
    if of_line:
        line_id = bindparam("line_id", type_=CoilRun.line_id.type)
        asked = asked.where(
            CoilRun.line_id == line_id, CoilRun.started_at >= _earliest(line_id, start)
        )
    if of_coil:
        asked = asked.where(Coil.coil == bindparam("coil"))
    if of_coils:
        asked = asked.where(Coil.coil.in_(bindparam("coils", expanding=True)))
    return asked


def _earliest(line_id: Any, start: Any) -> Any:
    """Before when no run needs to be looked at, to find those of a line from `start` on.

    The last `MOST_AT_ONCE` that had begun by then are: a line takes one coil after the other, and
    the index then leads to them whatever came before.
    """
    run = aliased(CoilRun)
    last = (
        select(run.started_at)
        .where(run.line_id == line_id, run.started_at <= start)
        .order_by(run.started_at.desc())
        .limit(MOST_AT_ONCE)
        .subquery()
    )
    return select(func.coalesce(func.min(last.c.started_at), start)).scalar_subquery()


def _all_runs(is_known: bool) -> Any:
    """All runs, each with the next of its line: the table read once."""
    following = _next(CoilRun.started_at).over(
        partition_by=CoilRun.line_id, order_by=CoilRun.started_at
    )
    seen = select(CoilRun.id.label("id"), following.label("next_started_at"))
    if is_known:
        seen = seen.where(CoilRun.started_at <= bindparam("as_of"))
    runs = seen.subquery()
    return (
        select(*_RUN, runs.c.next_started_at)
        .join(runs, runs.c.id == CoilRun.id)
        .join(Coil, Coil.id == CoilRun.coil_id)
        .order_by(CoilRun.started_at, Coil.coil)
    )


def _some_runs(is_known: bool) -> Any:
    """The same of one coil or line, where each next one is looked up by itself."""
    other = aliased(CoilRun)
    later = select(func.min(other.started_at)).where(
        other.line_id == CoilRun.line_id, other.started_at > CoilRun.started_at
    )
    if is_known:
        later = later.where(other.started_at <= bindparam("as_of"))
    following = later.correlate(CoilRun).scalar_subquery().label("next_started_at")
    asked: Any = (
        select(*_RUN, following)
        .join(Coil, Coil.id == CoilRun.coil_id)
        .order_by(CoilRun.started_at, Coil.coil)
    )
    return asked.where(CoilRun.started_at <= bindparam("as_of")) if is_known else asked


PALLET_COLUMNS = (
    *(Pallet.pallet, Pallet.line_id, Pallet.started_at, Pallet.ended_at),
    *(Pallet.cans, Pallet.status),
)


@cache
def pallets_between(*, is_known: bool, most: int | None) -> Select[Any]:
    """The statement, made once: `line_id`, `start`, `end` and `as_of` are left open."""
    line_id: Any = bindparam("line_id")
    start: Any = bindparam("start")
    begun = select(*PALLET_COLUMNS).where(
        Pallet.line_id == line_id, Pallet.started_at > start, Pallet.started_at <= bindparam("end")
    )
    both = union_all(begun, being_filled(line_id, start)).subquery()
    asked = select(both).order_by(both.c.started_at, both.c.pallet).limit(most)
    if is_known:
        asked = asked.where(both.c.started_at <= bindparam("as_of"))
    return asked


def being_filled(line_id: Any, moment: Any) -> Select[Any]:
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
