"""Values of rows as an archive holds them, and back."""

import base64
import uuid
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Any

from sqlalchemy import Column, Date, DateTime, LargeBinary, Time, Uuid
from sqlalchemy.types import TypeEngine

from tracelog.db import UtcInstant
from tracelog.keeping.archive import Kind

_KINDS: tuple[tuple[type[TypeEngine[Any]], Kind], ...] = (
    (Uuid, "uuid"),
    (UtcInstant, "instant"),
    (DateTime, "instant"),
    (Date, "date"),
    (Time, "time"),
    (LargeBinary, "bytes"),
)
_WRITERS: dict[Kind, Callable[[Any], Any]] = {
    "uuid": str,
    "instant": lambda moment: moment.astimezone(UTC).isoformat(timespec="microseconds"),
    "date": date.isoformat,
    "time": time.isoformat,
    "bytes": lambda content: base64.b64encode(content).decode(),
}
_READERS: dict[Kind, Callable[[Any], Any]] = {
    "uuid": uuid.UUID,
    "instant": datetime.fromisoformat,
    "date": date.fromisoformat,
    "time": time.fromisoformat,
    "bytes": lambda text: base64.b64decode(text, validate=True),
}
_TYPES: dict[Kind, TypeEngine[Any] | None] = {
    "uuid": Uuid(),
    "instant": UtcInstant(),
    "date": Date(),
    "time": Time(),
    "bytes": LargeBinary(),
    "plain": None,
}


def kind_of(column: Column[Any]) -> Kind:
    """How a column's values are written; numbers, texts and truths are what JSON has."""
    return next((kind for own, kind in _KINDS if isinstance(column.type, own)), "plain")


def type_of(kind: Kind) -> TypeEngine[Any] | None:
    """The type under which values of a kind go into either engine; None: as the driver does."""
    return _TYPES[kind]


def written(kinds: list[Kind]) -> Callable[[tuple[Any, ...]], list[Any]]:
    """A function that makes rows ready for JSON."""
    writers = [_WRITERS.get(kind) for kind in kinds]
    return lambda row: [
        value if value is None or write is None else write(value)
        for write, value in zip(writers, row, strict=True)
    ]


def read(kinds: list[Kind]) -> Callable[[list[Any]], list[Any]]:
    """A function that makes values of rows from JSON; raises ValueError for what none can be."""
    readers = [_READERS.get(kind) for kind in kinds]
    return lambda row: [
        value if value is None or take is None else take(value)
        for take, value in zip(readers, row, strict=True)
    ]
