"""Readings come in many at once: their references are not looked up row by row any more.

Revision ID: 2026_11_27_readings
Revises: 2026_11_27_seals
"""

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_readings"
down_revision: str | None = "2026_11_27_seals"
branch_labels: str | None = None
depends_on: str | None = None

_REFERENCES = {"audit_id": "audit_records", "machine_id": "machines"}


def upgrade() -> None:
    """Drop the two references of readings, which took most of the time of bulk intake."""
    if op.get_bind().dialect.name == "sqlite":
        _remake()
        return
    for column in _REFERENCES:
        op.drop_constraint(f"fk_readings_{column}", "readings", type_="foreignkey")


def downgrade() -> None:
    """Put the references back; a reading that leads nowhere refuses it."""
    if op.get_bind().dialect.name == "sqlite":
        keys = [
            sa.ForeignKeyConstraint([column], [f"{table}.id"], name=f"fk_readings_{column}")
            for column, table in _REFERENCES.items()
        ]
        _remake(*keys)
        return
    for column, table in _REFERENCES.items():
        op.create_foreign_key(f"fk_readings_{column}", "readings", table, [column], ["id"])


def _remake(*references: sa.ForeignKeyConstraint) -> None:
    """SQLite changes no constraint of a table: its rows move into another one."""
    op.create_table(
        "readings_remade",
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("read_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("strokes", sa.BigInteger(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        *references,
        sa.PrimaryKeyConstraint("machine_id", "read_at", name="pk_readings"),
        sqlite_with_rowid=False,
    )
    columns = "machine_id, read_at, strokes, audit_id"
    op.execute(f"INSERT INTO readings_remade ({columns}) SELECT {columns} FROM readings")  # noqa: S608
    op.drop_table("readings")
    op.rename_table("readings_remade", "readings")
