"""Where every tool in a machine stands: its strokes, and when its life is used up."""

import uuid
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.plant.queries import BODYMAKER, MachineView, directory, the_plant
from tracelog.plant.stays import tool_stays
from tracelog.service.queries import uses
from tracelog.service.rules import DailyUse, Due, Level, share_used, when_due
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
    zone = the_plant(session).zone
    machines = directory(session).by_id
    chosen = None if machine_id is None else [machine_id]
    fitted = {
        stay.serial
        for stay in tool_stays(session, as_of, as_of, machine_ids=chosen, as_of=as_of)
        if stay.removed_at is None
    }
    use = uses(session, machine_id, as_of, zone)
    local = as_of.astimezone(zone)
    found = []
    for history in tool_histories(session, as_of, sorted(fitted)).values():
        present = history.present
        if present is not None:
            machine = machines[present.stay.machine_id]
            daily = use.get(machine.id, DailyUse(0, 0, 0))
            found.append(_standing(history, present, machine, daily, local))
    return sorted(found, key=lambda one: (-(one.share or 0.0), one.serial))


def _standing(
    history: ToolHistory,
    present: StayStrokes,
    machine: MachineView,
    daily: DailyUse,
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
        due=when_due(life, count.since_work, stay.fitted_at, daily, local),
    )
