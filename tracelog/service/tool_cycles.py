"""The lives of tools: one cycle from new, or from one work to the next, through all moves."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.plant.facts import RemovalReason
from tracelog.service.tool_histories import tool_histories
from tracelog.service.tool_rules import Cycle

# Taken out because it no longer served; for any other reason its life is only known to be longer.
FAILURES = frozenset({RemovalReason.WORN, RemovalReason.BROKEN, RemovalReason.DEFECT})


@dataclass(frozen=True)
class ToolCycle(Cycle):
    """A cycle, and of which tool: its serial and its type as entered (None: not known)."""

    serial: str
    tool_type: str | None

    @property
    def failed(self) -> bool:
        """Whether it ended because the tool no longer served."""
        return self.end_reason in FAILURES


def tool_cycles(session: Session, as_of: datetime) -> list[ToolCycle]:
    """The cycles of every tool that was ever fitted, by serial and number.

    A tool taken out as `moved` goes on when it is fitted again, and so does one that is refitted
    without work; until then the one waits and the other has ended. A work on a tool that is in a
    machine ends its cycle there and begins the next.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then, a later removal is not known yet.

    Returns:
        One for each cycle in which the tool was in a machine; a fixed number of statements.
    """
    return [
        ToolCycle(**vars(cycle), serial=serial, tool_type=history.tool.tool_type)
        for serial, history in tool_histories(session, as_of).items()
        for cycle in history.count.cycles
    ]
