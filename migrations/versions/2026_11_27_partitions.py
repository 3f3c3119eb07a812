"""Readings are divided by month on PostgreSQL: a month can be added, and taken out, as a whole.

Revision ID: 2026_11_27_partitions
Revises: 2026_11_27_tallies
"""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision: str = "2026_11_27_partitions"
down_revision: str | None = "2026_11_27_tallies"
branch_labels: str | None = None
depends_on: str | None = None

_COLUMNS = "machine_id, read_at, strokes, audit_id"
_TABLE = (
    "machine_id uuid NOT NULL, read_at timestamptz NOT NULL, strokes bigint NOT NULL,"
    " audit_id uuid NOT NULL, CONSTRAINT pk_readings PRIMARY KEY (machine_id, read_at)"
)
# Readings dated outside these years stay in the part of all the rest.
_FIRST, _LAST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


def upgrade() -> None:
    """Put each month's readings into a part of its own; SQLite has one table."""
    if op.get_bind().dialect.name != "postgresql":
        return
    is_copy = _is_copied_here()
    _set_aside()
    op.execute(f"CREATE TABLE readings ({_TABLE}) PARTITION BY RANGE (read_at)")
    # A database of the group's centre gets all rows once more, since the table is another one.
    for month in [] if is_copy else _months():
        following = month.replace(year=month.year + month.month // 12, month=month.month % 12 + 1)
        part = f"readings_{month:%Y_%m}"
        start, end = month.isoformat(), following.isoformat()
        op.execute(f"CREATE TABLE {part} (LIKE readings INCLUDING ALL)")
        op.execute(
            f"INSERT INTO {part} ({_COLUMNS}) SELECT {_COLUMNS} FROM readings_before"  # noqa: S608
            f" WHERE read_at >= '{start}' AND read_at < '{end}'"
        )
        op.execute(
            f"ALTER TABLE readings ATTACH PARTITION {part} FOR VALUES FROM ('{start}') TO ('{end}')"
        )
    op.execute("CREATE TABLE readings_default PARTITION OF readings DEFAULT")
    if not is_copy:
        op.execute(
            f"INSERT INTO readings_default ({_COLUMNS}) SELECT {_COLUMNS} FROM readings_before"  # noqa: S608
            f" WHERE read_at < '{_FIRST.isoformat()}' OR read_at >= '{_LAST.isoformat()}'"
        )
    op.execute("DROP TABLE readings_before")


def downgrade() -> None:
    """Put all readings back into one table."""
    if op.get_bind().dialect.name != "postgresql":
        return
    _set_aside()
    op.execute(f"CREATE TABLE readings ({_TABLE})")
    op.execute(f"INSERT INTO readings ({_COLUMNS}) SELECT {_COLUMNS} FROM readings_before")  # noqa: S608
    op.execute("DROP TABLE readings_before")


def _set_aside() -> None:
    """Let the table that is there have another name, and its key too."""
    op.execute("ALTER TABLE readings RENAME TO readings_before")
    op.execute("ALTER TABLE readings_before RENAME CONSTRAINT pk_readings TO pk_readings_before")


def _is_copied_here() -> bool:
    """Whether the readings come from another database, by logical replication."""
    asked = "SELECT 1 FROM pg_subscription_rel WHERE srrelid = 'readings'::regclass"
    return op.get_bind().execute(sa.text(asked)).first() is not None


def _months() -> list[datetime]:
    """First instants of the months that have readings, in order."""
    asked = sa.text(
        "SELECT DISTINCT date_trunc('month', read_at, 'UTC') FROM readings_before"
        " WHERE read_at >= :first AND read_at < :last ORDER BY 1"
    )
    found = op.get_bind().execute(asked, {"first": _FIRST, "last": _LAST}).scalars()
    return [month.astimezone(UTC) for month in found]
