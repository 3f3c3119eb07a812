"""Stock on hold, complaints, photos, and indexes for the way of a can through the line."""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_26_trace_and_hold"
down_revision: str | None = "2026_11_26_trends"
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:
    op.create_table(
        "photos",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("entry_id", sa.Uuid(), nullable=True),
        sa.Column("media_type", sa.String(length=40), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("stored_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("stored_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_photos_audit_id")
        ),
        sa.ForeignKeyConstraint(["entry_id"], ["entries.id"], name=op.f("fk_photos_entry_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
    )
    with op.batch_alter_table("photos", schema=None) as batch_op:
        batch_op.create_index("ix_photos_entry", ["entry_id"], unique=False)

    op.create_table(
        "complaints",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("received_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("customer_reference", sa.String(length=120), nullable=True),
        sa.Column("code_as_read", sa.String(length=20), nullable=True),
        sa.Column("certainty", sa.String(length=20), nullable=True),
        sa.Column("pallet", sa.String(length=80), nullable=True),
        sa.Column("coil", sa.String(length=80), nullable=True),
        sa.Column("time_code", sa.String(length=80), nullable=True),
        sa.Column("made_from", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("made_to", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("defect_id", sa.Uuid(), nullable=True),
        sa.Column("cans", sa.BigInteger(), nullable=True),
        sa.Column("cans_run", sa.BigInteger(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("photo_id", sa.Uuid(), nullable=True),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("written_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_complaints_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name=op.f("fk_complaints_defect_id")
        ),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_complaints_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_complaints")),
    )
    with op.batch_alter_table("complaints", schema=None) as batch_op:
        batch_op.create_index("ix_complaints_received_at", ["received_at"], unique=False)
        batch_op.create_index("uq_complaints_number", ["number"], unique=True)

    op.create_table(
        "holds",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("defect_id", sa.Uuid(), nullable=True),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("made_from", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("made_to", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("accepted_risk", sa.Double(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("raised_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("raised_by", sa.String(length=120), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.CheckConstraint(
            "made_to IS NULL OR made_to >= made_from", name=op.f("ck_holds_ends_after_start")
        ),
        sa.ForeignKeyConstraint(["audit_id"], ["audit_records.id"], name=op.f("fk_holds_audit_id")),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name=op.f("fk_holds_defect_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_holds_line_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_holds_machine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_holds")),
    )
    with op.batch_alter_table("holds", schema=None) as batch_op:
        batch_op.create_index("ix_holds_raised_at", ["raised_at"], unique=False)
        batch_op.create_index("uq_holds_number", ["number"], unique=True)

    op.create_table(
        "complaint_steps",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("complaint_id", sa.Uuid(), nullable=False),
        sa.Column("step", sa.String(length=20), nullable=False),
        sa.Column("at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=120), nullable=False),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("changes", sa.Text(), nullable=True),
        sa.Column("hold_id", sa.Uuid(), nullable=True),
        sa.Column("case_id", sa.Uuid(), nullable=True),
        sa.Column("photo_id", sa.Uuid(), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_complaint_steps_audit_id")
        ),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name=op.f("fk_complaint_steps_case_id")),
        sa.ForeignKeyConstraint(
            ["complaint_id"], ["complaints.id"], name=op.f("fk_complaint_steps_complaint_id")
        ),
        sa.ForeignKeyConstraint(["hold_id"], ["holds.id"], name=op.f("fk_complaint_steps_hold_id")),
        sa.ForeignKeyConstraint(
            ["photo_id"], ["photos.id"], name=op.f("fk_complaint_steps_photo_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_complaint_steps")),
    )
    with op.batch_alter_table("complaint_steps", schema=None) as batch_op:
        batch_op.create_index(
            "ix_complaint_steps_complaint_written_at", ["complaint_id", "written_at"], unique=False
        )

    op.create_table(
        "hold_steps",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("hold_id", sa.Uuid(), nullable=False),
        sa.Column("pallet", sa.String(length=80), nullable=True),
        sa.Column("step", sa.String(length=20), nullable=False),
        sa.Column("at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("written_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=120), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("place", sa.String(length=80), nullable=True),
        sa.Column("expected_suspect", sa.Double(), nullable=True),
        sa.Column("chance_of_none", sa.Double(), nullable=True),
        sa.Column("inspected", sa.BigInteger(), nullable=True),
        sa.Column("defective", sa.BigInteger(), nullable=True),
        sa.Column("made_from", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("made_to", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.CheckConstraint(
            "defective IS NULL OR defective <= inspected",
            name=op.f("ck_hold_steps_within_inspected"),
        ),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_hold_steps_audit_id")
        ),
        sa.ForeignKeyConstraint(["hold_id"], ["holds.id"], name=op.f("fk_hold_steps_hold_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hold_steps")),
    )
    with op.batch_alter_table("hold_steps", schema=None) as batch_op:
        batch_op.create_index(
            "ix_hold_steps_hold_written_at", ["hold_id", "written_at"], unique=False
        )
        batch_op.create_index("ix_hold_steps_pallet", ["pallet"], unique=False)

    with op.batch_alter_table("current_entries", schema=None) as batch_op:
        batch_op.create_index(
            "ix_current_entries_made",
            ["line_id", "made_at"],
            unique=False,
            sqlite_where=sa.text("made_at IS NOT NULL"),
            postgresql_where=sa.text("made_at IS NOT NULL"),
        )

    with op.batch_alter_table("current_entries", schema=None) as batch_op:
        batch_op.drop_index("ix_current_entries_machine_occurred_at")
        batch_op.create_index(
            "ix_current_entries_machine_occurred_at",
            ["machine_id", "occurred_at", "cans"],
            unique=False,
        )

    with op.batch_alter_table("entry_corrections", schema=None) as batch_op:
        batch_op.create_index("ix_entry_corrections_corrected_at", ["corrected_at"], unique=False)

    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.create_index(
            "ix_measurements_characteristic_measured_at",
            ["characteristic", "measured_at"],
            unique=False,
        )

    with op.batch_alter_table("pallets", schema=None) as batch_op:
        batch_op.create_index("ix_pallets_line_ended_at", ["line_id", "ended_at"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("pallets", schema=None) as batch_op:
        batch_op.drop_index("ix_pallets_line_ended_at")

    with op.batch_alter_table("entry_corrections", schema=None) as batch_op:
        batch_op.drop_index("ix_entry_corrections_corrected_at")

    with op.batch_alter_table("current_entries", schema=None) as batch_op:
        batch_op.drop_index("ix_current_entries_machine_occurred_at")
        batch_op.create_index(
            "ix_current_entries_machine_occurred_at", ["machine_id", "occurred_at"], unique=False
        )

    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.drop_index("ix_measurements_characteristic_measured_at")

    with op.batch_alter_table("current_entries", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_current_entries_made",
            sqlite_where=sa.text("made_at IS NOT NULL"),
            postgresql_where=sa.text("made_at IS NOT NULL"),
        )

    with op.batch_alter_table("hold_steps", schema=None) as batch_op:
        batch_op.drop_index("ix_hold_steps_pallet")
        batch_op.drop_index("ix_hold_steps_hold_written_at")

    op.drop_table("hold_steps")
    with op.batch_alter_table("complaint_steps", schema=None) as batch_op:
        batch_op.drop_index("ix_complaint_steps_complaint_written_at")

    op.drop_table("complaint_steps")
    with op.batch_alter_table("holds", schema=None) as batch_op:
        batch_op.drop_index("uq_holds_number")
        batch_op.drop_index("ix_holds_raised_at")

    op.drop_table("holds")
    with op.batch_alter_table("complaints", schema=None) as batch_op:
        batch_op.drop_index("uq_complaints_number")
        batch_op.drop_index("ix_complaints_received_at")

    op.drop_table("complaints")
    with op.batch_alter_table("photos", schema=None) as batch_op:
        batch_op.drop_index("ix_photos_entry")

    op.drop_table("photos")
