"""A row for every table that has none, made through the application's own connection."""

import re
import uuid
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Connection,
    Date,
    Float,
    Integer,
    LargeBinary,
    Table,
    Time,
    Uuid,
    func,
    insert,
    select,
)
from sqlalchemy.orm import Session

from tracelog.db import Base, UtcInstant
from tracelog.seals.rules import Way, way_of

MOMENT = datetime(2026, 6, 1, 12, tzinfo=UTC)
# What a check of the table takes, where not every text or number is right.
FITTING: dict[tuple[str, str], Any] = {}


def fill_empty_tables(session: Session) -> None:
    """Put two rows into every sealed table that has none."""
    for table in Base.metadata.sorted_tables:
        if way_of(table.name) is Way.NOT:
            continue
        there = session.execute(select(func.count()).select_from(table)).scalar_one()
        for number in range(2 if there == 0 else 0):
            session.execute(insert(table).values(made_up(session.connection(), table, number)))


def made_up(connection: Connection, table: Table, number: int) -> dict[str, Any]:
    """Values for a row of a table; references lead to rows that are there."""
    return {
        column.name: _value(connection, table, column, number)
        for column in table.columns
        if not column.nullable or column.primary_key
    }


def _value(connection: Connection, table: Table, column: Column[Any], number: int) -> Any:
    if (table.name, column.name) in FITTING:
        return FITTING[table.name, column.name]
    for key in column.foreign_keys:
        found = select(key.column).order_by(key.column).offset(number).limit(1)
        return connection.execute(found).scalar_one()
    kind = column.type
    if isinstance(kind, Uuid):
        return uuid.uuid4()
    if isinstance(kind, UtcInstant):
        return MOMENT + timedelta(hours=number)
    for known, value in (
        (Boolean, False),
        (Integer, number + 1),
        (Float, 0.5 + number),
        (LargeBinary, b"bytes"),
        (Date, date(2026, 6, 1 + number)),
        (Time, time(6, number)),
    ):
        if isinstance(kind, known):
            return value
    return _allowed(table, column.name) or f"x{number}"


def _allowed(table: Table, column: str) -> str | None:
    """The first word that a check of the table lets a column have."""
    for check in table.constraints:
        if isinstance(check, CheckConstraint):
            found = re.search(rf"\b{column} IN \('([^']*)'", str(check.sqltext))
            if found:
                return found[1]
    return None
