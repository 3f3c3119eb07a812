"""Frozen baselines, gauge studies, signals and what people decided about them."""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_26_trends"
down_revision: str | None = "2026_11_25_strokes_and_service"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    op.create_table(
        "signal_epochs",
        sa.Column("starts_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("threshold", sa.Double(), nullable=False),
        sa.Column("false_signals_a_week", sa.Double(), nullable=False),
        sa.Column("series", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("starts_at", "kind", name=op.f("pk_signal_epochs")),
    )
    op.create_table(
        "signal_progress",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("audit_sequence", sa.BigInteger(), nullable=False),
        sa.Column("worked_out_at", db.UtcInstant(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_signal_progress")),
    )
    op.create_table(
        "gauge_readings",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("study", sa.String(length=80), nullable=False),
        sa.Column("characteristic", sa.String(length=80), nullable=False),
        sa.Column("unit", sa.String(length=80), nullable=True),
        sa.Column("part", sa.String(length=80), nullable=False),
        sa.Column("appraiser", sa.String(length=80), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("measured_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_gauge_readings_audit_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_readings")),
    )
    with op.batch_alter_table("gauge_readings", schema=None) as batch_op:
        batch_op.create_index("ix_gauge_readings_study", ["study"], unique=False)

    op.create_table(
        "signal_budgets",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("false_signals_a_week", sa.Double(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("set_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("set_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_signal_budgets_audit_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_signal_budgets")),
    )
    op.create_table(
        "frozen_baselines",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("evidence", sa.String(length=20), nullable=False),
        sa.Column("of", sa.Text(), nullable=False),
        sa.Column("starts_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("ends_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("frozen_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("frozen_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_frozen_baselines_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["line_id"], ["lines.id"], name=op.f("fk_frozen_baselines_line_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_frozen_baselines_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_frozen_baselines")),
    )
    with op.batch_alter_table("frozen_baselines", schema=None) as batch_op:
        batch_op.create_index("ix_frozen_baselines_frozen_at", ["frozen_at"], unique=False)

    op.create_table(
        "signal_baselines",
        sa.Column("starts_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("defect", sa.String(length=80), nullable=False),
        sa.Column("shape", sa.Double(), nullable=False),
        sa.Column("strokes", sa.Double(), nullable=False),
        sa.Column("dispersion", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_signal_baselines_machine_id")
        ),
        sa.PrimaryKeyConstraint(
            "starts_at", "machine_id", "defect", name=op.f("pk_signal_baselines")
        ),
    )
    op.create_table(
        "signal_decisions",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("defect", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("raised_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("decision", sa.String(length=20), nullable=False),
        sa.Column("case_id", sa.Uuid(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("decided_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("decided_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_signal_decisions_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_signal_decisions_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_signal_decisions")),
    )
    with op.batch_alter_table("signal_decisions", schema=None) as batch_op:
        batch_op.create_index("ix_signal_decisions_machine_id", ["machine_id"], unique=False)

    op.create_table(
        "signals",
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("defect", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("raised_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("since", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("since_low", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("since_high", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("ratio", sa.Double(), nullable=False),
        sa.Column("score", sa.Double(), nullable=False),
        sa.Column("threshold", sa.Double(), nullable=False),
        sa.Column("baseline_per_million", sa.Double(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("strokes", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_signals_machine_id")
        ),
        sa.PrimaryKeyConstraint(
            "machine_id", "defect", "kind", "raised_at", name=op.f("pk_signals")
        ),
    )
    with op.batch_alter_table("signals", schema=None) as batch_op:
        batch_op.create_index("ix_signals_raised_at", ["raised_at"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("signals", schema=None) as batch_op:
        batch_op.drop_index("ix_signals_raised_at")

    op.drop_table("signals")
    with op.batch_alter_table("signal_decisions", schema=None) as batch_op:
        batch_op.drop_index("ix_signal_decisions_machine_id")

    op.drop_table("signal_decisions")
    op.drop_table("signal_baselines")
    with op.batch_alter_table("frozen_baselines", schema=None) as batch_op:
        batch_op.drop_index("ix_frozen_baselines_frozen_at")

    op.drop_table("frozen_baselines")
    op.drop_table("signal_budgets")
    with op.batch_alter_table("gauge_readings", schema=None) as batch_op:
        batch_op.drop_index("ix_gauge_readings_study")

    op.drop_table("gauge_readings")
    op.drop_table("signal_progress")
    op.drop_table("signal_epochs")
