"""Settled counters, work on tools, planned periods, promised services, rejected messages."""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_25_strokes_and_service"
down_revision: str | None = "2026_11_25_cases_and_handover"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    op.create_table(
        "rejected_messages",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("source", sa.String(length=20), nullable=False),
        sa.Column("topic", sa.String(length=500), nullable=False),
        sa.Column("minute_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("payload_sha256", sa.String(length=64), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.Column("last_at", db.UtcInstant(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rejected_messages")),
    )
    with op.batch_alter_table("rejected_messages", schema=None) as batch_op:
        batch_op.create_index("ix_rejected_messages_last_at", ["last_at"], unique=False)
        batch_op.create_index(
            "uq_rejected_messages_topic_minute_payload",
            ["source", "topic", "minute_at", "payload_sha256"],
            unique=True,
        )

    op.create_table(
        "replacement_costs",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("tool_type", sa.String(length=80), nullable=False),
        sa.Column("planned_cost", sa.Double(), nullable=True),
        sa.Column("unplanned_cost", sa.Double(), nullable=True),
        sa.Column("interval_strokes", sa.BigInteger(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_replacement_costs")),
        sa.UniqueConstraint("tool_type", name=op.f("uq_replacement_costs_tool_type")),
    )
    op.create_table(
        "planning_settings",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("setting", sa.String(length=40), nullable=False),
        sa.Column("value", sa.String(length=80), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planning_settings")),
        sa.UniqueConstraint("setting", name=op.f("uq_planning_settings_setting")),
    )
    op.create_table(
        "tool_works",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("tool_id", sa.Uuid(), nullable=False),
        sa.Column("done_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("work", sa.String(length=20), nullable=False),
        sa.Column("strokes_before", sa.BigInteger(), nullable=True),
        sa.Column("strokes_before_since_work", sa.BigInteger(), nullable=True),
        sa.Column("size_mm", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_tool_works_audit_id")
        ),
        sa.ForeignKeyConstraint(["tool_id"], ["tools.id"], name=op.f("fk_tool_works_tool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tool_works")),
    )
    with op.batch_alter_table("tool_works", schema=None) as batch_op:
        batch_op.create_index(
            "uq_tool_works_tool_done_at_work", ["tool_id", "done_at", "work"], unique=True
        )

    op.create_table(
        "counter_settlements",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("to_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("settled_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("from_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("strokes", sa.BigInteger(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("settled_by", sa.String(length=120), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_counter_settlements_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_counter_settlements_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_counter_settlements")),
    )
    with op.batch_alter_table("counter_settlements", schema=None) as batch_op:
        batch_op.create_index(
            "uq_counter_settlements_machine_to_at_settled_at",
            ["machine_id", "to_at", "settled_at"],
            unique=True,
        )

    op.create_table(
        "planned_periods",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("starts_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ends_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("announced_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("withdrawn_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("uid", sa.String(length=255), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.CheckConstraint("ends_at > starts_at", name=op.f("ck_planned_periods_ends_after_start")),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_planned_periods_audit_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_planned_periods_line_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_planned_periods_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planned_periods")),
    )
    with op.batch_alter_table("planned_periods", schema=None) as batch_op:
        batch_op.create_index("ix_planned_periods_ends_at", ["ends_at"], unique=False)

    op.create_table(
        "service_pins",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("service", sa.String(length=80), nullable=False),
        sa.Column("pinned_on", sa.Date(), nullable=False),
        sa.Column("pinned_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("pinned_by", sa.String(length=120), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("ended_because", sa.String(length=20), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_service_pins_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_service_pins_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_service_pins")),
    )
    with op.batch_alter_table("service_pins", schema=None) as batch_op:
        batch_op.create_index(
            "ix_service_pins_machine_pinned_at", ["machine_id", "pinned_at"], unique=False
        )


def downgrade() -> None:
    with op.batch_alter_table("service_pins", schema=None) as batch_op:
        batch_op.drop_index("ix_service_pins_machine_pinned_at")

    op.drop_table("service_pins")
    with op.batch_alter_table("planned_periods", schema=None) as batch_op:
        batch_op.drop_index("ix_planned_periods_ends_at")

    op.drop_table("planned_periods")
    with op.batch_alter_table("counter_settlements", schema=None) as batch_op:
        batch_op.drop_index("uq_counter_settlements_machine_to_at_settled_at")

    op.drop_table("counter_settlements")
    with op.batch_alter_table("tool_works", schema=None) as batch_op:
        batch_op.drop_index("uq_tool_works_tool_done_at_work")

    op.drop_table("tool_works")
    op.drop_table("planning_settings")
    op.drop_table("replacement_costs")
    with op.batch_alter_table("rejected_messages", schema=None) as batch_op:
        batch_op.drop_index("uq_rejected_messages_topic_minute_payload")
        batch_op.drop_index("ix_rejected_messages_last_at")

    op.drop_table("rejected_messages")
