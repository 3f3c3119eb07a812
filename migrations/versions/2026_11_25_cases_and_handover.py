"""Cases with their steps, and what a shift hands to the next."""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_25_cases_and_handover"
down_revision: str | None = "2026_11_25_first_tables"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:

    op.create_table(
        "handover_notes",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("about", sa.String(length=20), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("written_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_handover_notes_audit_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_handover_notes_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handover_notes")),
    )
    with op.batch_alter_table("handover_notes", schema=None) as batch_op:
        batch_op.create_index("ix_handover_notes_written_at", ["written_at"], unique=False)

    op.create_table(
        "cases",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("title", sa.String(length=80), nullable=False),
        sa.Column("defect_id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("since_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("opened_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("opened_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(["audit_id"], ["audit_records.id"], name=op.f("fk_cases_audit_id")),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name=op.f("fk_cases_defect_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_cases_line_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_cases_machine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cases")),
    )
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.create_index("ix_cases_opened_at", ["opened_at"], unique=False)

    op.create_table(
        "handover_settlements",
        sa.Column("note_id", sa.Uuid(), nullable=False),
        sa.Column("settled_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("settled_by", sa.String(length=120), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_handover_settlements_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["note_id"], ["handover_notes.id"], name=op.f("fk_handover_settlements_note_id")
        ),
        sa.PrimaryKeyConstraint("note_id", name=op.f("pk_handover_settlements")),
    )
    op.create_table(
        "case_steps",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("case_id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_case_steps_audit_id")
        ),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name=op.f("fk_case_steps_case_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_steps")),
    )
    with op.batch_alter_table("case_steps", schema=None) as batch_op:
        batch_op.create_index(
            "ix_case_steps_case_written_at", ["case_id", "written_at"], unique=False
        )


def downgrade() -> None:

    with op.batch_alter_table("case_steps", schema=None) as batch_op:
        batch_op.drop_index("ix_case_steps_case_written_at")

    op.drop_table("case_steps")
    op.drop_table("handover_settlements")
    with op.batch_alter_table("cases", schema=None) as batch_op:
        batch_op.drop_index("ix_cases_opened_at")

    op.drop_table("cases")
    with op.batch_alter_table("handover_notes", schema=None) as batch_op:
        batch_op.drop_index("ix_handover_notes_written_at")

    op.drop_table("handover_notes")
