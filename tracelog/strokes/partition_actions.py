"""Writes of the parts of the readings: a month's part is made, and takes what lay elsewhere."""

import logging
from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from tracelog.audit import take_turn
from tracelog.strokes.partitions import (
    REST,
    following,
    is_divided,
    months_of_rest,
    part_of,
    parts,
    upcoming,
    without_part,
)
from tracelog.strokes.retired import retired_until

_log = logging.getLogger(__name__)


def make_parts(connection: Connection, months: Iterable[datetime]) -> list[str]:
    """Make the parts of months that have none, before readings of them are written.

    To add a part locks the part of all the rest, if only for those who ask it as well. It is never
    waited for: whoever has asked it and is now waiting for this turn would wait for ever. Where it
    cannot be had, or the right to make tables is missing, nothing is made; readings then go to the
    rest, and the next one who makes that month's part moves them.

    Args:
        connection: of a transaction that writes and has its turn; the caller commits.
        months: first instants of months of UTC.

    Returns:
        Names of the parts that were made. One statement where all are there; none on SQLite.
    """
    if not is_divided(connection):
        return []
    there = parts(connection)
    missing = without_part(months, there)
    if REST not in there or not missing:
        return []
    try:
        with connection.begin_nested():
            connection.exec_driver_sql(f"LOCK TABLE {REST} IN ACCESS EXCLUSIVE MODE NOWAIT")
            for month in missing:
                _make(connection, month)
    except DBAPIError as problem:
        _log.info("no part was made for %s: %s", part_of(missing[0]), type(problem.orig).__name__)
        return []
    return [part_of(month) for month in missing]


def _make(connection: Connection, month: datetime) -> None:
    name, start, end = part_of(month), month.isoformat(), following(month).isoformat()
    between = f"read_at >= '{start}' AND read_at < '{end}'"
    columns = "machine_id, read_at, strokes, audit_id"
    connection.exec_driver_sql(f"CREATE TABLE {name} (LIKE readings INCLUDING ALL)")
    # Nothing of this comes from outside: a month makes name and bounds.
    connection.exec_driver_sql(
        f"WITH moved AS (DELETE FROM {REST} WHERE {between} RETURNING {columns})"  # noqa: S608
        f" INSERT INTO {name} ({columns}) SELECT {columns} FROM moved"
    )
    connection.exec_driver_sql(
        f"ALTER TABLE readings ATTACH PARTITION {name} FOR VALUES FROM ('{start}') TO ('{end}')"
    )


def keep_parts_ahead(session: Session, now: datetime) -> list[str]:
    """Make the parts of the present month and the next ones, and of what lies in the rest.

    Args:
        session: an open session that writes; the caller commits.
        now: the present instant, UTC.

    Returns:
        Names of the parts that were made; none on SQLite.
    """
    connection = session.connection()
    if not is_divided(connection):
        return []
    take_turn(session)
    if REST not in parts(connection):
        return []
    # What was carried over from retired months stays with the rest.
    retired = retired_until(session)
    rest = [month for month in months_of_rest(connection) if month >= retired]
    return make_parts(connection, [*upcoming(now), *rest])
