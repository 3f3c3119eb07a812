"""Reads of what counters showed: readings, events and settlements, machine by machine.

Every question is one statement that joins one short query per machine: each then looks up its
own stretch of the table by key, also where the table holds many millions of rows.
"""

import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any, TypeAlias, TypeVar

import numpy as np
from sqlalchemy import Uuid, and_, bindparam, func, literal_column, select, union_all
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.db import UtcInstant
from tracelog.strokes.bounds import EARLIEST, LATEST, near_before
from tracelog.strokes.facts import Verdict
from tracelog.strokes.hours import instant, microseconds
from tracelog.strokes.joined import Joined, Place, exists_for
from tracelog.strokes.models import CounterEventRow, CounterSettlement, Reading
from tracelog.strokes.rules import Said, Timeline, Whole
from tracelog.strokes.standing import is_counted, stands

# SQLite joins at most 500 queries into one statement.
MACHINES_AT_ONCE = 100
_ROWS_AT_ONCE = 20_000
_INSTANTS_AT_ONCE = 10_000

Asked = TypeVar("Asked")
# First and last instant by machine.
Ends: TypeAlias = dict[uuid.UUID, tuple[datetime, datetime]]


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


@dataclass(frozen=True)
class Shown:
    """What one counter showed, in order of time: microseconds since 1970, and figures."""

    read_at: Whole
    strokes: Whole


def timelines(
    session: Session,
    windows: Sequence[Window],
    as_of: datetime | None = None,
    appended: Mapping[uuid.UUID, Shown] | None = None,
) -> dict[uuid.UUID, Timeline]:
    """What counters showed, what was done to them and said of them, in each window.

    Three statements for every hundred windows, and one more for what was appended.

    Args:
        session: an open session.
        windows: at most one for each machine.
        as_of: only what was settled by then; None: all.
        appended: by machine, its last readings as they are on record, which are not read again;
            such a machine's window is open towards its end.
    """
    given = appended or {}
    asked = (window.machine_id for window in windows)
    known = {machine: given[machine] for machine in asked if machine in given}
    found = {}
    for piece in pieces(windows, MACHINES_AT_ONCE):
        readings, events, said = (table[as_of is not None] for table in _TABLES)
        earlier = [_before(window, known.get(window.machine_id)) for window in piece]
        tables = (
            _rows(session, earlier, readings, as_of),
            _rows(session, piece, events, as_of),
            _rows(session, piece, said, as_of),
        )
        for window, shown, done, told in zip(piece, *tables, strict=True):
            timeline = Timeline(shown[0], shown[1], done[0], done[1], Said(*told))
            found[window.machine_id] = timeline
    for machine, more in _counted(session, known).items():
        start = found[machine]
        found[machine] = replace(
            start,
            read_at=np.concatenate([start.read_at, more.read_at]),
            strokes=np.concatenate([start.strokes, more.strokes]),
        )
    return found


def _before(window: Window, appended: Shown | None) -> Window:
    """The part of a window that lies before what was appended."""
    if appended is None:
        return window
    return Window(window.machine_id, window.start, instant(int(appended.read_at[0]) - 1))


def _counted(session: Session, appended: Mapping[uuid.UUID, Shown]) -> dict[uuid.UUID, Shown]:
    """What was appended, without readings that somebody found misread before they came."""
    windows = [
        Window(machine, *(instant(int(shown.read_at[end])) for end in (0, -1)))
        for machine, shown in appended.items()
    ]
    found = {}
    for piece in pieces(windows, MACHINES_AT_ONCE):
        for window, misread in zip(piece, _rows(session, piece, _MISREAD, None), strict=True):
            shown = appended[window.machine_id]
            counts = ~np.isin(shown.read_at, misread[0])
            found[window.machine_id] = Shown(shown.read_at[counts], shown.strokes[counts])
    return found


def figures(session: Session, windows: Sequence[Window]) -> dict[uuid.UUID, Shown]:
    """Every reading on record in each window, misread or not; a statement for every hundred."""
    found: dict[uuid.UUID, Shown] = {}
    for piece in pieces(windows, MACHINES_AT_ONCE):
        rows = _rows(session, piece, _FIGURES, None)
        found |= {one.machine_id: Shown(*shown) for one, shown in zip(piece, rows, strict=True)}
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
_FIGURES = _in_window((Reading.machine_id, Reading.read_at, Reading.strokes))
_MISREAD = _in_window(
    (CounterSettlement.machine_id, CounterSettlement.to_at),
    lambda _: and_(CounterSettlement.verdict == Verdict.MISREAD.value, stands()),
)


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
    where the window is open. One statement for every hundred, and one more for those that have
    no reading in the weeks before.
    """
    statement = _NEIGHBOURS[as_of is not None]
    asked, shared = _values(windows, as_of)
    near = ({**one, "since": near_before(one["start"])} for one in asked)
    rows = statement.rows(session, near, shared)
    found = {row[0]: (row[1], row[2]) for row in rows if exists_for(row)}
    alone = [one for one in windows if one.start is not None and found[one.machine_id][0] is None]
    if alone:
        asked, shared = _values(alone, as_of)
        far = ({**one, "since": EARLIEST} for one in asked)
        rows = statement.rows(session, far, shared)
        found |= {row[0]: (row[1], row[2]) for row in rows if exists_for(row)}
    return found


def _neighbours(as_of: Any) -> Joined:
    def query(place: Place) -> Any:
        machine = place.value("machine", type_=Uuid())
        mine = and_(Reading.machine_id == machine, is_counted(machine, as_of))
        before = select(func.max(Reading.read_at)).where(
            mine, Reading.read_at.between(place.value("since"), place.value("start"))
        )
        after = select(func.min(Reading.read_at)).where(mine, Reading.read_at >= place.value("end"))
        return select(machine, before.scalar_subquery(), after.scalar_subquery())

    return Joined(query)


_NEIGHBOURS = (_neighbours(None), _neighbours(_AS_OF))


def accepted_at(
    session: Session,
    columns: tuple[Any, Any, tuple[Any, ...]],
    asked: Mapping[uuid.UUID, Collection[datetime]],
    ends: Ends | None = None,
) -> dict[tuple[uuid.UUID, datetime], tuple[Any, ...]]:
    """What is on record at exactly these instants, by machine and instant.

    Args:
        session: an open session.
        columns: a table's machine, instant, and further columns to give back.
        asked: instants by machine. One statement, and one more for every ten thousand instants
            that lie between the first and the last that are on record.
        ends: the first and the last on record, if they are known already.
    """
    found: dict[tuple[uuid.UUID, datetime], tuple[Any, ...]] = {}
    known = ends_on_record(session, columns[:2], asked) if ends is None else ends
    # What lies beyond the ends is not there, as with all that comes in order of time.
    within = {
        machine: [moment for moment in asked[machine] if first <= moment <= last]
        for machine, (first, last) in known.items()
        if machine in asked
    }
    for piece in _in_pieces(within):
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


def ends_on_record(
    session: Session, columns: tuple[Any, Any], machine_ids: Iterable[uuid.UUID]
) -> Ends:
    """First and last instant on record of each machine that has any. One statement for a hundred.

    Args:
        session: an open session.
        columns: a table's machine and instant.
        machine_ids: which machines.
    """
    machines = ({"machine": machine} for machine in machine_ids)
    return {
        row[0]: (row[1], row[2])
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
