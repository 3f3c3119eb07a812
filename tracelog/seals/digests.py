"""The digest of a row: the same in either engine, whoever reads it. No database.

A row is written as its table's name and, for each column that is not blank, a tabulator, the
column's name, ``=`` and the value; of that the first half of the SHA-256. Columns in order of
their names; a blank one is left out, so that a column that is added blank later changes nothing.

Readings come by the million and all of their columns have one width: they are written as bytes.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Boolean, Column, Date, Float, LargeBinary, String, Table, Time, Uuid

from tracelog.db import UtcInstant

DIGEST_BYTES = 16
READING_COLUMNS = frozenset({"audit_id", "machine_id", "read_at", "strokes"})
_YEAR_1970, _MICROSECOND = datetime(1970, 1, 1, tzinfo=UTC), timedelta(microseconds=1)
_ESCAPES = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n"})


def digests_of(
    table: Table, columns: Sequence[Column[Any]], by_column: Sequence[Sequence[Any]]
) -> list[bytes]:
    """The digests of rows.

    Args:
        table: whose rows.
        columns: the columns that are given; those left out are blank.
        by_column: for each of them the values of all rows, of the column's Python type.
    """
    if not by_column or not by_column[0]:
        return []
    if table.name == "readings":
        given = zip(columns, by_column, strict=True)
        return digests_of_readings({c.name: _fixed(c, values) for c, values in given})
    order = sorted(range(len(columns)), key=lambda place: columns[place].name)
    cells = [_cells(columns[place], by_column[place]) for place in order]
    name = table.name
    sha256 = hashlib.sha256
    return [
        sha256((name + "".join(row)).encode()).digest()[:DIGEST_BYTES]
        for row in zip(*cells, strict=True)
    ]


def digests_of_readings(columns: Mapping[str, npt.NDArray[Any]]) -> list[bytes]:
    """The digests of readings.

    Args:
        columns: all columns of `READING_COLUMNS`, of one length: ids as 16 bytes each (``V16``),
            whole numbers, and instants as microseconds since 1970, UTC.
    """
    order = [("audit_id", "V16"), ("machine_id", "V16"), ("read_at", ">i8"), ("strokes", ">i8")]
    rows = np.empty(len(columns["strokes"]), dtype=order)
    for name, _kind in order:
        rows[name] = columns[name]
    raw, size, sha256 = rows.tobytes(), rows.itemsize, hashlib.sha256
    return [
        sha256(raw[start : start + size]).digest()[:DIGEST_BYTES]
        for start in range(0, len(raw), size)
    ]


def _fixed(column: Column[Any], values: Sequence[Any]) -> npt.NDArray[Any]:
    if isinstance(column.type, Uuid):
        return np.frombuffer(b"".join(value.bytes for value in values), dtype="V16")
    if isinstance(column.type, UtcInstant):
        return np.array([(value - _YEAR_1970) // _MICROSECOND for value in values], dtype=np.int64)
    return np.array(values, dtype=np.int64)


def key_text(table: Table, key: Sequence[Any]) -> str:
    """A row's primary key as people read it: the bare value, or each column with its own."""
    columns = list(table.primary_key.columns)
    texts = [_readable(value) for value in key]
    if len(columns) == 1:
        return texts[0]
    return ", ".join(f"{c.name} {text}" for c, text in zip(columns, texts, strict=True))


def _readable(value: Any) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).replace(tzinfo=None).isoformat() + "Z"
    return value.isoformat() if isinstance(value, date | time) else str(value)


def _cells(column: Column[Any], values: Sequence[Any]) -> list[str]:
    start = f"\t{column.name}="
    write = _writer(column)
    # Most columns of ids and names hold few values many times over.
    known: dict[Any, str] = {None: ""}
    cells = []
    for value in values:
        cell = known.get(value)
        if cell is None:
            cell = start + write(value)
            if len(known) < 1000:
                known[value] = cell
        cells.append(cell)
    return cells


def _writer(column: Column[Any]) -> Callable[[Any], str]:
    kind = column.type
    if isinstance(kind, UtcInstant):
        return _instant
    if isinstance(kind, Uuid):
        return str
    if isinstance(kind, Boolean):
        return lambda value: "1" if value else "0"
    if isinstance(kind, Float):
        # Adding zero makes the zero that has a sign the usual one.
        return lambda value: repr(float(value) + 0.0)
    if isinstance(kind, LargeBinary):
        return lambda value: hashlib.sha256(value).hexdigest()
    if isinstance(kind, Date | Time):
        return lambda value: str(value.isoformat())
    if isinstance(kind, String):
        return _text
    return str


def _text(value: Any) -> str:
    text = str(value)
    return text if text.isalnum() else text.translate(_ESCAPES)


def _instant(value: datetime) -> str:
    return (value if value.tzinfo is UTC else value.astimezone(UTC)).isoformat()
