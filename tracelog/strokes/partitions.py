"""The months into which PostgreSQL divides the readings: names of the parts, and which there are.

A month is one of UTC, told by its first instant. What lies in no month that has a part of its own
is in the part of all the rest, so that no reading is ever without a place.
"""

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import Connection, text

from tracelog.strokes.rules import Whole

REST = "readings_default"
# A figure dated before that is a clock that was never set: it makes no part of its own.
EARLIEST_MONTH = datetime(2000, 1, 1, tzinfo=UTC)
LATEST_MONTH = datetime(2199, 12, 1, tzinfo=UTC)
# Housekeeping makes this many months ahead of the present one.
MONTHS_AHEAD = 2
_NAME = re.compile(r"readings_(?:default|(\d{4})_(\d{2}))")
_PARTS = text(
    "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
    " WHERE i.inhparent = to_regclass('readings')"
)
_MONTHS_OF_REST = text(
    f"SELECT DISTINCT date_trunc('month', read_at, 'UTC') FROM {REST} ORDER BY 1"  # noqa: S608
)


def is_part(table: str) -> bool:
    """Whether a table of that name is a part of the readings, and no table by itself."""
    return _NAME.fullmatch(table) is not None


def part_of(month: datetime) -> str:
    """The name of a month's part.

    Example:
        >>> part_of(datetime(2026, 3, 1, tzinfo=UTC))
        'readings_2026_03'
    """
    return f"readings_{month:%Y_%m}"


def month_of(moment: datetime) -> datetime:
    """The first instant of the month of UTC in which an instant lies."""
    moment = moment.astimezone(UTC)
    return datetime(moment.year, moment.month, 1, tzinfo=UTC)


def following(month: datetime, by: int = 1) -> datetime:
    """The month that comes so many after another; a negative number goes back.

    Example:
        >>> following(datetime(2026, 12, 1, tzinfo=UTC)).isoformat()
        '2027-01-01T00:00:00+00:00'
    """
    years, place = divmod(month.year * 12 + month.month - 1 + by, 12)
    return datetime(years, place + 1, 1, tzinfo=UTC)


def months_of(read_at: Whole) -> list[datetime]:
    """The months in which instants lie, in order.

    Args:
        read_at: microseconds since 1970, UTC.
    """
    found = np.unique(read_at.astype("datetime64[us]").astype("datetime64[M]"))
    return [datetime(*divmod_month(int(one)), 1, tzinfo=UTC) for one in found.astype(np.int64)]


def divmod_month(count: int) -> tuple[int, int]:
    """Year and month of the month that is so many after January 1970."""
    years, place = divmod(count, 12)
    return 1970 + years, place + 1


def upcoming(now: datetime) -> list[datetime]:
    """The present month and those that are made ahead of time."""
    return [following(month_of(now), ahead) for ahead in range(MONTHS_AHEAD + 1)]


def is_divided(connection: Connection) -> bool:
    """Whether the database divides its readings: PostgreSQL does, SQLite has one table."""
    return connection.dialect.name == "postgresql"


def parts(connection: Connection) -> frozenset[str]:
    """Names of the parts that there are; none where the readings are one table. One statement."""
    return frozenset(connection.execute(_PARTS).scalars())


def without_part(months: Iterable[datetime], there: frozenset[str]) -> Sequence[datetime]:
    """Those months that should have a part and have none."""
    return [
        month
        for month in sorted(set(months))
        if EARLIEST_MONTH <= month <= LATEST_MONTH and part_of(month) not in there
    ]


def months_of_rest(connection: Connection) -> list[datetime]:
    """The months of the readings that lie in the part of all the rest. One statement."""
    return [month_of(one) for one in connection.execute(_MONTHS_OF_REST).scalars()]
