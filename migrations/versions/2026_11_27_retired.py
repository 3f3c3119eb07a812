"""Months whose readings were exported and taken out, and what counters go on from.

Revision ID: 2026_11_27_retired
Revises: 2026_11_27_partitions
"""

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_27_retired"
down_revision: str | None = "2026_11_27_partitions"
branch_labels: str | None = None
depends_on: str | None = None


def upgrade() -> None:
    """Make both tables."""
    op.create_table(
        "retired_months",
        sa.Column("month", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ends_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("file", sa.String(200), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name="fk_retired_months_audit_id"
        ),
        sa.PrimaryKeyConstraint("month", name="pk_retired_months"),
    )
    op.create_table(
        "carried_counters",
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("first_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("last_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("hour_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("read_from", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("strokes_before", sa.BigInteger(), nullable=False),
        sa.Column("hours", sa.BigInteger(), nullable=False),
        sa.Column("hours_sha256", sa.String(64), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name="fk_carried_counters_audit_id"
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_carried_counters_machine_id"
        ),
        sa.PrimaryKeyConstraint("machine_id", name="pk_carried_counters"),
    )


def downgrade() -> None:
    """Without these, hours of retired months would pass for wrong: `tracelog downgrade` refuses."""
    op.drop_table("carried_counters")
    op.drop_table("retired_months")
