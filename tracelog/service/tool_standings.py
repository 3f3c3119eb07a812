"""Where every tool in a machine stands: its strokes, and when its life is used up."""

import uuid
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.instants import EARLIEST
from tracelog.plant.queries import BODYMAKER, MachineView, directory, the_plant
from tracelog.plant.stays import tool_stays
from tracelog.service.queries import uses
from tracelog.service.rules import DailyUse, Due, Level, share_used, when_due
from tracelog.strokes.queries import Span, strokes_between


@dataclass(frozen=True)
class ToolStanding:
    """One tool in its place, with the strokes it has made in all its places."""

    serial: str
    tool_type: str | None
    machine: MachineView
    position: str
    fitted_at: datetime
    strokes_here: int
    strokes_on_tool: int
    life_strokes: int | None
    due: Due

    @property
    def share(self) -> float | None:
        """Share of the expected life used up."""
        return share_used(self.strokes_on_tool, self.life_strokes)


def tool_standings(
    session: Session, as_of: datetime, machine_id: uuid.UUID | None = None
) -> list[ToolStanding]:
    """Every tool that is in a machine, with its strokes and when its life is used up.

    A tool whose removal lies after `as_of` still counts as fitted. A fixed number of statements.
    """
    zone = the_plant(session).zone
    plant = directory(session)
    rows = tool_stays(session, EARLIEST, as_of, as_of=as_of)
    fitted = {
        stay.serial: stay
        for stay in rows
        if stay.removed_at is None and machine_id in (None, stay.machine_id)
    }
    stays = [stay for stay in rows if stay.serial in fitted]
    spans = [Span(stay.machine_id, stay.fitted_at, stay.removed_at or as_of) for stay in stays]
    on_tool: dict[str, int] = {}
    here: dict[str, int] = {}
    for stay, strokes in zip(stays, strokes_between(session, spans, as_of), strict=True):
        on_tool[stay.serial] = on_tool.get(stay.serial, 0) + strokes
        here[stay.serial] = strokes
    use = uses(session, machine_id, as_of, zone)
    local = as_of.astimezone(zone)
    return sorted(
        (
            ToolStanding(
                serial,
                stay.tool_type,
                plant.by_id[stay.machine_id],
                stay.position,
                stay.fitted_at,
                here[serial],
                on_tool[serial],
                stay.life_strokes,
                when_due(
                    Level(BODYMAKER, stay.position, stay.life_strokes, None),
                    on_tool[serial],
                    stay.fitted_at,
                    use.get(stay.machine_id, DailyUse(0, 0, 0)),
                    local,
                ),
            )
            for serial, stay in fitted.items()
        ),
        key=lambda one: (-(one.share or 0.0), one.serial),
    )
