"""Taking rows out of the seals: rows of a table of facts that are kept elsewhere from now on."""

import hashlib
import uuid
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any, cast

from sqlalchemy import Connection, Table, insert, select

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.seals.actions import as_a_whole
from tracelog.seals.models import SealBatch
from tracelog.seals.queries import (
    batch_hash,
    in_pieces,
    last_seal,
    pieces_of,
    put_together,
    unpacked,
    wait_for_turn,
)

_BATCHES = cast(Table, SealBatch.__table__)
_BATCHES_AT_ONCE = 500


@contextmanager
def releasing(
    connection: Connection, table: Table, removed: Mapping[uuid.UUID, Sequence[bytes]]
) -> Iterator[None]:
    """Remove rows within the block; what is left of their audit records is sealed by itself.

    Args:
        connection: of a transaction that writes.
        table: one of those that are sealed by audit record.
        removed: digests of the rows that the block removes, by the audit record that wrote them.

    Raises:
        TracelogError: one of the rows is not as it was sealed, so that none may go unseen.
    """
    sealed = _sealed(connection, table, removed)
    left = {one: _left(table, sealed.get(one, b""), gone) for one, gone in removed.items()}
    with as_a_whole(connection, table):
        yield
    wait_for_turn(connection)
    last, previous = last_seal(connection)
    for piece in in_pieces(sorted(left), _BATCHES_AT_ONCE):
        rows = []
        for audit_id in piece:
            last += 1
            rows.append(_batch(table, audit_id, left[audit_id], last, previous))
            previous = rows[-1]["hash"]
        connection.execute(insert(_BATCHES), rows)


def _sealed(
    connection: Connection, table: Table, wanted: Mapping[uuid.UUID, Any]
) -> dict[uuid.UUID, bytes]:
    """What counts as sealed of audit records; read in one go, since they may be many."""
    asked: Any = (
        select(SealBatch.audit_id, SealBatch.replaces, SealBatch.digests)
        .where(SealBatch.table_name == table.name)
        .order_by(SealBatch.sequence)
    )
    found: dict[uuid.UUID, bytes] = {}
    for piece in pieces_of(connection, asked.execution_options(max_row_buffer=50)):
        for batch in piece:
            if batch.audit_id in wanted:
                before = b"" if batch.replaces else found.get(batch.audit_id, b"")
                digests = batch.digests or b""
                found[batch.audit_id] = put_together([before, digests]) if before else digests
    return found


def _left(table: Table, sealed: bytes, gone: Sequence[bytes]) -> bytes:
    """The digests that stay sealed, sorted."""
    if b"".join(sorted(gone)) == sealed:
        return b""
    left = Counter(unpacked(sealed))
    left.subtract(gone)
    if any(count < 0 for count in left.values()):
        raise TracelogError(
            _(
                "rows of %(table)s are not as tracelog wrote them, so none was taken out; run"
                " 'tracelog check', which names them",
                table=table.name,
            )
        )
    return b"".join(sorted(left.elements()))


def _batch(
    table: Table, audit_id: uuid.UUID, packed: bytes, sequence: int, previous: str
) -> dict[str, Any]:
    values: dict[str, Any] = {
        "sequence": sequence,
        "table_name": table.name,
        "audit_id": audit_id,
        "replaces": True,
        "digests": packed,
        "rows": len(packed) // 16,
        "content_hash": hashlib.sha256(packed).hexdigest(),
        "previous_hash": previous,
    }
    return {**values, "hash": batch_hash(previous, SimpleNamespace(**values))}
