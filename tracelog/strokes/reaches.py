"""How far counters are known: first and last reading that count, and the strokes between them.

As of an instant, the hours of a machine are those of the table up to the first one that later
readings or settlements had a say in; from there on they are counted anew from what was known.
Where readings were retired, an instant is answered with all that is known, up to its hour's start.
"""

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

from sqlalchemy import BindParameter, ScalarSelect, Select, bindparam, func, null, select
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.db import UtcInstant, read_once
from tracelog.instants import hour_of
from tracelog.plant.models import Machine
from tracelog.plant.queries import directory
from tracelog.strokes.bounds import at_the_end, at_the_start, near_before
from tracelog.strokes.hour_rows import HourRow, hour_rows
from tracelog.strokes.hours import MICROSECOND, instant
from tracelog.strokes.models import CarriedCounter, CounterSettlement, Reading, StrokeHour
from tracelog.strokes.recounts import Plan, Recount, recount
from tracelog.strokes.retired import RETIRED_UNTIL
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.standing import is_counted
from tracelog.strokes.timelines import Window, neighbours, timelines

_MACHINES_AT_ONCE = 5_000


@dataclass(frozen=True)
class Reach:
    """How far a machine's counter is known: first and last reading, strokes between them.

    `rows` are the hours that were counted anew, where the table holds more than was known.
    """

    machine_id: uuid.UUID
    first_at: datetime
    last_at: datetime
    total: int
    rows: Mapping[datetime, HourRow] = field(default_factory=dict)


# The first reading, and the one from whose hour on to count; None: from the first one then.
_Since: TypeAlias = tuple[datetime, datetime | None]


def reaches(
    session: Session,
    zone: ZoneInfo,
    machine_ids: Collection[uuid.UUID] | None = None,
    as_of: datetime | None = None,
) -> dict[uuid.UUID, Reach]:
    """How far the counters of machines are known; machines without readings are left out.

    Args:
        session: an open session.
        zone: the plant's zone.
        machine_ids: which machines; None: all.
        as_of: only readings up to then, and what was settled by then; None: all.

    Returns:
        By machine. One statement, with `as_of` up to eleven more; once in a snapshot for the same
        question, since every count of strokes begins with it.
    """
    ids = None if machine_ids is None else list(dict.fromkeys(machine_ids))
    named = "all" if ids is None else " ".join(sorted(one.hex for one in ids))
    name = f"reaches of {named} at {as_of.isoformat() if as_of else 'any time'}"
    return read_once(session, name, lambda: _reaches(session, zone, ids, as_of))


def _reaches(
    session: Session,
    zone: ZoneInfo,
    machine_ids: list[uuid.UUID] | None,
    as_of: datetime | None,
) -> dict[uuid.UUID, Reach]:
    found: dict[uuid.UUID, Reach] = {}
    cut: dict[uuid.UUID, _Since] = {}
    otherwise: dict[uuid.UUID, tuple[datetime, datetime]] = {}
    hourly: dict[uuid.UUID, datetime] = {}
    chosen = [None] if machine_ids is None else pieces(machine_ids, _MACHINES_AT_ONCE)
    for piece in chosen:
        asked = _reach_query(of_all=piece is None, at_an_instant=as_of is not None)
        given = {"as_of": as_of, "near": as_of and near_before(as_of), "machine_ids": piece}
        for machine, first_at, known_at, last_at, total, settled_at, carried_at in session.execute(
            asked, {name: value for name, value in given.items() if value is not None}
        ):
            if as_of is not None and carried_at is not None and as_of < carried_at:
                hourly[machine] = first_at
            elif settled_at is not None:
                otherwise[machine] = (first_at or settled_at, settled_at)
            elif known_at is not None and total is not None:
                found[machine] = Reach(machine, first_at, known_at, total)
                if known_at < last_at:
                    cut[machine] = (first_at, known_at)
    if as_of is not None:
        settled = {machine: settled_at for machine, (_first, settled_at) in otherwise.items()}
        for machine, since in before(session, settled, as_of).items():
            cut[machine] = (otherwise[machine][0], since)
        found |= _reaches_then(session, zone, cut, as_of)
        found |= _reaches_by_hours(session, hour_of(as_of, zone), hourly)
    return found


def _reaches_by_hours(
    session: Session, hour_at: datetime, first: Mapping[uuid.UUID, datetime]
) -> dict[uuid.UUID, Reach]:
    """Reaches as of an instant whose readings were retired: to the start of its hour."""
    known = {machine: at for machine, at in first.items() if at < hour_at}
    rows = hour_rows(session, {machine: [hour_at] for machine in known}) if known else {}
    return {
        machine: Reach(machine, known[machine], hour_at, row.total_before)
        for (machine, _hour), row in rows.items()
    }


@cache
def _reach_query(*, of_all: bool, at_an_instant: bool) -> Select[Any]:
    """The statement, `machine_ids` and `as_of` left open: made once, asked many times a page."""

    def of_readings(what: Any, *conditions: Any) -> ScalarSelect[Any]:
        mine = Reading.machine_id == Machine.id
        asked = select(what).where(mine, is_counted(Machine.id), *conditions)
        return asked.correlate(Machine).scalar_subquery()

    def of_carried(what: Any) -> ScalarSelect[Any]:
        asked = select(what).where(CarriedCounter.machine_id == Machine.id)
        return asked.correlate(Machine).scalar_subquery()

    latest = func.max(Reading.read_at)
    first = of_readings(func.min(Reading.read_at), at_the_start(Machine.id))
    last = of_readings(latest, at_the_end(Machine.id))
    known: Any = last
    settled: Any = null()
    if at_an_instant:
        as_of = bindparam("as_of", type_=UtcInstant())
        by_then, near = Reading.read_at <= as_of, bindparam("near", type_=UtcInstant())
        known = func.coalesce(
            of_readings(latest, by_then, Reading.read_at >= near), of_readings(latest, by_then)
        )
        settled = _settled_later(as_of).where(CounterSettlement.machine_id == Machine.id)
        settled = settled.correlate(Machine).scalar_subquery()
    total = (
        select(StrokeHour.total_before + StrokeHour.strokes)
        .where(StrokeHour.machine_id == Machine.id)
        .order_by(StrokeHour.hour_at.desc())
        .limit(1)
        .correlate(Machine)
        .scalar_subquery()
    )
    first_at = of_carried(CarriedCounter.first_at)
    carried = of_carried(CarriedCounter.last_at)
    query = select(Machine.id, func.coalesce(first_at, first), known, last, total, settled, carried)
    if of_all:
        return query
    return query.where(Machine.id.in_(bindparam("machine_ids", expanding=True)))


def _settled_later(as_of: datetime | BindParameter[datetime]) -> Select[Any]:
    """The first reading by an instant about which something was settled after it.

    Where readings were retired, what was settled counts as if it always had been.
    """
    return select(func.min(CounterSettlement.to_at)).where(
        CounterSettlement.settled_at > as_of,
        CounterSettlement.to_at <= as_of,
        CounterSettlement.to_at >= RETIRED_UNTIL,
    )


def settled_later(session: Session, as_of: datetime) -> dict[uuid.UUID, datetime]:
    """Machines whose count at `as_of` was another than it is now, since somebody settled it later.

    Returns:
        By machine, the first reading that was settled later. One statement, once in a snapshot.
    """
    machine = CounterSettlement.machine_id
    asked = _settled_later(as_of).add_columns(machine).group_by(machine)
    name = f"settled later than {as_of.isoformat()}"
    return read_once(session, name, lambda: {row[1]: row[0] for row in session.execute(asked)})


def before(
    session: Session, moments: Mapping[uuid.UUID, datetime], as_of: datetime
) -> dict[uuid.UUID, datetime | None]:
    """The last reading of each machine before an instant, of those that counted at `as_of`.

    None where there is none. One statement for every hundred machines.
    """
    windows = [Window(machine, moment - MICROSECOND) for machine, moment in moments.items()]
    return {machine: found[0] for machine, found in neighbours(session, windows, as_of).items()}


@dataclass(frozen=True)
class CountedThen:
    """A machine's count from some hour on as of an instant; `read` are the readings, in order."""

    recount: Recount
    first_at: datetime
    last_at: datetime


def count_then(
    session: Session,
    zone: ZoneInfo,
    since: Mapping[uuid.UUID, datetime | None],
    as_of: datetime,
) -> dict[uuid.UUID, CountedThen]:
    """Count machines anew as of an instant.

    Args:
        session: an open session.
        zone: the plant's zone.
        since: by machine, the reading from whose hour on to count, before which nothing is
            known otherwise now than then; None: from the first reading.
        as_of: only readings up to then, and what was settled by then.

    Returns:
        By machine, those without readings left out; a fixed number of statements.
    """
    hours = {m: hour_of(at, zone) for m, at in since.items() if at is not None}
    rows = hour_rows(session, {machine: [hour] for machine, hour in hours.items()})
    starts = neighbours(session, [Window(m, hour) for m, hour in hours.items()], as_of)
    plans = [
        Plan(Window(m, starts[m][0] if m in starts else None, as_of), hours.get(m)) for m in since
    ]
    lines = timelines(session, [plan.window for plan in plans], as_of)
    machines = directory(session).by_id
    found = {}
    for plan in plans:
        machine = machines[plan.window.machine_id]
        line = lines[machine.id]
        if len(line.read_at):
            limits = CounterLimits(machine.counter_max, machine.rated_spm)
            first_at, last_at = (instant(int(line.read_at[place])) for place in (0, -1))
            found[machine.id] = CountedThen(
                recount(plan, line, limits, zone, rows), first_at, last_at
            )
    return found


def _reaches_then(
    session: Session, zone: ZoneInfo, cut: Mapping[uuid.UUID, _Since], as_of: datetime
) -> dict[uuid.UUID, Reach]:
    """Reaches of machines of which the hours tell more than was known."""
    if not cut:
        return {}
    found = {}
    counted = count_then(session, zone, {m: since for m, (_first, since) in cut.items()}, as_of)
    for machine, then in counted.items():
        rows = {row[1]: HourRow(row[2], row[3]) for row in then.recount.hours}
        last = rows[max(rows)]
        first_at = cut[machine][0] if cut[machine][1] else then.first_at
        total = last.total_before + last.strokes
        found[machine] = Reach(machine, first_at, then.last_at, total, rows)
    return found
