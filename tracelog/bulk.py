"""Writing many rows at once and finding those that are there, the fast way of each engine."""

import sqlite3
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from itertools import islice
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeVar, cast

from sqlalchemy import (
    ARRAY,
    Column,
    ColumnElement,
    Connection,
    Dialect,
    Row,
    String,
    Table,
    Uuid,
    any_,
    bindparam,
    insert,
    select,
)
from sqlalchemy import cast as sql_cast
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import InstrumentedAttribute, Session

from tracelog.db import Base, UtcInstant
from tracelog.errors import Conflict

if TYPE_CHECKING:
    from psycopg import Connection as PostgresConnection

Piece = TypeVar("Piece")
Values = tuple[Any, ...]

# Below this, a statement of its own is not worth the set-up.
_FEW = 20
_ROWS_AT_ONCE = 5000
# Both engines take more parameters than this in one statement.
_KEYS_AT_ONCE = 5000
_COPY_ESCAPES = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})


def pieces(things: Iterable[Piece], size: int) -> Iterator[list[Piece]]:
    """Cut `things` into lists of at most `size`, in order."""
    left = iter(things)
    while piece := list(islice(left, size)):
        yield piece


def insert_rows(session: Session, table: type[Base], rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows (column name to value, the same columns in each) in the caller's transaction."""
    if rows:
        columns = tuple(rows[0])
        insert_tuples(session, table, columns, [tuple(row[c] for c in columns) for row in rows])


def insert_tuples(
    session: Session, table: type[Base], columns: Sequence[str], rows: Sequence[Values]
) -> None:
    """Insert rows in the caller's transaction: COPY on PostgreSQL, one statement on SQLite.

    Args:
        session: an open session that writes; what it still holds back is sent first.
        table: where to; columns left out get their default.
        columns: names of the columns.
        rows: one value for each column.

    Raises:
        sqlalchemy.exc.DBAPIError: a constraint refuses a row; nothing of the call is kept then
            once the transaction is rolled back.
    """
    if not rows:
        return
    session.flush()
    connection = session.connection()
    target = cast(Table, table.__table__)
    if len(rows) < _FEW:
        connection.execute(insert(target), [dict(zip(columns, row, strict=True)) for row in rows])
        return
    given = [target.c[name] for name in columns]
    made = [c for c in target.c if c.name not in columns and c.default is not None]
    columns_of_pieces = _by_column(rows, made)
    if connection.dialect.name == "postgresql":
        _copy(connection, target, given + made, columns_of_pieces)
    else:
        for by_column in columns_of_pieces:
            _insert_many(connection, target, given + made, by_column)


def _by_column(
    rows: Sequence[Values], made: Sequence[Column[Any]]
) -> Iterator[list[Sequence[Any]]]:
    """The values of each column, piece by piece, with defaults for the columns left out."""
    for piece in pieces(rows, _ROWS_AT_ONCE):
        by_column: list[Sequence[Any]] = list(zip(*piece, strict=True))
        by_column += [[_default_of(column) for _ in piece] for column in made]
        yield by_column


def _default_of(column: Column[Any]) -> Any:
    default: Any = column.default
    return default.arg(None) if default.is_callable else default.arg


def _insert_many(
    connection: Connection,
    table: Table,
    columns: Sequence[Column[Any]],
    by_column: Sequence[Sequence[Any]],
) -> None:
    names = ", ".join(f'"{column.name}"' for column in columns)
    marks = ", ".join("?" for _ in columns)
    bound = [
        _as_bound(column, values, connection.dialect)
        for column, values in zip(columns, by_column, strict=True)
    ]
    statement = f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})'  # noqa: S608
    # Handed to the driver as it is: to look at each row once more takes as long as writing it.
    raw = cast(sqlite3.Connection, connection.connection.driver_connection)
    try:
        raw.executemany(statement, zip(*bound, strict=True)).close()
    except sqlite3.Error as problem:
        raise DBAPIError.instance(
            statement, None, problem, sqlite3.Error, dialect=connection.dialect
        ) from problem


def _as_bound(column: Column[Any], values: Sequence[Any], dialect: Dialect) -> Sequence[Any]:
    """Values as SQLite's driver takes them, as SQLAlchemy would bind them."""
    if isinstance(column.type, UtcInstant):
        return [None if v is None else _utc(v).isoformat(" ", "microseconds")[:26] for v in values]
    if isinstance(column.type, Uuid):
        return _texts(values, attrgetter("hex"))
    bind: Callable[[Any], Any] | None = column.type.dialect_impl(dialect).bind_processor(dialect)
    return values if bind is None else [bind(value) for value in values]


def _texts(
    values: Sequence[uuid.UUID | None], write: Callable[[uuid.UUID], str]
) -> list[str | None]:
    """Ids as text; most columns of ids hold few objects many times over."""
    written: dict[int, str | None] = {id(None): None}
    texts = []
    for value in values:
        text = written.get(id(value))
        if text is None and value is not None:
            text = written[id(value)] = write(value)
        texts.append(text)
    return texts


def _utc(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("an instant without an offset cannot be stored")
    return moment if moment.tzinfo is UTC else moment.astimezone(UTC)


def _copy(
    connection: Connection,
    table: Table,
    columns: Sequence[Column[Any]],
    columns_of_pieces: Iterator[list[Sequence[Any]]],
) -> None:
    import psycopg

    names = ", ".join(f'"{column.name}"' for column in columns)
    statement = f'COPY "{table.name}" ({names}) FROM STDIN'
    raw = cast("PostgresConnection", connection.connection.driver_connection)
    try:
        with raw.cursor() as cursor, cursor.copy(statement.encode()) as copy:
            # The server takes one piece in while the next is being written.
            for by_column in columns_of_pieces:
                written = [_as_copied(c, v) for c, v in zip(columns, by_column, strict=True)]
                copy.write("\n".join(map("\t".join, zip(*written, strict=True))) + "\n")
    except psycopg.Error as problem:
        raise DBAPIError.instance(
            statement, None, problem, psycopg.Error, dialect=connection.dialect
        ) from problem


def _as_copied(column: Column[Any], values: Sequence[Any]) -> list[str]:
    r"""Values in the text format of COPY, where \N is blank."""
    if isinstance(column.type, UtcInstant):
        return [r"\N" if value is None else _utc(value).isoformat() for value in values]
    if isinstance(column.type, Uuid):
        return [r"\N" if text is None else text for text in _texts(values, str)]
    if isinstance(column.type, String):
        return [r"\N" if v is None else _escaped(v) for v in values]
    return [r"\N" if value is None else str(value) for value in values]


def _escaped(text: str) -> str:
    return str(text) if text.isalnum() else str(text).translate(_COPY_ESCAPES)


def rows_with(
    session: Session,
    columns: Sequence[InstrumentedAttribute[Any]],
    among: InstrumentedAttribute[Any],
    values: Iterable[Any],
    between: tuple[InstrumentedAttribute[datetime], datetime, datetime] | None = None,
) -> Iterator[Row[Any]]:
    """Rows whose `among` is one of `values`; one statement for every few thousand values.

    Args:
        session: an open session.
        columns: what to read.
        among: the column that is asked for.
        values: the values it may have; repeats do no harm.
        between: an instant's column with its first and last value, both included, where the
            values alone would find too much.
    """
    for piece in pieces(dict.fromkeys(values), _KEYS_AT_ONCE):
        asked = select(*columns).where(_is_one_of(session, among, piece))
        if between is not None:
            column, first, last = between
            asked = asked.where(column.between(first, last))
        yield from session.execute(asked)


def was_accepted(
    session: Session,
    table: type[Base],
    key: uuid.UUID | None,
    said: Mapping[str, Any],
    refusal: str,
) -> bool:
    """Whether a fact that is sent was accepted before with the same content.

    Args:
        session: an open session that writes.
        table: where such facts are kept, by `id`.
        key: the sender's id; None: the fact has none, and is new.
        said: what is sent, by column.
        refusal: the sentence for other content.

    Raises:
        Conflict: the id was accepted before with other content.
    """
    if key is None:
        return False
    columns = [getattr(table, name) for name in said]
    own = table.id == key  # type: ignore[attr-defined]
    earlier = session.execute(select(*columns).where(own)).one_or_none()
    if earlier is None:
        return False
    if earlier._asdict() != said:
        raise Conflict(refusal, "id")
    return True


def _is_one_of(
    session: Session, column: InstrumentedAttribute[Any], values: list[Any]
) -> ColumnElement[bool]:
    if session.get_bind().dialect.name != "postgresql":
        return column.in_(values)
    # One parameter and not thousands, which the server would have to read and plan one by one.
    listed: Any = bindparam(None, values, ARRAY(column.type), unique=True)
    return column == any_(listed)


def array_text(values: Iterable[object]) -> str:
    """Numbers, ids or instants as the text of an array of PostgreSQL.

    Thousands of values travel as one text far faster than as a list, whose every element the
    driver would escape by itself.
    """
    return "{" + ",".join(map(str, values)) + "}"


def array_of(element: Any, values: Iterable[object]) -> Any:
    """An array of PostgreSQL with these numbers, ids or instants with an offset.

    Args:
        element: the type of an element, such as `Uuid`.
        values: of that type, none missing.
    """
    return sql_cast(bindparam(None, array_text(values), String, unique=True), ARRAY(element))
