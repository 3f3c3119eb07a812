"""Reads of what counters showed: readings, events and settlements, machine by machine.

Every question is one statement that joins one short query per machine: each then looks up its
own stretch of the table by key, also where the table holds many millions of rows.
"""

import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import Uuid, and_, bindparam, func, literal_column, select, union_all
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.db import UtcInstant
from tracelog.strokes.facts import Verdict
from tracelog.strokes.hours import microseconds
from tracelog.strokes.joined import Joined, Place, exists_for
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
    found = {}
    for piece in pieces(windows, MACHINES_AT_ONCE):
        tables = (_rows(session, piece, table[as_of is not None], as_of) for table in _TABLES)
        for window, shown, done, told in zip(piece, *tables, strict=True):
            said = Said(*told)
            found[window.machine_id] = Timeline(shown[0], shown[1], done[0], done[1], said)
    return found


@dataclass(frozen=True)
class _Table:
    """A table that windows are cut out of, and the number of columns that come of it."""

    joined: Joined
    width: int


def _in_window(columns: Sequence[Any], condition: Callable[[Any], Any] | None = None) -> _Table:
    """A query for columns of a table in a window.

    Args:
        columns: the machine, the instant that lies in the window, and what else is read.
        condition: what else must hold, for the place of a machine's id.
    """
    machine, at, *others = columns

    def query(place: Place) -> Any:
        mine = place.value("machine")
        # The number alone tells windows apart: reading an id for each row takes longer.
        found = select(literal_column(str(place.number)), at, *others).where(
            machine == mine, at.between(place.value("start"), place.value("end"))
        )
        return found if condition is None else found.where(condition(mine))

    return _Table(Joined(query), len(columns))


def _tables(as_of: Any) -> tuple[_Table, _Table, _Table]:
    """Readings that count, events, and strokes that were said to be made."""
    event, said = CounterEventRow, CounterSettlement
    is_made = and_(said.verdict == Verdict.MADE.value, stands(as_of))
    return (
        _in_window(
            (Reading.machine_id, Reading.read_at, Reading.strokes),
            lambda machine: is_counted(machine, as_of),
        ),
        _in_window((event.machine_id, event.at, event.strokes_after)),
        _in_window((said.machine_id, said.to_at, said.from_at, said.strokes), lambda _: is_made),
    )


# Of each table the present, and how it stood at an instant.
_AS_OF = bindparam("as_of", type_=UtcInstant())
_TABLES = tuple(zip(_tables(None), _tables(_AS_OF), strict=True))


def _rows(
    session: Session, windows: Sequence[Window], table: _Table, as_of: datetime | None
) -> list[list[Whole]]:
    """Columns of a table in each window, in order of time; at most a hundred windows."""
    asked, shared = _values(windows, as_of)
    parts = [np.empty((0, table.width), dtype=np.int64)]
    parts += [
        np.array([_whole(column) for column in zip(*rows, strict=True)]).T
        for rows in pieces(table.joined.rows(session, asked, shared), _ROWS_AT_ONCE)
    ]
    whole = np.concatenate(parts)
    whole = whole[np.lexsort((whole[:, 1], whole[:, 0]))]
    cuts = np.searchsorted(whole[:, 0], np.arange(1, len(windows)))
    return [list(part.T[1:]) for part in np.split(whole, cuts)]


def _values(
    windows: Sequence[Window], as_of: datetime | None
) -> tuple[Iterator[dict[str, Any]], dict[str, Any]]:
    """What the queries are asked with: values of each window, and those that all share."""
    own = (
        {
            "machine": window.machine_id,
            "start": window.start or EARLIEST,
            "end": window.end or LATEST,
        }
        for window in windows
    )
    return own, {} if as_of is None else {"as_of": as_of}


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
    asked, shared = _values(windows, as_of)
    rows = _NEIGHBOURS[as_of is not None].rows(session, asked, shared)
    return {row[0]: (row[1], row[2]) for row in rows if exists_for(row)}


def _neighbours(as_of: Any) -> Joined:
    def query(place: Place) -> Any:
        machine = place.value("machine", type_=Uuid())
        mine = and_(Reading.machine_id == machine, is_counted(machine, as_of))
        before = select(func.max(Reading.read_at)).where(
            mine, Reading.read_at <= place.value("start")
        )
        after = select(func.min(Reading.read_at)).where(mine, Reading.read_at >= place.value("end"))
        return select(machine, before.scalar_subquery(), after.scalar_subquery())

    return Joined(query)


_NEIGHBOURS = (_neighbours(None), _neighbours(_AS_OF))


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
    found: dict[tuple[uuid.UUID, datetime], tuple[Any, ...]] = {}
    for piece in _in_pieces(_on_record(session, columns[:2], asked)):
        wanted = ({"machine": machine, "instants": instants} for machine, instants in piece)
        for row in _accepted(columns).rows(session, wanted):
            found[row[0], row[1]] = tuple(row[2:])
    return found


@lru_cache(maxsize=16)
def _accepted(columns: tuple[Any, Any, tuple[Any, ...]]) -> Joined:
    machine, at, contents = columns
    return Joined(
        lambda place: select(machine, at, *contents).where(
            machine == place.value("machine"), at.in_(place.value("instants", expanding=True))
        )
    )


def _on_record(
    session: Session, columns: tuple[Any, Any], asked: Mapping[uuid.UUID, Collection[datetime]]
) -> dict[uuid.UUID, list[datetime]]:
    """Instants between the first and last on record: what comes in order of time is not there."""
    machines = ({"machine": machine} for machine in asked)
    return {
        row[0]: [moment for moment in asked[row[0]] if row[1] <= moment <= row[2]]
        for row in _ends(*columns).rows(session, machines)
        if row[1] is not None
    }


@lru_cache(maxsize=16)
def _ends(machine: Any, at: Any) -> Joined:
    def query(place: Place) -> Any:
        mine = place.value("machine", type_=Uuid())
        first = select(func.min(at)).where(machine == mine).scalar_subquery()
        last = select(func.max(at)).where(machine == mine).scalar_subquery()
        return select(mine, first, last)

    return Joined(query)


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
