"""The first tables: plant, counters, log, service, measurements, people, audit trail."""

from collections.abc import Sequence

import sqlalchemy as sa
from alembic import op

from tracelog import db

revision: str = "2026_11_25_first_tables"
down_revision: str | None = None
branch_labels: str | Sequence[str] | None = None
depends_on: str | Sequence[str] | None = None


def upgrade() -> None:

    op.create_table(
        "accounts",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("display_name", sa.String(length=80), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("secret_hash", sa.String(length=200), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("session_epoch", sa.Integer(), nullable=False),
        sa.Column("created_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("last_signed_in_at", db.UtcInstant(timezone=True), nullable=True),
        sa.CheckConstraint(
            "role IN ('operator', 'planner', 'supervisor', 'quality', 'administrator')",
            name=op.f("ck_accounts_role_known"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_accounts")),
        sa.UniqueConstraint("name", name=op.f("uq_accounts_name")),
    )
    op.create_table(
        "audit_records",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("sequence", sa.BigInteger(), nullable=False),
        sa.Column("actor", sa.String(length=120), nullable=False),
        sa.Column("door", sa.String(length=20), nullable=False),
        sa.Column("at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("action", sa.String(length=60), nullable=False),
        sa.Column("subject_kind", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.Column("previous_hash", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_records")),
        sa.UniqueConstraint("sequence", name=op.f("uq_audit_records_sequence")),
    )
    with op.batch_alter_table("audit_records", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_audit_records_actor"), ["actor"], unique=False)
        batch_op.create_index(batch_op.f("ix_audit_records_at"), ["at"], unique=False)
        batch_op.create_index("ix_audit_records_subject", ["subject_kind", "subject"], unique=False)

    op.create_table(
        "coils",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("coil", sa.String(length=80), nullable=False),
        sa.Column("alloy", sa.String(length=80), nullable=True),
        sa.Column("gauge_mm", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_coils")),
        sa.UniqueConstraint("coil", name=op.f("uq_coils_coil")),
    )
    op.create_table(
        "defect_types",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("defect", sa.String(length=80), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=True),
        sa.Column("stage", sa.String(length=80), nullable=True),
        sa.Column("severity", sa.String(length=20), nullable=True),
        sa.Column("arises_at", sa.String(length=80), nullable=True),
        sa.Column("traces_to", sa.Text(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_defect_types")),
        sa.UniqueConstraint("defect", name=op.f("uq_defect_types_defect")),
    )
    op.create_table(
        "plants",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("time_zone", sa.String(length=80), nullable=False),
        sa.Column("transit_min_minutes", sa.Integer(), nullable=True),
        sa.Column("transit_max_minutes", sa.Integer(), nullable=True),
        sa.Column("rota_starts_on", sa.Date(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plants")),
        sa.UniqueConstraint("name", name=op.f("uq_plants_name")),
    )
    op.create_table(
        "service_levels",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("station", sa.String(length=80), nullable=False),
        sa.Column("service", sa.String(length=80), nullable=False),
        sa.Column("interval_strokes", sa.BigInteger(), nullable=True),
        sa.Column("interval_days", sa.Integer(), nullable=True),
        sa.Column("hours", sa.Double(), nullable=True),
        sa.Column("people", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_service_levels")),
    )
    with op.batch_alter_table("service_levels", schema=None) as batch_op:
        batch_op.create_index(
            "uq_service_levels_station_service", ["station", "service"], unique=True
        )

    op.create_table(
        "tools",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("serial", sa.String(length=80), nullable=False),
        sa.Column("tool_type", sa.String(length=80), nullable=True),
        sa.Column("life_strokes", sa.BigInteger(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tools")),
        sa.UniqueConstraint("serial", name=op.f("uq_tools_serial")),
    )
    op.create_table(
        "entries",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.Column("seen_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("made_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("dome_code", sa.String(length=20), nullable=True),
        sa.Column("defect_id", sa.Uuid(), nullable=False),
        sa.Column("cans", sa.BigInteger(), nullable=False),
        sa.Column("occurrences", sa.BigInteger(), nullable=True),
        sa.Column("inspected", sa.BigInteger(), nullable=True),
        sa.Column("found_at", sa.String(length=80), nullable=True),
        sa.Column("coil", sa.String(length=80), nullable=True),
        sa.Column("pallet", sa.String(length=80), nullable=True),
        sa.Column("mark", sa.String(length=80), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("logged_by", sa.String(length=80), nullable=True),
        sa.Column("logged_at", db.UtcInstant(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_entries_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name=op.f("fk_entries_defect_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entries")),
    )
    op.create_table(
        "lines",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("plant_id", sa.Uuid(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=True),
        sa.ForeignKeyConstraint(["plant_id"], ["plants.id"], name=op.f("fk_lines_plant_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lines")),
    )
    with op.batch_alter_table("lines", schema=None) as batch_op:
        batch_op.create_index("uq_lines_plant_line", ["plant_id", "line"], unique=True)

    op.create_table(
        "rota_days",
        sa.Column("plant_id", sa.Uuid(), nullable=False),
        sa.Column("day", sa.Integer(), nullable=False),
        sa.Column("shift_ordinal", sa.Integer(), nullable=False),
        sa.Column("crew", sa.String(length=80), nullable=False),
        sa.ForeignKeyConstraint(["plant_id"], ["plants.id"], name=op.f("fk_rota_days_plant_id")),
        sa.PrimaryKeyConstraint("plant_id", "day", "shift_ordinal", name=op.f("pk_rota_days")),
    )
    op.create_table(
        "shifts",
        sa.Column("plant_id", sa.Uuid(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("rota_name", sa.String(length=80), nullable=True),
        sa.Column("starts", sa.Time(), nullable=False),
        sa.ForeignKeyConstraint(["plant_id"], ["plants.id"], name=op.f("fk_shifts_plant_id")),
        sa.PrimaryKeyConstraint("plant_id", "ordinal", name=op.f("pk_shifts")),
    )
    op.create_table(
        "tokens",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("account_id", sa.Uuid(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("created_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("expires_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("last_used_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("revoked_at", db.UtcInstant(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_tokens_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_tokens_token_hash")),
    )
    with op.batch_alter_table("tokens", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tokens_account_id"), ["account_id"], unique=False)

    op.create_table(
        "coil_runs",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("coil_id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("started_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.CheckConstraint(
            "ended_at IS NULL OR ended_at >= started_at", name=op.f("ck_coil_runs_ends_after_start")
        ),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_coil_runs_audit_id")
        ),
        sa.ForeignKeyConstraint(["coil_id"], ["coils.id"], name=op.f("fk_coil_runs_coil_id")),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_coil_runs_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_coil_runs")),
    )
    with op.batch_alter_table("coil_runs", schema=None) as batch_op:
        batch_op.create_index(
            "ix_coil_runs_line_started_at", ["line_id", "started_at"], unique=False
        )
        batch_op.create_index(
            "uq_coil_runs_coil_line_started_at", ["coil_id", "line_id", "started_at"], unique=True
        )

    op.create_table(
        "entry_corrections",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("entry_id", sa.Uuid(), nullable=False),
        sa.Column("corrected_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("corrected_by", sa.String(length=120), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("changes", sa.Text(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_entry_corrections_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["entries.id"], name=op.f("fk_entry_corrections_entry_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry_corrections")),
    )
    with op.batch_alter_table("entry_corrections", schema=None) as batch_op:
        batch_op.create_index(
            "ix_entry_corrections_entry", ["entry_id", "corrected_at"], unique=False
        )

    op.create_table(
        "machines",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("station", sa.String(length=80), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=True),
        sa.Column("counter_max", sa.BigInteger(), nullable=True),
        sa.Column("rated_spm", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_machines_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machines")),
    )
    with op.batch_alter_table("machines", schema=None) as batch_op:
        batch_op.create_index(
            "uq_machines_line_station_number", ["line_id", "station", "number"], unique=True
        )

    op.create_table(
        "pallets",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("pallet", sa.String(length=80), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("started_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("ended_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("cans", sa.BigInteger(), nullable=True),
        sa.Column("status", sa.String(length=20), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.CheckConstraint(
            "ended_at IS NULL OR ended_at >= started_at", name=op.f("ck_pallets_ends_after_start")
        ),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_pallets_audit_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_pallets_line_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pallets")),
        sa.UniqueConstraint("pallet", name=op.f("uq_pallets_pallet")),
    )
    with op.batch_alter_table("pallets", schema=None) as batch_op:
        batch_op.create_index("ix_pallets_line_started_at", ["line_id", "started_at"], unique=False)

    op.create_table(
        "changes",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("kind", sa.String(length=80), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_changes_audit_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_changes_line_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_changes_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changes")),
    )
    with op.batch_alter_table("changes", schema=None) as batch_op:
        batch_op.create_index("ix_changes_at", ["at"], unique=False)
        batch_op.create_index(batch_op.f("ix_changes_machine_id"), ["machine_id"], unique=False)
        batch_op.create_index(
            "uq_changes_line",
            ["line_id", "at", "kind"],
            unique=True,
            sqlite_where=sa.text("machine_id IS NULL"),
            postgresql_where=sa.text("machine_id IS NULL"),
        )
        batch_op.create_index(
            "uq_changes_machine",
            ["line_id", "machine_id", "at", "kind"],
            unique=True,
            sqlite_where=sa.text("machine_id IS NOT NULL"),
            postgresql_where=sa.text("machine_id IS NOT NULL"),
        )

    op.create_table(
        "counter_events",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("event", sa.String(length=20), nullable=False),
        sa.Column("strokes_after", sa.BigInteger(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_counter_events_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_counter_events_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_counter_events")),
    )
    with op.batch_alter_table("counter_events", schema=None) as batch_op:
        batch_op.create_index("uq_counter_events_machine_at", ["machine_id", "at"], unique=True)

    op.create_table(
        "counter_questions",
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("to_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("from_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("from_strokes", sa.BigInteger(), nullable=False),
        sa.Column("to_strokes", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_counter_questions_machine_id")
        ),
        sa.PrimaryKeyConstraint("machine_id", "to_at", name=op.f("pk_counter_questions")),
    )
    op.create_table(
        "current_entries",
        sa.Column("entry_id", sa.Uuid(), nullable=False),
        sa.Column("line_id", sa.Uuid(), nullable=True),
        sa.Column("machine_id", sa.Uuid(), nullable=True),
        sa.Column("occurred_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("counted_occurrences", sa.BigInteger(), nullable=False),
        sa.Column("corrections", sa.Integer(), nullable=False),
        sa.Column("seen_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("made_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("dome_code", sa.String(length=20), nullable=True),
        sa.Column("defect_id", sa.Uuid(), nullable=False),
        sa.Column("cans", sa.BigInteger(), nullable=False),
        sa.Column("occurrences", sa.BigInteger(), nullable=True),
        sa.Column("inspected", sa.BigInteger(), nullable=True),
        sa.Column("found_at", sa.String(length=80), nullable=True),
        sa.Column("coil", sa.String(length=80), nullable=True),
        sa.Column("pallet", sa.String(length=80), nullable=True),
        sa.Column("mark", sa.String(length=80), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("logged_by", sa.String(length=80), nullable=True),
        sa.Column("logged_at", db.UtcInstant(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["defect_id"], ["defect_types.id"], name=op.f("fk_current_entries_defect_id")
        ),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["entries.id"], name=op.f("fk_current_entries_entry_id")
        ),
        sa.ForeignKeyConstraint(["line_id"], ["lines.id"], name=op.f("fk_current_entries_line_id")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_current_entries_machine_id")
        ),
        sa.PrimaryKeyConstraint("entry_id", name=op.f("pk_current_entries")),
    )
    with op.batch_alter_table("current_entries", schema=None) as batch_op:
        batch_op.create_index("ix_current_entries_coil", ["coil"], unique=False)
        batch_op.create_index(
            "ix_current_entries_defect_occurred_at", ["defect_id", "occurred_at"], unique=False
        )
        batch_op.create_index(
            "ix_current_entries_line_occurred_at", ["line_id", "occurred_at"], unique=False
        )
        batch_op.create_index(
            "ix_current_entries_machine_occurred_at", ["machine_id", "occurred_at"], unique=False
        )
        batch_op.create_index("ix_current_entries_occurred_at", ["occurred_at"], unique=False)
        batch_op.create_index("ix_current_entries_logged_at", ["logged_at"], unique=False)
        batch_op.create_index("ix_current_entries_pallet", ["pallet"], unique=False)

    op.create_table(
        "dome_codes",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("valid_from", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("valid_to", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_dome_codes_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_dome_codes_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dome_codes")),
    )
    with op.batch_alter_table("dome_codes", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_dome_codes_machine_id"), ["machine_id"], unique=False)
        batch_op.create_index("uq_dome_codes_code_valid_from", ["code", "valid_from"], unique=True)

    op.create_table(
        "measurements",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("measured_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("characteristic", sa.String(length=80), nullable=False),
        sa.Column("unit", sa.String(length=80), nullable=True),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("subgroup", sa.String(length=80), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_measurements_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_measurements_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurements")),
    )
    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.create_index(
            "ix_measurements_machine_measured_at", ["machine_id", "measured_at"], unique=False
        )

    op.create_table(
        "readings",
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("read_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("strokes", sa.BigInteger(), nullable=False),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_readings_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_readings_machine_id")
        ),
        sa.PrimaryKeyConstraint("machine_id", "read_at", name=op.f("pk_readings")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "services",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("service", sa.String(length=80), nullable=False),
        sa.Column("done_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("unplanned", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_services_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_services_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_services")),
    )
    with op.batch_alter_table("services", schema=None) as batch_op:
        batch_op.create_index(
            "uq_services_machine_service_done_at", ["machine_id", "service", "done_at"], unique=True
        )

    op.create_table(
        "stroke_hours",
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("hour_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("strokes", sa.BigInteger(), nullable=False),
        sa.Column("total_before", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_stroke_hours_machine_id")
        ),
        sa.PrimaryKeyConstraint("machine_id", "hour_at", name=op.f("pk_stroke_hours")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "tool_fits",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("tool_id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.String(length=80), nullable=False),
        sa.Column("fitted_at", db.UtcInstant(timezone=True), nullable=False),
        sa.Column("removed_at", db.UtcInstant(timezone=True), nullable=True),
        sa.Column("removal_reason", sa.String(length=20), nullable=True),
        sa.Column("audit_id", sa.Uuid(), nullable=False),
        sa.CheckConstraint(
            "removed_at IS NULL OR removed_at >= fitted_at",
            name=op.f("ck_tool_fits_ends_after_start"),
        ),
        sa.ForeignKeyConstraint(
            ["audit_id"], ["audit_records.id"], name=op.f("fk_tool_fits_audit_id")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_tool_fits_machine_id")
        ),
        sa.ForeignKeyConstraint(["tool_id"], ["tools.id"], name=op.f("fk_tool_fits_tool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tool_fits")),
    )
    with op.batch_alter_table("tool_fits", schema=None) as batch_op:
        batch_op.create_index(
            "ix_tool_fits_machine_fitted_at", ["machine_id", "fitted_at"], unique=False
        )
        batch_op.create_index("uq_tool_fits_tool_fitted_at", ["tool_id", "fitted_at"], unique=True)


def downgrade() -> None:

    with op.batch_alter_table("tool_fits", schema=None) as batch_op:
        batch_op.drop_index("uq_tool_fits_tool_fitted_at")
        batch_op.drop_index("ix_tool_fits_machine_fitted_at")

    op.drop_table("tool_fits")
    op.drop_table("stroke_hours")
    with op.batch_alter_table("services", schema=None) as batch_op:
        batch_op.drop_index("uq_services_machine_service_done_at")

    op.drop_table("services")
    op.drop_table("readings")
    with op.batch_alter_table("measurements", schema=None) as batch_op:
        batch_op.drop_index("ix_measurements_machine_measured_at")

    op.drop_table("measurements")
    with op.batch_alter_table("dome_codes", schema=None) as batch_op:
        batch_op.drop_index("uq_dome_codes_code_valid_from")
        batch_op.drop_index(batch_op.f("ix_dome_codes_machine_id"))

    op.drop_table("dome_codes")
    with op.batch_alter_table("current_entries", schema=None) as batch_op:
        batch_op.drop_index("ix_current_entries_pallet")
        batch_op.drop_index("ix_current_entries_logged_at")
        batch_op.drop_index("ix_current_entries_occurred_at")
        batch_op.drop_index("ix_current_entries_machine_occurred_at")
        batch_op.drop_index("ix_current_entries_line_occurred_at")
        batch_op.drop_index("ix_current_entries_defect_occurred_at")
        batch_op.drop_index("ix_current_entries_coil")

    op.drop_table("current_entries")
    op.drop_table("counter_questions")
    with op.batch_alter_table("counter_events", schema=None) as batch_op:
        batch_op.drop_index("uq_counter_events_machine_at")

    op.drop_table("counter_events")
    with op.batch_alter_table("changes", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_changes_machine",
            sqlite_where=sa.text("machine_id IS NOT NULL"),
            postgresql_where=sa.text("machine_id IS NOT NULL"),
        )
        batch_op.drop_index(
            "uq_changes_line",
            sqlite_where=sa.text("machine_id IS NULL"),
            postgresql_where=sa.text("machine_id IS NULL"),
        )
        batch_op.drop_index(batch_op.f("ix_changes_machine_id"))
        batch_op.drop_index("ix_changes_at")

    op.drop_table("changes")
    with op.batch_alter_table("pallets", schema=None) as batch_op:
        batch_op.drop_index("ix_pallets_line_started_at")

    op.drop_table("pallets")
    with op.batch_alter_table("machines", schema=None) as batch_op:
        batch_op.drop_index("uq_machines_line_station_number")

    op.drop_table("machines")
    with op.batch_alter_table("entry_corrections", schema=None) as batch_op:
        batch_op.drop_index("ix_entry_corrections_entry")

    op.drop_table("entry_corrections")
    with op.batch_alter_table("coil_runs", schema=None) as batch_op:
        batch_op.drop_index("uq_coil_runs_coil_line_started_at")
        batch_op.drop_index("ix_coil_runs_line_started_at")

    op.drop_table("coil_runs")
    with op.batch_alter_table("tokens", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_tokens_account_id"))

    op.drop_table("tokens")
    op.drop_table("shifts")
    op.drop_table("rota_days")
    with op.batch_alter_table("lines", schema=None) as batch_op:
        batch_op.drop_index("uq_lines_plant_line")

    op.drop_table("lines")
    op.drop_table("entries")
    op.drop_table("tools")
    with op.batch_alter_table("service_levels", schema=None) as batch_op:
        batch_op.drop_index("uq_service_levels_station_service")

    op.drop_table("service_levels")
    op.drop_table("plants")
    op.drop_table("defect_types")
    op.drop_table("coils")
    with op.batch_alter_table("audit_records", schema=None) as batch_op:
        batch_op.drop_index("ix_audit_records_subject")
        batch_op.drop_index(batch_op.f("ix_audit_records_at"))
        batch_op.drop_index(batch_op.f("ix_audit_records_actor"))

    op.drop_table("audit_records")
    op.drop_table("accounts")
