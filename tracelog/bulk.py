"""Writing many rows at once and finding those that are there, the fast way of each engine."""

import sqlite3
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from operator import attrgetter
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
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
    column,
    func,
    insert,
    select,
)
from sqlalchemy import cast as sql_cast
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import InstrumentedAttribute, Session

from tracelog.db import Base, UtcInstant
from tracelog.errors import Conflict
from tracelog.seals.actions import BatchSealer

if TYPE_CHECKING:
    from psycopg import Connection as PostgresConnection
    from psycopg import Copy

Piece = TypeVar("Piece")
Values = tuple[Any, ...]
Whole = npt.NDArray[np.int64]

# Below this, a statement of its own is not worth the set-up.
_FEW = 20
_ROWS_AT_ONCE = 5000
# Both engines take more parameters than this in one statement.
_KEYS_AT_ONCE = 5000
_BYTES_AT_ONCE = 1 << 18
# Of the binary format of COPY: signature, flags and no extension; and the end.
_BINARY_HEADER = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_BINARY_END = b"\xff\xff"
_YEAR_2000 = 946_684_800_000_000
_PLACE_OF_T = 10
_COPY_ESCAPES = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})


def pieces(things: Iterable[Piece], size: int) -> Iterator[list[Piece]]:
    """Cut `things` into lists of at most `size`, in order."""
    left = iter(things)
    while piece := list(islice(left, size)):
        yield piece


def insert_rows(
    session: Session, table: type[Base], rows: Sequence[Mapping[str, Any]], few: int = _FEW
) -> None:
    """Insert rows (column name to value, the same columns in each) in the caller's transaction.

    Fewer than `few` go row by row.
    """
    if rows:
        columns = tuple(rows[0])
        tuples = [tuple(row[c] for c in columns) for row in rows]
        insert_tuples(session, table, columns, tuples, few)


def insert_tuples(
    session: Session,
    table: type[Base],
    columns: Sequence[str],
    rows: Sequence[Values],
    few: int = _FEW,
) -> None:
    """Insert rows in the caller's transaction: COPY on PostgreSQL, one statement on SQLite.

    Args:
        session: an open session that writes; what it still holds back is sent first.
        table: where to; columns left out get their default.
        columns: names of the columns.
        rows: one value for each column.
        few: below so many rows they go one by one.

    Raises:
        sqlalchemy.exc.DBAPIError: a constraint refuses a row; nothing of the call is kept then
            once the transaction is rolled back.
    """
    if not rows:
        return
    session.flush()
    connection = session.connection()
    target = cast(Table, table.__table__)
    if len(rows) < few:
        connection.execute(insert(target), [dict(zip(columns, row, strict=True)) for row in rows])
        return
    given = [target.c[name] for name in columns]
    made = [c for c in target.c if c.name not in columns and c.default is not None]
    sealer = BatchSealer(connection, target, given + made)
    columns_of_pieces = _sealed(sealer, _by_column(rows, made))
    if connection.dialect.name == "postgresql":
        _copy(connection, target, given + made, columns_of_pieces)
    else:
        for by_column in columns_of_pieces:
            _insert_many(connection, target, given + made, by_column)
    sealer.finish()


def _sealed(
    sealer: BatchSealer, columns_of_pieces: Iterator[list[Sequence[Any]]]
) -> Iterator[list[Sequence[Any]]]:
    for by_column in columns_of_pieces:
        sealer.take(by_column)
        yield by_column


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
    bound = [
        _as_bound(column, values, connection.dialect)
        for column, values in zip(columns, by_column, strict=True)
    ]
    _execute_many(connection, table, [c.name for c in columns], zip(*bound, strict=True))


def _execute_many(
    connection: Connection, table: Table, names_of: Sequence[str], rows: Iterable[Values]
) -> None:
    names = ", ".join(f'"{name}"' for name in names_of)
    marks = ", ".join("?" for _ in names_of)
    statement = f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})'  # noqa: S608
    # Handed to the driver as it is: to look at each row once more takes as long as writing it.
    raw = cast(sqlite3.Connection, connection.connection.driver_connection)
    try:
        raw.executemany(statement, rows).close()
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
        with _copying(raw, statement) as copy:
            # The server takes one piece in while the next is being written.
            for by_column in columns_of_pieces:
                written = [_as_copied(c, v) for c, v in zip(columns, by_column, strict=True)]
                copy.write("\n".join(map("\t".join, zip(*written, strict=True))) + "\n")
    except psycopg.Error as problem:
        raise DBAPIError.instance(
            statement, None, problem, psycopg.Error, dialect=connection.dialect
        ) from problem


@contextmanager
def _copying(raw: "PostgresConnection", statement: str) -> "Iterator[Copy]":
    """A COPY whose rows' references are checked by plans that are made once.

    Each row's references are looked up by a statement of the server's own, and our connections
    plan every statement anew: that took many times as long as the look-up. A plan that is kept
    must use the key, also if the table it looks into was small when the plan was made.
    """
    with raw.cursor() as cursor:
        cursor.execute(
            "SET LOCAL plan_cache_mode = force_generic_plan; SET LOCAL enable_seqscan = off"
        )
        with cursor.copy(statement.encode()) as copy:
            yield copy
        cursor.execute(
            "SET LOCAL plan_cache_mode = force_custom_plan; SET LOCAL enable_seqscan = on"
        )


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


@dataclass(frozen=True)
class Ids:
    """A column of ids that are few: each once, and which of them each row has."""

    few: Sequence[uuid.UUID]
    which: Whole


def insert_columns(session: Session, table: type[Base], columns: Mapping[str, Ids | Whole]) -> None:
    """Insert rows that come as columns, which is faster than row by row.

    Args:
        session: an open session that writes; what it still holds back is sent first.
        table: where to; every column of it that has no default, none blank.
        columns: by name and of one length: few ids, whole numbers, or instants as microseconds
            since 1970, UTC.

    Raises:
        sqlalchemy.exc.DBAPIError: as `insert_tuples`.
    """
    session.flush()
    connection = session.connection()
    target = cast(Table, table.__table__)
    if connection.dialect.name == "postgresql":
        _copy_columns(connection, target, columns)
    else:
        bound = [_as_listed(target.c[name], values) for name, values in columns.items()]
        _execute_many(connection, target, tuple(columns), zip(*bound, strict=True))
    sealer = BatchSealer(connection, target, [target.c[name] for name in columns])
    sealer.take_readings(
        {name: _bytes_of(v) if isinstance(v, Ids) else v for name, v in columns.items()}
    )
    sealer.finish()


def _bytes_of(ids: Ids) -> npt.NDArray[np.void]:
    few = np.frombuffer(b"".join(one.bytes for one in ids.few), dtype="V16")
    return cast("npt.NDArray[np.void]", few[ids.which])


def _as_listed(column: Column[Any], values: Ids | Whole) -> list[Any]:
    """A column's values as SQLite holds them."""
    if isinstance(values, Ids):
        texts = np.array([one.hex for one in values.few], dtype=object)
        return list(texts[values.which])
    if isinstance(column.type, UtcInstant):
        texts = np.datetime_as_string(values.astype("datetime64[us]"), unit="us")
        letters = texts.view(np.uint32).reshape(len(texts), -1)
        letters[:, _PLACE_OF_T] = ord(" ")
        return cast("list[Any]", texts.tolist())
    return cast("list[Any]", values.tolist())


def _copy_columns(connection: Connection, table: Table, columns: Mapping[str, Ids | Whole]) -> None:
    """COPY in its binary format: a row of fixed width is a record, and all rows are one array.

    https://www.postgresql.org/docs/current/sql-copy.html, "Binary Format": the number of fields
    in two bytes, then for each its length in four bytes and its value, all big-endian.
    """
    parts: list[tuple[str, str]] = [("fields", ">i2")]
    for name, values in columns.items():
        parts += [(f"length {name}", ">i4"), (name, "V16" if isinstance(values, Ids) else ">i8")]
    rows = np.zeros(len(_places(next(iter(columns.values())))), dtype=parts)
    rows["fields"] = len(columns)
    for name, values in columns.items():
        if isinstance(values, Ids):
            few = np.frombuffer(b"".join(one.bytes for one in values.few), dtype="V16")
            rows[f"length {name}"], rows[name] = 16, few[values.which]
        else:
            is_instant = isinstance(table.c[name].type, UtcInstant)
            rows[f"length {name}"] = 8
            rows[name] = values - _YEAR_2000 if is_instant else values
    _send_copy(connection, table, tuple(columns), rows.tobytes())


def _places(values: Ids | Whole) -> Whole:
    return values.which if isinstance(values, Ids) else values


def _send_copy(connection: Connection, table: Table, names: Sequence[str], rows: bytes) -> None:
    import psycopg

    listed = ", ".join(f'"{name}"' for name in names)
    statement = f'COPY "{table.name}" ({listed}) FROM STDIN (FORMAT binary)'
    raw = cast("PostgresConnection", connection.connection.driver_connection)
    try:
        with _copying(raw, statement) as copy:
            copy.write(_BINARY_HEADER)
            for start in range(0, len(rows), _BYTES_AT_ONCE):
                copy.write(rows[start : start + _BYTES_AT_ONCE])
            copy.write(_BINARY_END)
    except psycopg.Error as problem:
        raise DBAPIError.instance(
            statement, None, problem, psycopg.Error, dialect=connection.dialect
        ) from problem


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
    if isinstance(values, range):
        return "{" + ",".join(map(str, values)) + "}"
    # Many are one object, such as a machine's id, and each is written once. They are known by their
    # identity, since that of an id's value takes as long as to write it; held, none changes it.
    held = list(values)
    texts = {key: str(value) for key, value in {id(value): value for value in held}.items()}
    return "{" + ",".join([texts[id(value)] for value in held]) + "}"


def arrays_as_table(**kinds: Any) -> Any:
    """Columns of PostgreSQL given as arrays: each a parameter of its name, an `array_text`.

    Args:
        kinds: types of the columns, such as ``number=Integer``.
    """
    arrays = [sql_cast(bindparam(name, type_=String), ARRAY(kind)) for name, kind in kinds.items()]
    columns = [column(name, kind) for name, kind in kinds.items()]
    return func.unnest(*arrays).table_valued(*columns).render_derived()
