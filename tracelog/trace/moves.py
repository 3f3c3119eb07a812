"""Where tools came from and where they went: the moves that carry a fault along."""

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.plant.queries import Directory, MachineView
from tracelog.plant.stays import ToolStay, stays_around


@dataclass(frozen=True)
class Stop:
    """A place where a tool was; `end` None: it is there still."""

    machine: MachineView
    position: str
    start: datetime
    end: datetime | None


@dataclass(frozen=True)
class Move:
    """A stay of a tool, with the stay before and the one after; None: none on record."""

    serial: str
    tool_type: str | None
    here: Stop
    removal_reason: str | None
    came_from: Stop | None
    went_to: Stop | None


def moves_of(
    stays: Sequence[ToolStay], machines: Directory, wanted: Collection[ToolStay] | None = None
) -> list[Move]:
    """The stays of tools, each with its neighbours, by time of fitting.

    Args:
        stays: all stays of every tool among them, or each wanted one with its neighbours.
        machines: the directory.
        wanted: of which stays to tell; None: of all.
    """
    by_tool: dict[str, list[ToolStay]] = defaultdict(list)
    for stay in sorted(stays, key=lambda one: (one.fitted_at, one.position)):
        by_tool[stay.serial].append(stay)
    found = []

    def stop(own: list[ToolStay], place: int) -> Stop | None:
        if not 0 <= place < len(own):
            return None
        one = own[place]
        return Stop(machines.by_id[one.machine_id], one.position, one.fitted_at, one.removed_at)

    for own in by_tool.values():
        for place, one in enumerate(own):
            here = stop(own, place) if wanted is None or one in wanted else None
            if here is not None:
                around = stop(own, place - 1), stop(own, place + 1)
                found.append(Move(one.serial, one.tool_type, here, one.removal_reason, *around))
    found.sort(key=lambda one: (one.here.start, one.here.position, one.serial))
    return found


def tools_through(
    session: Session,
    machine_id: uuid.UUID,
    start: datetime,
    end: datetime,
    machines: Directory,
    as_of: datetime,
) -> list[Move]:
    """Every tool that sat in a machine in [start, end], where it came from and where it went.

    Two statements.
    """
    here, around = stays_around(session, machine_id, start, end, as_of)
    return moves_of(around, machines, set(here))
