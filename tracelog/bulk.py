"""Writing many rows at once, the fast way of each engine."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Table, insert
from sqlalchemy.orm import Session

from tracelog.db import Base


def insert_rows(session: Session, table: type[Base], rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows (column name to value, the same columns in each) in the caller's transaction."""
    if rows:
        assert isinstance(table.__table__, Table)
        session.execute(insert(table.__table__), list(rows))
