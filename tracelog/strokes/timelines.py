"""Reads of what counters showed: readings and events, machine by machine.

Every question is one statement that joins one short query per machine: each then looks up its
own stretch of the table by key, also where the table holds many millions of rows.
"""

import uuid
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import Uuid, func, literal, literal_column, select, union_all
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.strokes.hours import microseconds
from tracelog.strokes.models import CounterEventRow, Reading
from tracelog.strokes.rules import Timeline, Whole

EARLIEST = datetime(1, 1, 2, tzinfo=UTC)
LATEST = datetime(9999, 12, 30, tzinfo=UTC)
# SQLite joins at most 500 queries into one statement.
MACHINES_AT_ONCE = 100
_ROWS_AT_ONCE = 20_000
_INSTANTS_AT_ONCE = 10_000

Asked = TypeVar("Asked")


@dataclass(frozen=True)
class Window:
    """A stretch of a machine's time, both ends included; None: open to that side."""

    machine_id: uuid.UUID
    start: datetime | None = None
    end: datetime | None = None


def joined(
    session: Session,
    asked: Iterable[Asked],
    query: Callable[[Asked], Any],
    *,
    at_once: int = MACHINES_AT_ONCE,
) -> Iterable[Any]:
    """Rows of `query` for each of `asked`; one statement for every hundred of them."""
    for piece in pieces(asked, at_once):
        queries = [query(one) for one in piece]
        statement: Any = union_all(*queries) if len(queries) > 1 else queries[0]
        yield from session.execute(statement, execution_options={"yield_per": _ROWS_AT_ONCE})


def timelines(session: Session, windows: Sequence[Window]) -> dict[uuid.UUID, Timeline]:
    """Readings and events in each window. Two statements for every hundred windows.

    Args:
        session: an open session.
        windows: at most one for each machine.
    """
    if not windows:
        return {}
    readings = _figures(session, windows, Reading.machine_id, Reading.read_at, Reading.strokes)
    event = CounterEventRow
    events = _figures(session, windows, event.machine_id, event.at, event.strokes_after)
    return {
        window.machine_id: Timeline(*shown, *done)
        for window, shown, done in zip(windows, readings, events, strict=True)
    }


def _figures(
    session: Session, windows: Sequence[Window], machine: Any, at: Any, figure: Any
) -> list[tuple[Whole, Whole]]:
    """Instants and figures in each window, in order of time."""

    def query(numbered: tuple[int, Window]) -> Any:
        number, window = numbered
        # The number alone tells windows apart: reading an id for each row takes longer.
        found = select(literal_column(str(number)), at, figure).where(machine == window.machine_id)
        if window.start is not None:
            found = found.where(at >= window.start)
        return found if window.end is None else found.where(at <= window.end)

    parts = [np.empty((0, 3), dtype=np.int64)]
    for rows in pieces(joined(session, enumerate(windows), query), _ROWS_AT_ONCE):
        numbers, moments, figures = zip(*rows, strict=True)
        columns = [numbers, [microseconds(moment) for moment in moments], figures]
        parts.append(np.array(columns, dtype=np.int64).T)
    table = np.concatenate(parts)
    table = table[np.lexsort((table[:, 1], table[:, 0]))]
    cuts = np.searchsorted(table[:, 0], np.arange(1, len(windows)))
    return [(part[:, 1], part[:, 2]) for part in np.split(table, cuts)]


def neighbours(
    session: Session, windows: Sequence[Window]
) -> dict[uuid.UUID, tuple[datetime | None, datetime | None]]:
    """Last reading at or before each window's start, and first one at or after its end.

    None where there is none, or where the window is open. One statement for every hundred.
    """

    def query(window: Window) -> Any:
        mine = Reading.machine_id == window.machine_id
        before = select(func.max(Reading.read_at)).where(
            mine, Reading.read_at <= (window.start or EARLIEST)
        )
        after = select(func.min(Reading.read_at)).where(
            mine, Reading.read_at >= (window.end or LATEST)
        )
        return select(
            literal(window.machine_id, Uuid()), before.scalar_subquery(), after.scalar_subquery()
        )

    return {row[0]: (row[1], row[2]) for row in joined(session, windows, query)}


def accepted_at(
    session: Session,
    columns: tuple[Any, Any, tuple[Any, ...]],
    asked: Mapping[uuid.UUID, Collection[datetime]],
) -> dict[tuple[uuid.UUID, datetime], tuple[Any, ...]]:
    """What is on record at exactly these instants, by machine and instant.

    Args:
        session: an open session.
        columns: a table's machine, instant, and further columns to give back.
        asked: instants by machine. One statement, and one more for every ten thousand instants
            that lie between the first and the last that are on record.
    """
    machine, at, contents = columns
    asked = _on_record(session, machine, at, asked)
    found: dict[tuple[uuid.UUID, datetime], tuple[Any, ...]] = {}
    for piece in _in_pieces(asked):
        rows = joined(
            session,
            piece,
            lambda one: select(machine, at, *contents).where(machine == one[0], at.in_(one[1])),
        )
        found.update({(row[0], row[1]): tuple(row[2:]) for row in rows})
    return found


def _on_record(
    session: Session, machine: Any, at: Any, asked: Mapping[uuid.UUID, Collection[datetime]]
) -> dict[uuid.UUID, list[datetime]]:
    """Instants between the first and last on record: what comes in order of time is not there."""

    def query(asked_id: uuid.UUID) -> Any:
        first = select(func.min(at)).where(machine == asked_id).scalar_subquery()
        last = select(func.max(at)).where(machine == asked_id).scalar_subquery()
        return select(literal(asked_id, Uuid()), first, last)

    return {
        row[0]: [moment for moment in asked[row[0]] if row[1] <= moment <= row[2]]
        for row in joined(session, asked, query)
        if row[1] is not None
    }


def _in_pieces(
    asked: Mapping[uuid.UUID, Collection[datetime]],
) -> Iterable[list[tuple[uuid.UUID, list[datetime]]]]:
    """The instants of each machine, cut so that one statement can ask for each piece."""
    flat = ((machine, moment) for machine, moments in asked.items() for moment in moments)
    for piece in pieces(flat, _INSTANTS_AT_ONCE):
        grouped: dict[uuid.UUID, list[datetime]] = {}
        for machine, moment in piece:
            grouped.setdefault(machine, []).append(moment)
        yield list(grouped.items())
