"""What fills a database for many tests is worked out once in a process; then its rows are put back.

Most of a test's time went into logging the same entries and taking in the same readings by the
same actions as in the test before.
"""

import functools
from collections.abc import Callable
from typing import Any, ParamSpec, Protocol

from sqlalchemy import Connection, Engine
from sqlalchemy.orm import Session

from tracelog.db import reading, writing
from tracelog.schema import metadata
from tracelog.seals.actions import settle

_Given = ParamSpec("_Given")


class Fill(Protocol[_Given]):
    """A function that fills a database."""

    def __call__(self, session: Session, /, *args: _Given.args, **more: _Given.kwargs) -> None: ...


# Statement and what it writes, in an order in which every reference is there already: rows, or the
# bytes of a COPY, which on PostgreSQL takes a hundredth of the time.
_Rows = list[tuple[str, list[tuple[Any, ...]] | bytes]]
_FILLED: dict[tuple[str, str], _Rows] = {}


def recorded(fill: Fill[_Given]) -> Fill[_Given]:
    """Let a function that fills an empty database be carried out once for each kind of database.

    The rows of all tables that it leaves, with their audit records and seals, are kept in this
    process, and written as they are where it is called again with the same arguments on a
    database that holds no row. Where some are there already, it is carried out.

    Args:
        fill: writes through its session alone, returns nothing, and would do the same each time.
    """
    kept: dict[tuple[Any, ...], _Rows] = {}

    @functools.wraps(fill)
    def filled(session: Session, /, *args: _Given.args, **more: _Given.kwargs) -> None:
        connection = session.connection()
        if not _is_empty(connection):
            fill(session, *args, **more)
            return
        key = (connection.dialect.name, repr(args), repr(sorted(more.items())))
        if key not in kept:
            fill(session, *args, **more)
            settle(session)
            kept[key] = _rows_of(connection)
            return
        _put_back(connection, kept[key])

    return filled


def fill_once(engine: Engine, name: str, fill: Callable[[], object]) -> None:
    """The same for a function that opens transactions of its own, on a database without rows.

    Args:
        engine: of the database.
        name: says what is filled in, apart from all else that is in this process.
        fill: does it.
    """
    key = (engine.dialect.name, name)
    if key in _FILLED:
        with writing(engine) as session:
            _put_back(session.connection(), _FILLED[key])
        return
    fill()
    with reading(engine) as session:
        _FILLED[key] = _rows_of(session.connection())


def _put_back(connection: Connection, kept: _Rows) -> None:
    for statement, rows in kept:
        if isinstance(rows, bytes):
            with _cursor(connection).copy(statement) as copy:
                copy.write(rows)
        else:
            connection.exec_driver_sql(statement, rows)


def _is_empty(connection: Connection) -> bool:
    looks = [f'SELECT 1 WHERE EXISTS (SELECT 1 FROM "{name}")' for name in metadata.tables]
    return connection.exec_driver_sql(" UNION ALL ".join(looks)).first() is None


def _cursor(connection: Connection) -> Any:
    return connection.connection.cursor()


def _rows_of(connection: Connection) -> _Rows:
    """All rows as the driver gives them, so that it takes them back unchanged."""
    found: _Rows = []
    for table in metadata.sorted_tables:
        names = ", ".join(f'"{column.name}"' for column in table.columns)
        place = f'"{table.name}" ({names})'
        if connection.dialect.name == "postgresql":
            # A table that is divided into parts is not copied from by its name.
            asked = f'COPY (SELECT {names} FROM "{table.name}") TO STDOUT'
            with _cursor(connection).copy(asked) as copy:
                content = b"".join(bytes(piece) for piece in copy)
            if content:
                found.append((f"COPY {place} FROM STDIN", content))
            continue
        rows = connection.exec_driver_sql(f'SELECT {names} FROM "{table.name}"').all()
        if rows:
            places = ", ".join("?" * len(table.columns))
            statement = f"INSERT INTO {place} VALUES ({places})"
            found.append((statement, [tuple(row) for row in rows]))
    return found
