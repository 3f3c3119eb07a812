"""Reads of what happened on the way: services, tools, coils and changes of a series."""

import uuid
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.plant.queries import Directory, PlantView
from tracelog.plant.stays import changes_between, coil_stays, tool_stays
from tracelog.service.records import services_done
from tracelog.trends.answers import ChartAnswer
from tracelog.trends.charts import chart
from tracelog.trends.queries import machines_in_scope
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.series.rules import Event, EventKind

_INSTANT = timedelta(microseconds=1)


def chart_with_events(
    session: Session, question: ChartQuestion, plant: PlantView, places: Directory
) -> ChartAnswer:
    """A control chart, and what happened in its period.

    Args, Raises: as `chart`; a fixed number of statements.
    """
    drawn = chart(session, question, plant, places)
    return replace(drawn, events=tuple(events_of(session, question, places)))


def events_of(session: Session, asked: ChartQuestion, places: Directory) -> list[Event]:
    """What happened to the machines of a series in its period, in order of time.

    Services and tools of the machines in scope, coils of their lines, and changes to them or to
    their whole line. Four statements.
    """
    end = asked.end if asked.as_of is None else min(asked.end, asked.as_of + _INSTANT)
    if end <= asked.start:
        return []
    scope = machines_in_scope(places, asked)
    found = [
        *_services(session, asked, end, places, scope),
        *_tools(session, asked, end, places, scope),
        *_coils(session, asked, end, places),
        *_changes(session, asked, end, places, scope),
    ]
    return sorted(found, key=lambda one: (one.at, one.kind, one.what, one.machine or ""))


def _services(
    session: Session,
    asked: ChartQuestion,
    end: datetime,
    places: Directory,
    scope: set[uuid.UUID],
) -> Iterator[Event]:
    one_machine = None if asked.machine is None else asked.machine.id
    for done in services_done(session, end - _INSTANT, asked.start, one_machine, places):
        if done.machine.id in scope:
            yield Event(
                *(done.done_at, EventKind.SERVICE, done.service, done.note or ""),
                *(done.machine.text, done.machine.line),
            )


def _tools(
    session: Session,
    asked: ChartQuestion,
    end: datetime,
    places: Directory,
    scope: set[uuid.UUID],
) -> Iterator[Event]:
    stays = tool_stays(
        session, asked.start, end - _INSTANT, machine_ids=sorted(scope), as_of=asked.as_of
    )
    for stay in stays:
        machine = places.by_id[stay.machine_id]
        if asked.start <= stay.fitted_at < end:
            yield Event(
                *(stay.fitted_at, EventKind.FITTED, stay.serial, stay.position),
                *(machine.text, machine.line),
            )
        if stay.removed_at is not None and asked.start <= stay.removed_at < end:
            reason = f", {stay.removal_reason}" if stay.removal_reason else ""
            yield Event(
                *(stay.removed_at, EventKind.REMOVED, stay.serial, stay.position + reason),
                *(machine.text, machine.line),
            )


def _coils(
    session: Session, asked: ChartQuestion, end: datetime, places: Directory
) -> Iterator[Event]:
    line = asked.line if asked.machine is None else asked.machine.line
    line_id = None if line is None else places.lines[line]
    runs = coil_stays(session, asked.start, end - _INSTANT, line_id=line_id, as_of=asked.as_of)
    for run in runs:
        if run.started_at >= asked.start:
            number = places.line_numbers[run.line_id]
            yield Event(run.started_at, EventKind.COIL, run.coil, run.alloy or "", None, number)


def _changes(
    session: Session,
    asked: ChartQuestion,
    end: datetime,
    places: Directory,
    scope: set[uuid.UUID],
) -> Iterator[Event]:
    line = asked.line if asked.machine is None else asked.machine.line
    made = changes_between(
        session,
        asked.start,
        end - _INSTANT,
        line_id=None if line is None else places.lines[line],
        machine_id=None if asked.machine is None else asked.machine.id,
    )
    for change in made:
        if change.machine_id is None or change.machine_id in scope:
            machine = None if change.machine_id is None else places.by_id[change.machine_id].text
            number = places.line_numbers[change.line_id]
            yield Event(
                change.at, EventKind.CHANGE, change.kind, change.note or "", machine, number
            )
