"""Where every tool in a machine stands: its strokes, and when its life is used up."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.plant.queries import BODYMAKER, MachineView, directory, the_plant
from tracelog.plant.stays import tool_stays
from tracelog.service.forecasts import forecast_of
from tracelog.service.rules import Due, Expected, Level, share_used, when_due
from tracelog.service.tool_histories import StayStrokes, ToolHistory, tool_histories


@dataclass(frozen=True)
class ToolStanding:
    """One tool in its place, with the strokes it has made in all its places.

    `strokes_on_tool` are all it ever made, `strokes_since_work` those since it was last restored
    in the tool room; each `..._at_least` says that strokes are missing from the count. `works`:
    how often it was restored.
    """

    serial: str
    tool_type: str | None
    machine: MachineView
    position: str
    fitted_at: datetime
    strokes_here: int
    strokes_on_tool: int
    on_tool_at_least: bool
    strokes_since_work: int
    since_work_at_least: bool
    works: int
    life_strokes: int | None
    due: Due

    @property
    def share(self) -> float | None:
        """Share of the expected life between works that is used up."""
        return share_used(self.strokes_since_work, self.life_strokes)


def tool_standings(
    session: Session, as_of: datetime, machine_id: uuid.UUID | None = None
) -> list[ToolStanding]:
    """Every tool that is in a machine, with its strokes and when its life is used up.

    A life is one between works: `life_strokes` is used up by the strokes since the last one. A
    tool whose removal lies after `as_of` still counts as fitted. A fixed number of statements.
    """
    chosen = None if machine_id is None else [machine_id]
    fitted = {
        stay.serial
        for stay in tool_stays(session, as_of, as_of, machine_ids=chosen, as_of=as_of)
        if stay.removed_at is None
    }
    present = [
        (history, history.present)
        for history in tool_histories(session, as_of, sorted(fitted)).values()
        if history.present is not None
    ]
    found = _standings(session, as_of, present)
    return sorted(found, key=lambda one: (-(one.share or 0.0), one.serial))


def _standings(
    session: Session, as_of: datetime, present: Sequence[tuple[ToolHistory, StayStrokes]]
) -> list[ToolStanding]:
    """Standings of tools, those of one machine forecast together."""
    machines = directory(session).by_id
    local = as_of.astimezone(the_plant(session).zone)
    forecast = forecast_of(session, as_of)
    by_machine: dict[uuid.UUID, list[tuple[ToolHistory, StayStrokes]]] = {}
    for one in present:
        by_machine.setdefault(one[1].stay.machine_id, []).append(one)
    found = []
    for machine, own in by_machine.items():
        left = [float((one.tool.life_strokes or 0) - one.count.since_work) for one, _stay in own]
        found += [
            _standing(history, stay, machines[machine], when, local)
            for (history, stay), when in zip(own, forecast.when(machine, left), strict=True)
        ]
    return found


def _standing(
    history: ToolHistory,
    present: StayStrokes,
    machine: MachineView,
    expected: Expected | None,
    local: datetime,
) -> ToolStanding:
    tool, stay, count = history.tool, present.stay, history.count
    life = Level(BODYMAKER, stay.position, tool.life_strokes, None)
    return ToolStanding(
        serial=tool.serial,
        tool_type=tool.tool_type,
        machine=machine,
        position=stay.position,
        fitted_at=stay.fitted_at,
        strokes_here=present.strokes,
        strokes_on_tool=count.total,
        on_tool_at_least=not count.total_exact,
        strokes_since_work=count.since_work,
        since_work_at_least=not count.since_work_exact,
        works=count.renewals,
        life_strokes=tool.life_strokes,
        due=when_due(life, expected, stay.fitted_at, local),
    )
