"""Whether the rows are what was sealed, and the chain of seals is whole."""

import hashlib
from collections import Counter
from collections.abc import Iterator
from itertools import groupby

from sqlalchemy import Connection, Table, select

from tracelog.db import Base
from tracelog.language import _
from tracelog.seals.digests import key_text
from tracelog.seals.models import RowSeal, SealBatch
from tracelog.seals.queries import (
    NO_PREVIOUS,
    batch_hash,
    current_seals,
    digests_by_record,
    has_seals,
    hash_of_seals,
    key_of,
    pieces_of,
    present,
    sealed_now,
    sealed_records,
    unpacked,
)
from tracelog.seals.rules import Way, way_of

# Rows of one table that are named one by one.
MOST_NAMED = 20


def broken_seals(connection: Connection) -> list[str]:
    """What is wrong with rows and seals: one sentence for each row, at most some of each table.

    What the transaction itself has written must be sealed before (`tracelog.seals.actions.settle`).
    """
    if not has_seals(connection):
        return []
    found = list(broken_chain(connection))
    for table in Base.metadata.sorted_tables:
        way = way_of(table.name)
        if way is Way.NOT:
            continue
        looked = _records(connection, table) if way is Way.RECORD else _rows(connection, table)
        wrong = list(looked)
        found += wrong[:MOST_NAMED]
        if len(wrong) > MOST_NAMED:
            found.append(
                _("%(table)s: and %(count)d more", table=table.name, count=len(wrong) - MOST_NAMED)
            )
    return found


def seal_hashes(connection: Connection) -> frozenset[str]:
    """The hashes of all batches, one of which each audit record names."""
    if not has_seals(connection):
        return frozenset()
    return frozenset(connection.execute(select(SealBatch.hash)).scalars()) | {NO_PREVIOUS}


def broken_chain(connection: Connection) -> Iterator[str]:
    """What is wrong with the seals themselves."""
    sums = _hashes_of_rows(connection)
    previous, expected = NO_PREVIOUS, 1
    columns = [c for c in SealBatch.__table__.columns if c.name != "digests"]
    batches = select(*columns, SealBatch.digests).order_by(SealBatch.sequence)
    for piece in pieces_of(connection, batches.execution_options(max_row_buffer=50)):
        for batch in piece:
            if batch.sequence != expected:
                yield _(
                    "seal_batches: seal %(number)d is missing before seal %(next)d",
                    number=expected,
                    next=batch.sequence,
                )
            elif batch.previous_hash != previous:
                yield _(
                    "seal_batches: seal %(number)d does not follow the one before it",
                    number=batch.sequence,
                )
            if batch.hash != batch_hash(batch.previous_hash, batch):
                yield _("seal_batches: seal %(number)d was altered", number=batch.sequence)
            elif batch.digests is not None:
                if hashlib.sha256(batch.digests).hexdigest() != batch.content_hash:
                    yield _("seal_batches: seal %(number)d was altered", number=batch.sequence)
            elif sums.pop(batch.sequence, "") != batch.content_hash:
                yield _(
                    "row_seals: seals of number %(number)d were altered, removed or added",
                    number=batch.sequence,
                )
            previous, expected = batch.hash, batch.sequence + 1
    for number in sums:
        yield _("row_seals: there are seals of number %(number)d, which is none", number=number)


def _hashes_of_rows(connection: Connection) -> dict[int, str]:
    asked = (
        select(RowSeal.sequence, RowSeal.table_name, RowSeal.row_key, RowSeal.digest)
        .where(RowSeal.sequence > 0)
        .order_by(RowSeal.sequence)
    )
    rows = (row for piece in pieces_of(connection, asked) for row in piece)
    return {
        number: hash_of_seals((row.table_name, row.row_key, row.digest) for row in own)
        for number, own in groupby(rows, key=lambda row: row.sequence)
    }


def _rows(connection: Connection, table: Table) -> Iterator[str]:
    left = {key: digest for key, digest in current_seals(connection, table).items() if digest}
    for key, digest in present(connection, table, [select(table)]):
        name = key_text(table, key)
        sealed = left.pop(name, None)
        if sealed is None:
            yield _("%(table)s: the row %(row)s was added by hand", table=table.name, row=name)
        elif sealed != digest:
            yield _("%(table)s: the row %(row)s was altered by hand", table=table.name, row=name)
    for name in left:
        yield _("%(table)s: the row %(row)s was removed by hand", table=table.name, row=name)


def _records(connection: Connection, table: Table) -> Iterator[str]:
    sealed = sealed_records(connection, table)
    asked = select(table).order_by(table.c.audit_id)
    for audit_id, digests in digests_by_record(connection, table, asked):
        own = sealed.pop(audit_id, b"")
        if b"".join(sorted(digests)) != own:
            yield from _in_record(connection, table, audit_id, own)
    for audit_id, left in sealed.items():
        if left:
            yield from _in_record(connection, table, audit_id, left)


def _in_record(
    connection: Connection, table: Table, audit_id: object, sealed: bytes
) -> Iterator[str]:
    """Which rows of an audit record are not those that it wrote.

    The seals do not say which row they are of: a row that is not sealed beside a seal without
    its row was altered; what is left over was added or removed.
    """
    left, odd = Counter(unpacked(sealed)), []
    for piece in pieces_of(connection, select(table).where(table.c.audit_id == audit_id)):
        for row, digest in zip(piece, sealed_now(table, piece), strict=True):
            if left[digest] > 0:
                left[digest] -= 1
            else:
                odd.append(key_text(table, key_of(table, row)))
    gone = left.total()
    for place, name in enumerate(odd):
        if place < gone:
            yield _("%(table)s: the row %(row)s was altered by hand", table=table.name, row=name)
        else:
            yield _("%(table)s: the row %(row)s was added by hand", table=table.name, row=name)
    if gone > len(odd):
        yield _(
            "%(table)s: rows that audit record %(record)s wrote were removed by hand: %(count)d",
            table=table.name,
            record=audit_id,
            count=gone - len(odd),
        )
