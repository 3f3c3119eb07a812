"""Entries added up by machine, kind of defect, and day or month of the plant's calendar.

Revision ID: 2026_11_27_tallies
Revises: 2026_11_27_readings
"""

import uuid
from collections import defaultdict
from datetime import UTC, date, datetime, time
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_tallies"
down_revision: str | None = "2026_11_27_readings"
branch_labels: str | None = None
depends_on: str | None = None

_ENTRIES = sa.table(
    "current_entries",
    sa.column("machine_id", sa.Uuid()),
    sa.column("defect_id", sa.Uuid()),
    sa.column("occurred_at", db.UtcInstant(timezone=True)),
    sa.column("counted_occurrences", sa.BigInteger()),
    sa.column("cans", sa.BigInteger()),
    sa.column("inspected", sa.BigInteger()),
)


def upgrade() -> None:
    """Make the table, and fill it from the entries as they stand."""
    tallies = op.create_table(
        "entry_tallies",
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("defect_id", sa.Uuid(), nullable=False),
        sa.Column("is_sample", sa.Boolean(), nullable=False),
        sa.Column("length", sa.String(5), nullable=False),
        sa.Column("start_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("entries", sa.BigInteger(), nullable=False),
        sa.Column("counted_occurrences", sa.BigInteger(), nullable=False),
        sa.Column("cans", sa.BigInteger(), nullable=False),
        sa.Column("inspected", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name="fk_entry_tallies_defect_id"
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_entry_tallies_machine_id"
        ),
        sa.PrimaryKeyConstraint(
            *("machine_id", "defect_id", "is_sample", "length", "start_at"),
            name="pk_entry_tallies",
        ),
        sqlite_with_rowid=False,
    )
    connection = op.get_bind()
    zone = connection.execute(sa.text("SELECT time_zone FROM plants ORDER BY id LIMIT 1")).scalar()
    if zone is None:
        return
    machines = connection.execute(
        sa.select(sa.column("id", sa.Uuid())).select_from(sa.table("machines"))
    )
    for (machine,) in machines.all():
        rows = _tallies(connection, machine, ZoneInfo(zone))
        if rows:
            connection.execute(sa.insert(tallies), rows)


def downgrade() -> None:
    """Everything in the table is derived from entries."""
    op.drop_table("entry_tallies")


def _tallies(connection: sa.Connection, machine: uuid.UUID, zone: ZoneInfo) -> list[dict[str, Any]]:
    """Of one machine, so that the entries of no more than that are held."""
    found: dict[tuple[Any, ...], list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    asked = sa.select(*(column for column in _ENTRIES.c if column.name != "machine_id"))
    for defect, moment, counted, cans, inspected in connection.execute(
        asked.where(_ENTRIES.c.machine_id == machine)
    ):
        for length, start in _starts(moment.astimezone(zone).date(), zone):
            sums = found[defect, inspected is not None, length, start]
            for place, value in enumerate((1, counted, cans, inspected or 0)):
                sums[place] += value
    names = ("defect_id", "is_sample", "length", "start_at")
    measures = ("entries", "counted_occurrences", "cans", "inspected")
    return [
        {"machine_id": machine}
        | dict(zip(names, key, strict=True))
        | dict(zip(measures, sums, strict=True))
        for key, sums in found.items()
    ]


@lru_cache(4096)
def _starts(day: date, zone: ZoneInfo) -> tuple[tuple[str, datetime], ...]:
    def start(of: date) -> datetime:
        return datetime.combine(of, time(), zone).astimezone(UTC)

    return ("day", start(day)), ("month", start(day.replace(day=1)))
