"""What belongs to a case, what was said at its opening, checks in order, and signed handovers."""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_26_whole_cases"
down_revision: str | None = "2026_11_26_trace_and_hold"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    op.create_table(
        "handover_signatures",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("shift_started_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("side", sa.String(length=10), nullable=False),
        sa.Column("words", sa.Text(), nullable=True),
        sa.Column("shown", sa.Text(), nullable=False),
        sa.Column("signed_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("signed_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_handover_signatures_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["line_id"], ["lines.id"], name=op.f("fk_handover_signatures_line_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handover_signatures")),
    )
    with op.batch_alter_table("handover_signatures", schema=None) as batch_op:
        batch_op.create_index(
            "ix_handover_signatures_shift_started_at",
            ["shift_started_at", "signed_at"],
            unique=False,
        )

    op.create_table(
        "sequence_checks",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("defect_id", sa.Uuid(), nullable=False),
        sa.Column("taken_after", sa.String(length=80), nullable=False),
        sa.Column("taken_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("cans", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_sequence_checks_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name=op.f("fk_sequence_checks_defect_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_sequence_checks_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sequence_checks")),
    )
    with op.batch_alter_table("sequence_checks", schema=None) as batch_op:
        batch_op.create_index(
            "ix_sequence_checks_line_taken_at", ["line_id", "taken_at"], unique=False
        )

    op.create_table(
        "station_parts",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("station", sa.String(length=80), nullable=False),
        sa.Column("part", sa.String(length=80), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_station_parts_audit_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_station_parts_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_station_parts")),
    )
    with op.batch_alter_table("station_parts", schema=None) as batch_op:
        batch_op.create_index(
            "uq_station_parts_line_station_part", ["line_id", "station", "part"], unique=True
        )

    op.create_table(
        "case_explanations",
        sa.Column("case_id", sa.Uuid(), nullable=False),
        sa.Column("asked_from", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("asked_to", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("made_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_case_explanations_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cases.id"], name=op.f("fk_case_explanations_case_id")
        ),
        sa.PrimaryKeyConstraint("case_id", name=op.f("pk_case_explanations")),
    )
    op.create_table(
        "case_links",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("case_id", sa.Uuid(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("defect_id", sa.Uuid(), nullable=True),
        sa.Column("entry_id", sa.Uuid(), nullable=True),
        sa.Column("tool_id", sa.Uuid(), nullable=True),
        sa.Column("coil_id", sa.Uuid(), nullable=True),
        sa.Column("pallet_id", sa.Uuid(), nullable=True),
        sa.Column("hold_id", sa.Uuid(), nullable=True),
        sa.Column("photo_id", sa.Uuid(), nullable=True),
        sa.Column("complaint_id", sa.Uuid(), nullable=True),
        sa.Column("sequence_check_id", sa.Uuid(), nullable=True),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_case_links_audit_id")
        ),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name=op.f("fk_case_links_case_id")),
        sa.ForeignKeyConstraint(["coil_id"], ["coils.id"], name=op.f("fk_case_links_coil_id")),
        sa.ForeignKeyConstraint(
            ["complaint_id"], ["complaints.id"], name=op.f("fk_case_links_complaint_id")
        ),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name=op.f("fk_case_links_defect_id")
        ),
        sa.ForeignKeyConstraint(["entry_id"], ["entries.id"], name=op.f("fk_case_links_entry_id")),
        sa.ForeignKeyConstraint(["hold_id"], ["holds.id"], name=op.f("fk_case_links_hold_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_case_links_machine_id")
        ),
        sa.ForeignKeyConstraint(
            ["pallet_id"], ["pallets.id"], name=op.f("fk_case_links_pallet_id")
        ),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_case_links_photo_id")),
        sa.ForeignKeyConstraint(
            ["sequence_check_id"],
            ["sequence_checks.id"],
            name=op.f("fk_case_links_sequence_check_id"),
        ),
        sa.ForeignKeyConstraint(["tool_id"], ["tools.id"], name=op.f("fk_case_links_tool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_links")),
    )
    with op.batch_alter_table("case_links", schema=None) as batch_op:
        batch_op.create_index(
            "ix_case_links_case_written_at", ["case_id", "written_at"], unique=False
        )

    op.create_table(
        "case_unlinks",
        sa.Column("link_id", sa.Uuid(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_case_unlinks_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["link_id"], ["case_links.id"], name=op.f("fk_case_unlinks_link_id")
        ),
        sa.PrimaryKeyConstraint("link_id", name=op.f("pk_case_unlinks")),
    )
    with op.batch_alter_table("case_steps", schema=None) as batch_op:
        batch_op.add_column(sa.Column("minutes_down", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("change_id", sa.Uuid(), nullable=True))
        batch_op.create_foreign_key(
            batch_op.f("fk_case_steps_change_id"), "changes", ["change_id"], ["id"]
        )


def downgrade() -> None:
    with op.batch_alter_table("case_steps", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("fk_case_steps_change_id"), type_="foreignkey")
        batch_op.drop_column("change_id")
        batch_op.drop_column("minutes_down")

    op.drop_table("case_unlinks")
    with op.batch_alter_table("case_links", schema=None) as batch_op:
        batch_op.drop_index("ix_case_links_case_written_at")

    op.drop_table("case_links")
    op.drop_table("case_explanations")
    with op.batch_alter_table("station_parts", schema=None) as batch_op:
        batch_op.drop_index("uq_station_parts_line_station_part")

    op.drop_table("station_parts")
    with op.batch_alter_table("sequence_checks", schema=None) as batch_op:
        batch_op.drop_index("ix_sequence_checks_line_taken_at")

    op.drop_table("sequence_checks")
    with op.batch_alter_table("handover_signatures", schema=None) as batch_op:
        batch_op.drop_index("ix_handover_signatures_shift_started_at")

    op.drop_table("handover_signatures")
