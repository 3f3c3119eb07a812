"""Reads of seals: the last of the chain, what a batch's hash is, and which seals count now."""

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import Connection, Row, Select, Table, func, inspect, select, text, tuple_

from tracelog.db import LOOKS
from tracelog.seals.digests import digests_of, key_text
from tracelog.seals.models import RowSeal, SealBatch

# Advisory lock of PostgreSQL under which all chains grow, one transaction at a time.
_CHAIN_LOCK = 7_402_116_033_301
NO_PREVIOUS = "0" * 64
# Of a connection: that its transaction has the turn. Forgotten when one begins.
HAS_TURN = "tracelog_has_turn"
# Put together once, since every write asks them.
_TAKE_TURN = text("SELECT pg_advisory_xact_lock(:lock)")
_LAST_SEAL = select(SealBatch.sequence, SealBatch.hash).order_by(SealBatch.sequence.desc()).limit(1)
_KEYS_AT_ONCE = 500
_ROWS_AT_ONCE = 5000
Key = tuple[Any, ...]
Thing = TypeVar("Thing")


def in_pieces(things: Iterable[Thing], size: int) -> Iterator[list[Thing]]:
    """Cut `things` into lists of at most `size`, in order."""
    left = iter(things)
    while piece := list(islice(left, size)):
        yield piece


def wait_for_turn(connection: Connection) -> None:
    """Wait until no other transaction is writing; SQLite has one writer anyhow.

    Who has the turn keeps it until the transaction ends, and need not ask again; but what was
    asked for within a savepoint is given back with it.
    """
    if connection.dialect.name != "postgresql" or connection.info.get(HAS_TURN):
        return
    if connection.get_execution_options().get(LOOKS):
        return
    connection.execute(_TAKE_TURN, {"lock": _CHAIN_LOCK})
    connection.info[HAS_TURN] = not connection.in_nested_transaction()


def has_seals(connection: Connection) -> bool:
    """Whether the tables are of a version that has seals; found once for each connection."""
    if not connection.info.get("tracelog_has_seals"):
        connection.info["tracelog_has_seals"] = inspect(connection).has_table(
            SealBatch.__tablename__
        )
    return bool(connection.info["tracelog_has_seals"])


def last_seal(connection: Connection) -> tuple[int, str]:
    """Number and hash of the last batch."""
    found = connection.execute(_LAST_SEAL).first()
    return (found.sequence, found.hash) if found else (0, NO_PREVIOUS)


def batch_hash(previous: str, batch: Any) -> str:
    """The hash of a batch (SHA-256, in hex): of the hash before it and of what it says."""
    content = [
        *(previous, batch.sequence, batch.table_name, batch.audit_id and str(batch.audit_id)),
        *(batch.replaces, batch.rows, batch.content_hash),
    ]
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()


def hash_of_seals(seals: Iterable[tuple[str, str, str | None]]) -> str:
    """The hash of single rows' seals: table, key, digest; in order of table and key."""
    hashed = hashlib.sha256()
    for table, key, digest in sorted(seals, key=lambda one: (one[0], one[1])):
        hashed.update(json.dumps([table, key, digest]).encode() + b"\n")
    return hashed.hexdigest()


def rows_with_keys(table: Table, keys: Iterable[Key]) -> Iterator[Select[Any]]:
    """Statements that read the rows of a table with these primary keys."""
    columns = list(table.primary_key.columns)
    for piece in in_pieces(keys, _KEYS_AT_ONCE):
        if len(columns) == 1:
            yield select(table).where(columns[0].in_([key[0] for key in piece]))
        else:
            yield select(table).where(tuple_(*columns).in_(piece))


def present(
    connection: Connection, table: Table, statements: Iterable[Select[Any]]
) -> Iterator[tuple[Key, str]]:
    """Primary key and digest of the rows that statements over a whole table find."""
    for statement in statements:
        for piece in pieces_of(connection, statement):
            for row, digest in zip(piece, sealed_now(table, piece), strict=True):
                yield key_of(table, row), digest.hex()


def pieces_of(connection: Connection, statement: Any) -> Iterator[Sequence[Row[Any]]]:
    """What a statement finds, some thousand rows at a time."""
    with connection.execute(statement.execution_options(yield_per=_ROWS_AT_ONCE)) as found:
        yield from found.partitions()


def digests_by_record(
    connection: Connection, table: Table, asked: Select[Any]
) -> Iterator[tuple[Any, list[bytes]]]:
    """The digests of rows of each audit record in turn; `asked` is in their order."""
    own: list[bytes] = []
    last = None
    for piece in pieces_of(connection, asked):
        for row, digest in zip(piece, sealed_now(table, piece), strict=True):
            if row.audit_id != last and own:
                yield last, own
                own = []
            last = row.audit_id
            own.append(digest)
    if own:
        yield last, own


def sealed_now(table: Table, rows: Sequence[Row[Any]]) -> list[bytes]:
    """The digests of whole rows of a table, as they are."""
    if not rows:
        return []
    columns = [table.c[name] for name in rows[0]._fields]
    return digests_of(table, columns, list(zip(*rows, strict=True)))


def key_of(table: Table, row: Row[Any]) -> Key:
    """The primary key of a row."""
    return tuple(getattr(row, column.name) for column in table.primary_key.columns)


def current_seals(
    connection: Connection, table: Table, keys: Sequence[Key] | None = None
) -> dict[str, str | None]:
    """The seals that count now, by key as text; None: the row was removed.

    Args:
        connection: to the database.
        table: whose rows.
        keys: only these; None: all of the table.
    """
    asked = select(RowSeal.row_key, RowSeal.digest).where(RowSeal.table_name == table.name)
    asked = asked.order_by(RowSeal.sequence)
    if keys is None:
        return {key: digest for key, digest in connection.execute(asked)}  # noqa: C416
    found: dict[str, str | None] = {}
    for piece in in_pieces(keys, _KEYS_AT_ONCE):
        texts = [key_text(table, key) for key in piece]
        rows = connection.execute(asked.where(RowSeal.row_key.in_(texts)))
        found |= {key: digest for key, digest in rows}  # noqa: C416
    return found


def sealed_records(
    connection: Connection, table: Table, audit_ids: Collection[Any] | None = None
) -> dict[Any, bytes]:
    """For each audit record the digests of its rows in a table, put together and sorted.

    Args:
        connection: to the database.
        table: whose rows.
        audit_ids: only of these audit records; None: of all.
    """
    asked = (
        select(SealBatch.audit_id, SealBatch.replaces, SealBatch.digests)
        .where(SealBatch.table_name == table.name)
        .order_by(SealBatch.sequence)
    )
    if audit_ids is not None:
        asked = asked.where(SealBatch.audit_id.in_(audit_ids))
    found: dict[Any, bytes] = {}
    for audit_id, replaces, packed in connection.execute(asked):
        digests = packed or b""
        if replaces or audit_id not in found:
            found[audit_id] = digests
        else:
            found[audit_id] = put_together([found[audit_id], digests])
    return found


def put_together(packed: Sequence[bytes]) -> bytes:
    """Digests of several batches as those of one."""
    return b"".join(sorted(one for digests in packed for one in unpacked(digests)))


def unpacked(digests: bytes) -> list[bytes]:
    """The single digests."""
    return [digests[place : place + 16] for place in range(0, len(digests), 16)]


def count_of(connection: Connection, table: Table) -> int:
    """How many rows a table has."""
    return connection.execute(select(func.count()).select_from(table)).scalar_one()
