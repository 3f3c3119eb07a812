"""Reads of tools themselves, and of what was done to them in the tool room."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.plant.models import Tool, ToolWork

# Beyond this, asking for all and choosing is as good as naming each.
MOST_NAMED = 5_000


@dataclass(frozen=True)
class ToolView:
    """A serialised tool as entered; `life_strokes` are those it is expected to make between
    works.
    """

    serial: str
    tool_type: str | None
    life_strokes: int | None
    note: str | None


@dataclass(frozen=True)
class ToolWorkDone:
    """Work done on a tool, or what its card said; see `tool_facts.ToolWorkFact`."""

    serial: str
    done_at: datetime
    work: str
    strokes_before: int | None = None
    strokes_before_since_work: int | None = None
    size_mm: float | None = None
    note: str | None = None


def tools(session: Session, serials: Sequence[str] | None = None) -> list[ToolView]:
    """Tools by serial; None: all. One statement."""
    asked = select(Tool.serial, Tool.tool_type, Tool.life_strokes, Tool.note)
    if serials is not None:
        asked = asked.where(Tool.serial.in_(serials))
    return sorted((ToolView(*row) for row in session.execute(asked)), key=lambda one: one.serial)


def works_done(
    session: Session, until: datetime, serials: Sequence[str] | None = None
) -> list[ToolWorkDone]:
    """Works on tools up to an instant (included), by time, then tool and kind. One statement."""
    asked = (
        select(
            *(Tool.serial, ToolWork.done_at, ToolWork.work, ToolWork.strokes_before),
            *(ToolWork.strokes_before_since_work, ToolWork.size_mm, ToolWork.note),
        )
        .join(Tool, Tool.id == ToolWork.tool_id)
        .where(ToolWork.done_at <= until)
    )
    if serials is not None:
        asked = asked.where(Tool.serial.in_(serials))
    found = (ToolWorkDone(*row) for row in session.execute(asked))
    return sorted(found, key=lambda one: (one.done_at, one.serial, one.work))
