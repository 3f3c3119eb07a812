"""Writes of what is derived from counters: strokes by hour, and open questions."""

import uuid
from collections.abc import Mapping, Sequence
from typing import Any, cast

from sqlalchemy import BindParameter, Table, bindparam, delete, update
from sqlalchemy.orm import Session

from tracelog.bulk import insert_tuples, pieces
from tracelog.plant.queries import Directory, the_zone
from tracelog.strokes.bounds import EARLIEST, LATEST
from tracelog.strokes.models import CounterQuestion, StrokeHour
from tracelog.strokes.recounts import Recount, Touched, plan_recounts, recount
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.timelines import Shown, timelines

# A year of hourly readings of so many machines is held at once.
_MACHINES_AT_ONCE = 16


def derive_touched(
    session: Session,
    touched: Mapping[uuid.UUID, Touched],
    known: Directory,
    appended: Mapping[uuid.UUID, Shown] | None = None,
) -> None:
    """Make hours and questions of machines what the facts say, where they were touched.

    Args:
        session: an open session that writes; the caller commits.
        touched: by machine, first and last instant of what is new; None: the whole machine.
        known: the directory.
        appended: by machine, the readings that were just written, where none later was on record;
            they are not read again.
    """
    zone = the_zone(session)
    for part in pieces(touched.items(), _MACHINES_AT_ONCE):
        plans, rows = plan_recounts(session, dict(part), zone)
        lines = timelines(session, [plan.window for plan in plans], appended=appended)
        recounts = []
        for plan in plans:
            machine = known.by_id[plan.window.machine_id]
            limits = CounterLimits(machine.counter_max, machine.rated_spm)
            recounts.append(recount(plan, lines[machine.id], limits, zone, rows))
        _replace(session, recounts)


def _replace(session: Session, recounts: Sequence[Recount]) -> None:
    """Put what was counted anew in the place of what stood there."""
    if not recounts:
        return
    hours, questions = cast(Table, StrokeHour.__table__), cast(Table, CounterQuestion.__table__)
    connection = session.connection()
    machine: BindParameter[Any] = bindparam("machine")
    start: BindParameter[Any] = bindparam("start")
    end: BindParameter[Any] = bindparam("end")
    connection.execute(
        delete(hours).where(
            hours.c.machine_id == machine, hours.c.hour_at >= start, hours.c.hour_at < end
        ),
        [
            {
                "machine": one.plan.window.machine_id,
                "start": one.plan.from_hour or EARLIEST,
                "end": one.plan.until_hour or LATEST,
            }
            for one in recounts
        ],
    )
    connection.execute(
        delete(questions).where(
            questions.c.machine_id == machine, questions.c.to_at > start, questions.c.to_at <= end
        ),
        [
            {
                "machine": one.plan.window.machine_id,
                "start": one.plan.window.start or EARLIEST,
                "end": one.plan.window.end or LATEST,
            }
            for one in recounts
        ],
    )
    insert_tuples(
        session,
        StrokeHour,
        ("machine_id", "hour_at", "strokes", "total_before"),
        [row for one in recounts for row in one.hours],
    )
    insert_tuples(
        session,
        CounterQuestion,
        ("machine_id", "to_at", "from_at", "from_strokes", "to_strokes"),
        [row for one in recounts for row in one.questions],
    )
    shifts = [
        {
            "machine": one.plan.window.machine_id,
            "start": one.plan.until_hour,
            "shift": one.shift,
        }
        for one in recounts
        if one.shift
    ]
    if shifts:
        connection.execute(
            update(hours)
            .where(hours.c.machine_id == machine, hours.c.hour_at >= start)
            .values(total_before=hours.c.total_before + bindparam("shift")),
            shifts,
        )
