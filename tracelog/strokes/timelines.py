"""Reads of what counters showed: readings, events and settlements, machine by machine.

Every question is one statement that joins one short query per machine: each then looks up its
own stretch of the table by key, also where the table holds many millions of rows.
"""

import uuid
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import Uuid, and_, func, literal, literal_column, select, union_all
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.strokes.facts import Verdict
from tracelog.strokes.hours import microseconds
from tracelog.strokes.models import CounterEventRow, CounterSettlement, Reading
from tracelog.strokes.rules import Said, Timeline, Whole
from tracelog.strokes.standing import is_counted, stands

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


def timelines(
    session: Session, windows: Sequence[Window], as_of: datetime | None = None
) -> dict[uuid.UUID, Timeline]:
    """What counters showed, what was done to them and said of them, in each window.

    Three statements for every hundred windows.

    Args:
        session: an open session.
        windows: at most one for each machine.
        as_of: only what was settled by then; None: all.
    """
    if not windows:
        return {}
    said = CounterSettlement
    readings = _rows(
        session,
        windows,
        (Reading.machine_id, Reading.read_at, Reading.strokes),
        lambda window: is_counted(window.machine_id, as_of),
    )
    event = CounterEventRow
    events = _rows(session, windows, (event.machine_id, event.at, event.strokes_after))
    made = _rows(
        session,
        windows,
        (said.machine_id, said.to_at, said.from_at, said.strokes),
        lambda _window: and_(said.verdict == Verdict.MADE.value, stands(as_of)),
    )
    return {
        window.machine_id: Timeline(shown[0], shown[1], done[0], done[1], Said(*told))
        for window, shown, done, told in zip(windows, readings, events, made, strict=True)
    }


def _rows(
    session: Session,
    windows: Sequence[Window],
    columns: tuple[Any, ...],
    condition: Callable[[Window], Any] | None = None,
) -> list[list[Whole]]:
    """Columns of a table in each window, in order of time.

    Args:
        session: an open session.
        windows: where to look.
        columns: the machine, the instant that lies in the window, and what else is read.
        condition: what else must hold in a window.
    """
    machine, at, *others = columns

    def query(numbered: tuple[int, Window]) -> Any:
        number, window = numbered
        # The number alone tells windows apart: reading an id for each row takes longer.
        found = select(literal_column(str(number)), at, *others).where(machine == window.machine_id)
        if condition is not None:
            found = found.where(condition(window))
        if window.start is not None:
            found = found.where(at >= window.start)
        return found if window.end is None else found.where(at <= window.end)

    parts = [np.empty((0, len(columns)), dtype=np.int64)]
    parts += [
        np.array([_whole(column) for column in zip(*rows, strict=True)]).T
        for rows in pieces(joined(session, enumerate(windows), query), _ROWS_AT_ONCE)
    ]
    table = np.concatenate(parts)
    table = table[np.lexsort((table[:, 1], table[:, 0]))]
    cuts = np.searchsorted(table[:, 0], np.arange(1, len(windows)))
    return [list(part.T[1:]) for part in np.split(table, cuts)]


def _whole(column: Sequence[Any]) -> Whole:
    """Whole numbers as they are, instants as microseconds since 1970."""
    if isinstance(column[0], datetime):
        column = [microseconds(moment) for moment in column]
    return np.array(column, dtype=np.int64)


def neighbours(
    session: Session, windows: Sequence[Window], as_of: datetime | None = None
) -> dict[uuid.UUID, tuple[datetime | None, datetime | None]]:
    """Last reading at or before each window's start, and first one at or after its end.

    Of those that count; with `as_of` as it was settled by then. None where there is none, or
    where the window is open. One statement for every hundred.
    """

    def query(window: Window) -> Any:
        mine = and_(Reading.machine_id == window.machine_id, is_counted(window.machine_id, as_of))
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
