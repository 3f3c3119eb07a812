"""The lives of tools: one cycle from new, or from one work to the next, through all moves."""

import uuid
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.plant.facts import RemovalReason
from tracelog.service.tool_histories import tool_histories

# Taken out because it no longer served; for any other reason its life is only known to be longer.
FAILURES = frozenset({RemovalReason.WORN, RemovalReason.BROKEN, RemovalReason.DEFECT})


@dataclass(frozen=True)
class ToolCycle:
    """A tool's strokes from new, or from one work to the next, through moves and refits.

    Attributes:
        serial: of the tool.
        tool_type: as entered; None: not known.
        position: where it was last in this cycle.
        machine_id: likewise.
        number: which cycle of the tool, as far as is on record; the first is 1.
        started_at: UTC; the work that began it, else the first fit or the word of its card.
        ended_at: UTC; when it was taken out for the last time before a work, or for good, or was
            worked on where it was; None: it goes on.
        entry_strokes: age in strokes at which its records begin: 0 where it begins on record,
            what its card says, or None where nobody knows (it was in before the machine's first
            reading, and has no card).
        own_strokes: counted from there on.
        strokes: its age at the end, or now: entry and own strokes; without an entry, at least.
        end_reason: why it was taken out; None: it goes on, or was worked on in the machine.
        exact: False where `strokes` is only a lower bound.
    """

    serial: str
    tool_type: str | None
    position: str
    machine_id: uuid.UUID
    number: int
    started_at: datetime
    ended_at: datetime | None
    entry_strokes: int | None
    own_strokes: int
    strokes: int
    end_reason: str | None
    exact: bool

    @property
    def ended(self) -> bool:
        """Whether it is over, as far as is known."""
        return self.ended_at is not None

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
        ToolCycle(
            *(serial, history.tool.tool_type, cycle.position, cycle.machine_id, cycle.number),
            *(cycle.started_at, cycle.ended_at, cycle.entry_strokes, cycle.own_strokes),
            *(cycle.strokes, cycle.end_reason, cycle.exact),
        )
        for serial, history in tool_histories(session, as_of).items()
        for cycle in history.count.cycles
    ]
