"""Writing seals: what a transaction wrote is noted while it writes, and sealed when it commits.

Every statement that goes through SQLAlchemy is noted by itself; rows that are handed to the driver
(`tracelog.bulk`) are given to `BatchSealer`. A row that was not as it was sealed before it was
written again stays unsealed, so that nothing altered by hand is made good by a later write.
"""

import hashlib
import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any, cast

import numpy.typing as npt
from sqlalchemy import (
    BindParameter,
    BooleanClauseList,
    Column,
    Connection,
    Delete,
    Engine,
    Select,
    Table,
    Update,
    delete,
    event,
    insert,
    inspect,
    select,
    tuple_,
)
from sqlalchemy.orm import Session
from sqlalchemy.sql import operators
from sqlalchemy.sql.elements import BinaryExpression

from tracelog.db import Base
from tracelog.seals.digests import digests_of, digests_of_readings, key_text
from tracelog.seals.models import RowSeal, SealBatch
from tracelog.seals.queries import (
    HAS_TURN,
    Key,
    batch_hash,
    current_seals,
    digests_by_record,
    has_seals,
    hash_of_seals,
    in_pieces,
    key_of,
    last_seal,
    pieces_of,
    present,
    rows_with_keys,
    sealed_now,
    sealed_records,
    wait_for_turn,
)
from tracelog.seals.rules import RECORD_TABLES, Way, way_of

_TOUCHED, _AS_A_WHOLE = "tracelog_touched", "tracelog_sealed_as_a_whole"
_SEALS = cast(Table, RowSeal.__table__)
_BATCHES = cast(Table, SealBatch.__table__)
# Table to primary key to the digest that the row had before this transaction; None: no row.
Touched = dict[Table, dict[Key, str | None]]
# Table, key as text, digest; None: the row is gone.
Seal = tuple[str, str, str | None]


@event.listens_for(Engine, "begin")
def _begin(connection: Connection) -> None:
    connection.info.pop(_TOUCHED, None)
    connection.info.pop(_AS_A_WHOLE, None)
    connection.info.pop(HAS_TURN, None)


@event.listens_for(Engine, "before_execute", retval=True)
def _before(
    connection: Connection,
    statement: Any,
    many: Sequence[Mapping[str, Any]],
    one: Mapping[str, Any],
    _options: Mapping[str, Any],
) -> tuple[Any, Any, Any]:
    if isinstance(statement, Update | Delete):
        table = _sealed_table(statement)
        if table is not None and has_seals(connection):
            statement = _note_rows(connection, statement, table, list(many) or [one])
    return statement, many, one


@event.listens_for(Engine, "after_cursor_execute")
def _after(
    connection: Connection, _cursor: Any, _text: str, _given: Any, context: Any, _many: bool
) -> None:
    if context is None or not getattr(context, "isinsert", False) or context.compiled is None:
        return
    table = _sealed_table(context.compiled.statement)
    if table is None or not has_seals(connection):
        return
    columns = list(table.primary_key.columns)
    noted = _touched(connection)[table]
    for given in context.compiled_parameters:
        try:
            noted.setdefault(tuple(_plain(c, given[c.key]) for c in columns), None)
        except KeyError:
            raise RuntimeError(f"a row of {table.name} is inserted without its key") from None


@event.listens_for(Session, "before_commit")
def _before_commit(session: Session) -> None:
    if session.in_transaction() and not session.in_nested_transaction():
        settle(session)


def _sealed_table(statement: Any) -> Table | None:
    table = getattr(statement, "table", None)
    if not isinstance(table, Table) or table.metadata is not Base.metadata:
        return None
    return None if way_of(table.name) is Way.NOT else table


def _touched(connection: Connection) -> Touched:
    touched: Touched = connection.info.setdefault(_TOUCHED, defaultdict(dict))
    return touched


def _plain(column: Column[Any], value: Any) -> Any:
    """A key as the database gives it back."""
    return uuid.UUID(str(value)) if column.type.python_type is uuid.UUID else value


def _note_rows(
    connection: Connection, statement: Any, table: Table, given: list[Mapping[str, Any]]
) -> Any:
    """Remember the rows that a statement will change as they are now, and hold them.

    Returns:
        The statement, made to change those rows only: one that another transaction adds
        meanwhile would be changed unseen.
    """
    if table.name in RECORD_TABLES:
        if table not in connection.info.get(_AS_A_WHOLE, ()):
            raise RuntimeError(f"rows of {table.name} are facts, which are never changed")
        return statement
    where, noted = statement.whereclause, _touched(connection)[table]
    keys = _keys_asked_for(table, where, given)
    if keys is not None:
        asked: list[tuple[Select[Any], dict[str, Any]]]
        asked = [(one, {}) for one in rows_with_keys(table, keys)]
    else:
        rows = select(table) if where is None else select(table).where(where)
        asked = [(rows, dict(one)) for one in given]
    # Not even the reference to a row is locked, unless it goes.
    is_update = isinstance(statement, Update)
    found: list[Key] = []
    for rows, values in asked:
        held = connection.execute(rows.with_for_update(key_share=is_update, of=table), values).all()
        for row, digest in zip(held, sealed_now(table, held), strict=True):
            key = key_of(table, row)
            noted.setdefault(key, digest.hex())
            found.append(key)
    if keys is not None or connection.dialect.name == "sqlite" or len(given) > 1:
        return statement
    columns = list(table.primary_key.columns)
    own = columns[0].in_([key[0] for key in found]) if len(columns) == 1 else None
    return statement.where(tuple_(*columns).in_(found) if own is None else own)


def _keys_asked_for(table: Table, where: Any, given: list[Mapping[str, Any]]) -> list[Key] | None:
    """The primary keys that a condition names one by one; None: it asks in another way."""
    parts = list(where) if isinstance(where, BooleanClauseList) else [where]
    if isinstance(where, BooleanClauseList) and where.operator is not operators.and_:
        return None
    bound: dict[str, BindParameter[Any]] = {}
    for part in parts:
        if not isinstance(part, BinaryExpression) or part.operator is not operators.eq:
            return None
        column, value = part.left, part.right
        if not isinstance(value, BindParameter) or getattr(column, "table", None) is not table:
            return None
        bound[column.name] = value
    if set(bound) != {column.name for column in table.primary_key.columns}:
        return None
    names = [(c, bound[c.name]) for c in table.primary_key.columns]
    return [tuple(_plain(c, one.get(b.key, b.effective_value)) for c, b in names) for one in given]


def settle(session: Session) -> None:
    """Seal what this transaction has written so far; committing does it by itself."""
    session.flush()
    connection = session.connection()
    touched: Touched | None = connection.info.pop(_TOUCHED, None)
    if not touched:
        return
    chained: list[Seal] = []
    for table, keys in sorted(touched.items(), key=lambda one: one[0].name):
        way = way_of(table.name)
        if way is Way.RECORD:
            _seal_records(connection, table, keys)
            continue
        changed = _changed(connection, table, keys)
        if way is Way.LOOSE:
            _replace_loose(connection, changed)
        else:
            chained += changed
    if chained:
        add_batch(connection, chained)


def _changed(connection: Connection, table: Table, keys: Mapping[Key, str | None]) -> list[Seal]:
    sealed = current_seals(connection, table, list(keys))
    now = dict(present(connection, table, rows_with_keys(table, keys)))
    changed = []
    for key, before in keys.items():
        name = key_text(table, key)
        # What was not as it was sealed stays so, for whoever looks.
        if sealed.get(name) == before and now.get(key) != before:
            changed.append((table.name, name, now.get(key)))
    return changed


def _replace_loose(connection: Connection, seals: Sequence[Seal]) -> None:
    """Replace the seals of rows of one table."""
    for piece in in_pieces(seals, 500):
        own = _SEALS.c.row_key.in_([key for _table, key, _digest in piece])
        old = (_SEALS.c.table_name == piece[0][0], own, _SEALS.c.sequence == 0)
        connection.execute(delete(_SEALS).where(*old))
        _insert_seals(connection, [one for one in piece if one[2] is not None], 0)


def _insert_seals(connection: Connection, seals: Sequence[Seal], sequence: int) -> None:
    if seals:
        rows = [
            {"table_name": table, "row_key": key, "digest": digest, "sequence": sequence}
            for table, key, digest in seals
        ]
        connection.execute(insert(_SEALS), rows)


def _seal_records(connection: Connection, table: Table, keys: Iterable[Key]) -> None:
    digests: dict[uuid.UUID, list[bytes]] = defaultdict(list)
    for statement in rows_with_keys(table, keys):
        for piece in pieces_of(connection, statement):
            for row, digest in zip(piece, sealed_now(table, piece), strict=True):
                digests[row.audit_id].append(digest)
    add_record_batches(connection, table, digests)


def add_batch(connection: Connection, seals: Sequence[Seal]) -> None:
    """Put the seals of single rows (table, key, digest) at the end of the chain."""
    sequence = _append(
        connection, [{"rows": len(seals), "content_hash": hash_of_seals(seals), "replaces": False}]
    )
    _insert_seals(connection, seals, sequence)


def add_record_batch(
    connection: Connection,
    table: Table,
    audit_id: uuid.UUID,
    digests: Iterable[bytes],
    *,
    replaces: bool = False,
) -> None:
    """Seal rows of a table that one audit record wrote.

    Args:
        connection: of a transaction that writes.
        table: one of those that are sealed by audit record.
        audit_id: the record that the rows carry.
        digests: of the rows, in any order.
        replaces: they are all rows of that record, and stand instead of what was sealed earlier.
    """
    _append(connection, [_record_batch(table, audit_id, digests, replaces=replaces)])


def add_record_batches(
    connection: Connection, table: Table, digests: Mapping[uuid.UUID, Iterable[bytes]]
) -> None:
    """Seal rows of a table that several audit records wrote: a batch for each, in their order."""
    if digests:
        _append(connection, [_record_batch(table, *one) for one in digests.items()])


def _record_batch(
    table: Table, audit_id: uuid.UUID, digests: Iterable[bytes], *, replaces: bool = False
) -> dict[str, Any]:
    packed = b"".join(sorted(digests))
    return {
        "table_name": table.name,
        "audit_id": audit_id,
        "replaces": replaces,
        "digests": packed,
        "rows": len(packed) // 16,
        "content_hash": hashlib.sha256(packed).hexdigest(),
    }


def _append(connection: Connection, batches: Sequence[Mapping[str, Any]]) -> int:
    """Put batches at the end of the chain; returns the number of the last."""
    wait_for_turn(connection)
    last, previous = last_seal(connection)
    rows = []
    for batch in batches:
        row = {"table_name": None, "audit_id": None, "digests": None, **batch}
        row |= {"sequence": (last := last + 1), "previous_hash": previous}
        row["hash"] = previous = batch_hash(previous, SimpleNamespace(**row))
        rows.append(row)
    connection.execute(insert(_BATCHES), rows)
    return last


def seal_everything(connection: Connection) -> int:
    """Seal all rows as they are now, whatever was sealed before; for tables that had no seals.

    Args:
        connection: of a transaction that writes. Only columns that the tables have are read, so
            that a migration can call it.

    Returns:
        How many rows were sealed.
    """
    count = 0
    there = inspect(connection)
    for table in Base.metadata.sorted_tables:
        way = way_of(table.name)
        if way is Way.NOT or not there.has_table(table.name):
            continue
        names = {column["name"] for column in there.get_columns(table.name)}
        asked = select(*(column for column in table.columns if column.name in names))
        count += _seal_table(connection, table, way, asked)
    return count


def _seal_table(connection: Connection, table: Table, way: Way, asked: Select[Any]) -> int:
    count = 0
    if way is Way.RECORD:
        by_record = asked.order_by(table.c.audit_id)
        for audit_id, digests in digests_by_record(connection, table, by_record):
            add_record_batch(connection, table, audit_id, digests, replaces=True)
            count += len(digests)
        return count
    for piece in pieces_of(connection, asked):
        digests = sealed_now(table, piece)
        seals: list[Seal] = [
            (table.name, key_text(table, key_of(table, row)), digest.hex())
            for row, digest in zip(piece, digests, strict=True)
        ]
        if way is Way.LOOSE:
            _replace_loose(connection, seals)
        else:
            add_batch(connection, seals)
        count += len(seals)
    return count


@contextmanager
def as_a_whole(connection: Connection, table: Table) -> Iterator[None]:
    """Let rows of a table of facts be changed or removed; the caller seals what it leaves."""
    connection.info[_AS_A_WHOLE] = {table}
    yield
    connection.info.pop(_AS_A_WHOLE)


@contextmanager
def rewriting(
    connection: Connection, table: Table, audit_ids: Collection[uuid.UUID]
) -> Iterator[None]:
    """Rows of audit records are changed after all, as when a name is erased, and sealed anew.

    Rows that were not as they were sealed before stay unsealed.
    """
    sealed = sealed_records(connection, table, audit_ids)
    own = select(table).where(table.c.audit_id.in_(audit_ids)).order_by(table.c.audit_id)
    before = digests_by_record(connection, table, own)
    whole = {one for one, digests in before if b"".join(sorted(digests)) == sealed.get(one)}
    with as_a_whole(connection, table):
        yield
    for audit_id, digests in list(digests_by_record(connection, table, own)):
        if audit_id in whole:
            add_record_batch(connection, table, audit_id, digests, replaces=True)


class BatchSealer:
    """Seals many rows that are handed to the driver, from their values, without reading them."""

    def __init__(
        self, connection: Connection, table: Table, columns: Sequence[Column[Any]]
    ) -> None:
        """Begin with the columns that will be given; others are blank."""
        self._connection, self._table, self._columns = connection, table, list(columns)
        sealed = table.metadata is Base.metadata and has_seals(connection)
        self._way = way_of(table.name) if sealed else Way.NOT
        self._digests: dict[Any, list[bytes]] = defaultdict(list)
        self._seals: list[Seal] = []

    def take(self, by_column: Sequence[Sequence[Any]]) -> None:
        """Some rows: for each column the values of all of them."""
        if self._way is Way.NOT:
            return
        digests = digests_of(self._table, self._columns, by_column)
        names = [column.name for column in self._columns]
        if self._way is Way.RECORD:
            audit_ids = by_column[names.index("audit_id")]
            if audit_ids[0] == audit_ids[-1] and len(set(audit_ids)) == 1:
                self._digests[audit_ids[0]] += digests
                return
            for audit_id, digest in zip(audit_ids, digests, strict=True):
                self._digests[audit_id].append(digest)
            return
        keys = zip(
            *(by_column[names.index(c.name)] for c in self._table.primary_key.columns), strict=True
        )
        self._seals += [
            (self._table.name, key_text(self._table, key), digest.hex())
            for key, digest in zip(keys, digests, strict=True)
        ]

    def take_readings(self, columns: Mapping[str, npt.NDArray[Any]]) -> None:
        """Readings as columns (see `digests_of_readings`), all of one audit record."""
        if self._way is not Way.NOT and len(columns["strokes"]):
            audit_id = uuid.UUID(bytes=columns["audit_id"][0].tobytes())
            self._digests[audit_id] += digests_of_readings(columns)

    def finish(self) -> None:
        """Write the seals, after the rows."""
        add_record_batches(self._connection, self._table, self._digests)
        if self._way is Way.LOOSE:
            _replace_loose(self._connection, self._seals)
        elif self._seals:
            add_batch(self._connection, self._seals)
