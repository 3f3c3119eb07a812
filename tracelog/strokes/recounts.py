"""Which hours of which machines are counted anew after a write, and what comes out; no writes.

A reading, an event or a settlement changes nothing before the reading that precedes it and
nothing after the one that follows it, but all later totals by the same number of strokes.
"""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.instants import hour_of, next_hour
from tracelog.strokes.hour_rows import HourRow, hour_rows
from tracelog.strokes.hours import MICROSECOND, hour_starts, instant, strokes_per_hour
from tracelog.strokes.models import CarriedCounter
from tracelog.strokes.retired import carried_counters
from tracelog.strokes.rules import CounterLimits, Stretches, Timeline, settle
from tracelog.strokes.timelines import Window, neighbours

# From the first to the last instant that was touched; None: the machine as a whole.
Touched: TypeAlias = tuple[datetime, datetime] | None
HourRows: TypeAlias = Mapping[tuple[uuid.UUID, datetime], HourRow]


@dataclass(frozen=True)
class Plan:
    """Which hours of a machine are counted anew, and from which readings.

    `from_hour` and `until_hour` bound the hours (None: from the first, to the last);
    `window` holds every reading that has a say in them.
    """

    window: Window
    from_hour: datetime | None = None
    until_hour: datetime | None = None


@dataclass(frozen=True)
class Recount:
    """What is to be written for one plan."""

    plan: Plan
    hours: list[tuple[uuid.UUID, datetime, int, int]]
    questions: list[tuple[uuid.UUID, datetime, datetime, int, int]]
    shift: int = 0


def plan_recounts(
    session: Session, touched: Mapping[uuid.UUID, Touched], zone: ZoneInfo
) -> tuple[list[Plan], HourRows]:
    """What to count anew, and the rows of the hours at the edges, which stay."""
    near = neighbours(
        session,
        [
            Window(machine, between[0] - MICROSECOND, between[1] + MICROSECOND)
            for machine, between in touched.items()
            if between is not None
        ],
    )
    hours = {
        machine: (
            before and hour_of(before, zone),
            after and next_hour(after, zone),
        )
        for machine, (before, after) in near.items()
    }
    # Hours at the edge hold strokes of stretches that reach beyond it.
    far = neighbours(session, [Window(machine, *edges) for machine, edges in hours.items()])
    rows = hour_rows(session, {m: {hour for hour in hours[m] if hour} for m in hours})
    plans, whole = [], []
    for machine in touched:
        from_hour, until_hour = hours.get(machine, (None, None))
        start, end = far.get(machine, (None, None))
        until_hour = until_hour if end else None
        edges = [hour for hour in (from_hour, until_hour) if hour]
        if touched[machine] is not None and all((machine, hour) in rows for hour in edges):
            plans.append(Plan(Window(machine, start, end), from_hour, until_hour))
        else:  # or the hours were dropped, or made for another zone
            whole.append(machine)
    carried = carried_counters(session, whole) if whole else {}
    for machine in whole:
        if machine not in carried:
            plans.append(Plan(Window(machine)))
            continue
        plan, row = going_on(carried[machine])
        plans.append(plan)
        rows[machine, carried[machine].hour_at] = row
    return plans, rows


def going_on(carried: CarriedCounter) -> tuple[Plan, HourRow]:
    """The plan for all hours of a machine that are not facts by now, and the row at their start."""
    window = Window(carried.machine_id, carried.read_from)
    return Plan(window, carried.hour_at), HourRow(0, carried.strokes_before)


def recount(
    plan: Plan, timeline: Timeline, limits: CounterLimits, zone: ZoneInfo, rows: HourRows
) -> Recount:
    """Count anew the hours of a plan.

    Args:
        plan: which hours.
        timeline: readings and events in the plan's window.
        limits: what is known of the machine's counter.
        zone: the plant's zone.
        rows: the rows at the edges, from `plan_recounts`.

    Returns:
        The rows of hours and of questions as they must be, in the order of the tables' columns,
        and by how much the totals of all later hours change.
    """
    if not len(timeline.read_at):
        return Recount(plan, [], [])
    machine = plan.window.machine_id
    settled = settle(timeline, limits, from_start=plan.window.start is None)
    first = plan.from_hour or instant(int(timeline.read_at[0]))
    last = instant(int(timeline.read_at[-1]))
    if plan.until_hour:
        last = plan.until_hour - MICROSECOND
    counted = strokes_per_hour(settled.counted, hour_starts(first, last, zone))
    base = rows[machine, plan.from_hour].total_before if plan.from_hour else 0
    before = (counted.before + (base - counted.before[0])).tolist()
    shift = before[-1] - rows[machine, plan.until_hour].total_before if plan.until_hour else 0
    moments = map(instant, counted.starts[:-1].tolist())
    hours = [
        (machine, hour_at, strokes, total)
        for hour_at, strokes, total in zip(
            moments, counted.strokes.tolist(), before[:-1], strict=True
        )
    ]
    return Recount(plan, hours, _question_rows(machine, settled.questions), shift)


def _question_rows(
    machine: uuid.UUID, questions: Stretches
) -> list[tuple[uuid.UUID, datetime, datetime, int, int]]:
    """Rows of the questions: machine, end, start, figure at the start, figure at the end."""
    columns = (questions.to_at, questions.from_at, questions.from_strokes, questions.to_strokes)
    return [
        (machine, instant(to_at), instant(from_at), from_strokes, to_strokes)
        for to_at, from_at, from_strokes, to_strokes in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]
