"""The plant's tools as a list: those in machines, in the tool room, and scrapped."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.errors import NotFound
from tracelog.facts import plain_text
from tracelog.language import _
from tracelog.plant.stays import ToolStay
from tracelog.reference import ToolType, tool_types
from tracelog.service.tool_histories import ToolHistory, ToolState, as_work, tool_histories
from tracelog.service.tool_rules import contradicted


def listed_tools(
    session: Session, as_of: datetime, search: str = "", state: ToolState | None = None
) -> list[ToolHistory]:
    """Tools, the furthest into their life first.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        search: only those whose serial or type holds this text, in capitals or not.
        state: only those; None: all.

    Returns:
        Those with a life entered before those without; a fixed number of statements.
    """
    wanted = search.strip().casefold()
    found = (
        one
        for one in tool_histories(session, as_of).values()
        if state in (None, one.state) and _holds(one, wanted)
    )
    return sorted(found, key=_urgency)


def _holds(history: ToolHistory, wanted: str) -> bool:
    tool = history.tool
    return wanted in tool.serial.casefold() or wanted in (tool.tool_type or "").casefold()


def _urgency(history: ToolHistory) -> tuple[float, int, str]:
    share = history.share
    return (-1.0 if share is None else share) * -1, -history.count.since_work, history.tool.serial


def the_tool(session: Session, serial: str, as_of: datetime) -> ToolHistory:
    """One tool by its serial. A fixed number of statements.

    Raises:
        NotFound: it is not on record.
    """
    try:
        named = plain_text(serial, 80)
    except ValueError:
        named = ""
    found = tool_histories(session, as_of, [named]).get(named)
    if found is None:
        raise NotFound(_("there is no tool '%(serial)s' on record", serial=serial[:40]))
    return found


def kind_of_tool(tool_type: str | None) -> ToolType | None:
    """What the reference data say of a type of tool; None: nothing."""
    return next((one for one in tool_types() if one.tool_type == tool_type), None)


@dataclass(frozen=True)
class Doubt:
    """A work that the records of fits speak against: while it was in, or before it went in."""

    work: str
    done_at: datetime
    stay: ToolStay

    @property
    def is_inside(self) -> bool:
        """Whether the tool was in the machine when the work was done."""
        return self.stay.fitted_at < self.done_at


def doubts(history: ToolHistory) -> list[Doubt]:
    """What does not go together in the records of a tool, by time."""
    stays = {one.stay.fitted_at: one.stay for one in history.stays}
    return [
        Doubt(work.work, work.done_at, stays[fitted_at])
        for work, fitted_at in contradicted(
            (as_work(one) for one in history.works),
            ((stay.fitted_at, stay.removed_at) for stay in stays.values()),
        )
    ]
