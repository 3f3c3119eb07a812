"""Whether a month's readings may be retired, and what counts go on from afterwards; no writes."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.errors import TracelogError
from tracelog.instants import hour_of
from tracelog.language import _
from tracelog.plant.queries import MachineView, directory, the_plant
from tracelog.strokes.bounds import EARLIEST, LATEST
from tracelog.strokes.hour_rows import HourRow, hour_rows
from tracelog.strokes.hours import MICROSECOND, instant, microseconds
from tracelog.strokes.models import CarriedCounter, CounterQuestion, Reading, StrokeHour
from tracelog.strokes.question_rules import DISTANCES
from tracelog.strokes.recounts import Plan, Recount, going_on, recount
from tracelog.strokes.retired import carried_counters, digest_of_hours
from tracelog.strokes.rules import CounterLimits, Whole
from tracelog.strokes.timelines import Window, neighbours, timelines

# So many machines' readings of some months are held at once.
_MACHINES_AT_ONCE = 16


@dataclass(frozen=True)
class Carry:
    """What a machine's count goes on from once its readings before an instant are retired.

    Attributes:
        first_at: its first reading that counted.
        last_at: the last one before that instant.
        hour_at: the plant's clock hour of that last one; hours before it are facts from then on.
        read_from: a reading that counts, up to the start of that hour and some before the last.
        strokes_before: strokes before that hour.
        kept: the readings that stay, microseconds since 1970: those that count from `read_from`.
    """

    first_at: datetime
    last_at: datetime
    hour_at: datetime
    read_from: datetime
    strokes_before: int
    kept: Whole


@dataclass(frozen=True)
class MonthRows:
    """Readings of one machine before an instant, in order of time, misread or not."""

    read_at: Whole
    strokes: Whole
    audit_ids: Sequence[uuid.UUID]


def rows_before(session: Session, machine_id: uuid.UUID, until: datetime) -> MonthRows:
    """All readings on record of a machine before an instant. One statement."""
    asked = select(Reading.read_at, Reading.strokes, Reading.audit_id).where(
        Reading.machine_id == machine_id, Reading.read_at < until
    )
    rows = session.execute(asked.order_by(Reading.read_at)).all()
    return MonthRows(
        np.array([microseconds(row[0]) for row in rows], dtype=np.int64),
        np.array([row[1] for row in rows], dtype=np.int64),
        [row[2] for row in rows],
    )


def carry_over(session: Session, until: datetime) -> dict[uuid.UUID, Carry]:
    """What each machine's count goes on from once readings before an instant are retired.

    All hours up to there are counted anew from the readings and compared with those on record.

    Args:
        session: an open session.
        until: the end of a month, UTC.

    Returns:
        By machine; left out are those of which nothing can go, since their first hour with
        readings is their last one before that instant, or has not come yet.

    Raises:
        TracelogError: a question about a counter is open, or the hours are not what the readings
            say.
    """
    _demand_settled(session, until)
    zone = the_plant(session).zone
    carried = carried_counters(session)
    found: dict[uuid.UUID, Carry] = {}
    for piece in pieces(directory(session).bodymakers, _MACHINES_AT_ONCE):
        found |= _carry_some(session, piece, carried, until, zone)
    return found


def _demand_settled(session: Session, until: datetime) -> None:
    asked = select(func.count()).where(CounterQuestion.to_at < until)
    if count := session.execute(asked.select_from(CounterQuestion)).scalar_one():
        raise TracelogError(
            _(
                "questions about counters before %(day)s are open: %(count)d; settle them on the"
                " page Counters first, since they cannot be settled without the readings",
                day=f"{until:%Y-%m-%d}",
                count=count,
            )
        )


def _carry_some(
    session: Session,
    machines: Sequence[MachineView],
    carried: dict[uuid.UUID, CarriedCounter],
    until: datetime,
    zone: ZoneInfo,
) -> dict[uuid.UUID, Carry]:
    end = hour_of(until, zone)
    near = neighbours(session, [Window(one.id, end - MICROSECOND, end) for one in machines])
    counted = [one for one in machines if near[one.id][0] is not None]
    ends = {one.id: [end] for one in counted if near[one.id][1] is not None}
    rows = hour_rows(session, ends)
    plans = []
    for one in counted:
        plan = Plan(Window(one.id))
        if one.id in carried:
            plan, rows[one.id, carried[one.id].hour_at] = going_on(carried[one.id])
            _demand_same(session, one, carried[one.id])
        after = near[one.id][1]
        if after is not None and (one.id, end) not in rows:
            raise _differs(one)
        window = Window(one.id, plan.window.start, after)
        plans.append(Plan(window, plan.from_hour, None if after is None else end))
    lines = timelines(session, [plan.window for plan in plans])
    found = {}
    for one, plan in zip(counted, plans, strict=True):
        limits = CounterLimits(one.counter_max, one.rated_spm)
        again = recount(plan, lines[one.id], limits, zone, rows)
        before = _demand_equal(session, one, again, until)
        if (one.id, end) in rows:
            before[end] = rows[one.id, end].total_before
        shown = lines[one.id].read_at
        carry = _carry(shown[shown < microseconds(until)], before, zone)
        if carry is not None:
            first_at = carried[one.id].first_at if one.id in carried else instant(int(shown[0]))
            found[one.id] = Carry(first_at, *carry)
    return found


def _carry(
    shown: Whole, before: dict[datetime, int], zone: ZoneInfo
) -> tuple[datetime, datetime, datetime, int, Whole] | None:
    last_at = instant(int(shown[-1]))
    hour_at = hour_of(last_at, zone)
    place = int(np.searchsorted(shown, microseconds(hour_at), side="right")) - 1
    if place < 0:
        return None
    # How often a counter is read is told by its last readings, and when it is silent by that.
    place = max(0, min(place, len(shown) - 1 - DISTANCES))
    return last_at, hour_at, instant(int(shown[place])), before[hour_at], shown[place:]


def _demand_same(session: Session, machine: MachineView, carried: CarriedCounter) -> None:
    """Refuse to go on from hours that are not those that were carried over."""
    found = digest_of_hours(session, machine.id, carried.hour_at)
    if found != (carried.hours, carried.hours_sha256):
        raise _differs(machine)


def _demand_equal(
    session: Session, machine: MachineView, again: Recount, until: datetime
) -> dict[datetime, int]:
    """Refuse hours on record that are not what the readings say; else strokes before each hour."""
    plan, hour = again.plan, StrokeHour
    asked = select(hour.hour_at, hour.strokes, hour.total_before).where(
        hour.machine_id == machine.id,
        hour.hour_at >= (plan.from_hour or EARLIEST),
        hour.hour_at < (plan.until_hour or LATEST),
    )
    there = {at: HourRow(strokes, total) for at, strokes, total in session.execute(asked)}
    counted = {at: HourRow(strokes, total) for _machine, at, strokes, total in again.hours}
    asks = any(question[1] < until for question in again.questions)
    if there != counted or again.shift or asks:
        raise _differs(machine)
    return {at: row.total_before for at, row in there.items()}


def _differs(machine: MachineView) -> TracelogError:
    return TracelogError(
        _(
            "the hours of %(machine)s are not what its readings say, so none was taken out; run"
            " 'tracelog check --rebuild' first",
            machine=machine.text,
        )
    )
