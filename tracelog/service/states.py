"""Reads of machines as they stand: strokes, services, tools and open questions in one view."""

import uuid
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from sqlalchemy.orm import Session

from tracelog.plant.queries import BODYMAKER, MachineView, directory
from tracelog.service.queries import ServiceStanding, service_standings
from tracelog.service.tool_standings import ToolStanding, tool_standings
from tracelog.strokes.queries import (
    LastReading,
    OpenQuestion,
    last_reading,
    open_questions,
    total_at,
)

Standing = TypeVar("Standing", ServiceStanding, ToolStanding)


@dataclass(frozen=True)
class MachineState:
    """One machine at an instant.

    `strokes_total` counts from its first reading; None: it has no counter (only bodymakers have).
    """

    machine: MachineView
    strokes_total: int | None
    last_reading: LastReading | None
    services: tuple[ServiceStanding, ...]
    tools: tuple[ToolStanding, ...]
    questions: tuple[OpenQuestion, ...]


def machine_states(
    session: Session, as_of: datetime, machine: MachineView | None = None
) -> list[MachineState]:
    """Machines as they stood, in order of line, station and number.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        machine: only this one.

    Returns:
        One state for each machine; a fixed number of statements.
    """
    chosen = [machine] if machine else list(directory(session).machines.values())
    only = machine.id if machine else None
    counted = [one.id for one in chosen if one.station == BODYMAKER]
    totals = total_at(session, counted, as_of, as_of) if counted else {}
    latest = last_reading(session, counted, as_of) if counted else {}
    services = _by_machine(service_standings(session, as_of, only))
    tools = _by_machine(tool_standings(session, as_of, only))
    questions: dict[uuid.UUID, list[OpenQuestion]] = defaultdict(list)
    for question in open_questions(session, only, as_of):
        questions[question.machine_id].append(question)
    return [
        MachineState(
            one,
            totals.get(one.id),
            latest.get(one.id),
            tuple(services.get(one.id, ())),
            tuple(sorted(tools.get(one.id, ()), key=lambda tool: (tool.position, tool.serial))),
            tuple(questions.get(one.id, ())),
        )
        for one in sorted(chosen, key=lambda one: (one.line, one.station, one.number))
    ]


def _by_machine(standings: Iterable[Standing]) -> dict[uuid.UUID, list[Standing]]:
    found: dict[uuid.UUID, list[Standing]] = defaultdict(list)
    for one in standings:
        found[one.machine.id].append(one)
    return found
